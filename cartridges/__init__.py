"""The water train and what is known about it."""
