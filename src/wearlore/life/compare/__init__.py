"""Which lasts longer, how many times, and whether the records can tell."""
