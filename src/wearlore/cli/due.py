"""Whom to call in."""
