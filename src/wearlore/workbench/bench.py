"""The whole of it."""

from __future__ import annotations

from wearlore.workbench.guides import Guides
from wearlore.workbench.remedies import Remedies


class Workbench(Guides, Remedies):
    """The book and the store of a workshop folder, and every answer drawn from them."""
