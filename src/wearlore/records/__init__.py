"""Service records: the store, and the intake of files into it."""
