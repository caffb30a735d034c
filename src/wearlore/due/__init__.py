"""A fleet ranked by what acting at the next visit saves."""
