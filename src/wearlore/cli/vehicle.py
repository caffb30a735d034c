"""One vehicle on record."""
