"""What the tool does with the rows: acts that write them, and calculations that read them."""
