"""The whole of it."""

from __future__ import annotations

from wearlore.workbench.guides import Guides


class Workbench(Guides):
    """The book and the store of a workshop folder, and every answer drawn from them."""
