"""The book: the YAML description of one engine family."""
