"""Repairs that come again on the same vehicle."""
