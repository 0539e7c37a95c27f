"""People, the households they belong to, and who may do what."""
