"""The whole of it."""

from __future__ import annotations

from wearlore.workbench.appraisals import Appraisals


class Workbench(Appraisals):
    """The book and the store of a workshop folder, and every answer drawn from them."""
