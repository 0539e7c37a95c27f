"""The demo household: an invented year, told through the same acts as a keeper's own."""
