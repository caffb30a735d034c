"""A vehicle for sale: what it is worth beside another, and what to look at first."""
