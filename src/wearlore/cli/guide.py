"""The published guide."""
