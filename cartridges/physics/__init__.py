"""The model: pure NumPy, no web, no database, no clock of its own."""
