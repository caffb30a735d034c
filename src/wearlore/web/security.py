"""Who may ask, and what a page may do."""

from __future__ import annotations

from fastapi import FastAPI


class Guard:
    """Stands before every request."""

    def protect(self, app: FastAPI) -> None:
        """Put the guard before ``app``."""
