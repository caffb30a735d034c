"""Readings that drift with age, and the distance left to a limit."""
