"""Finding and adding vehicles, and what is on record of one."""

from __future__ import annotations

from wearlore.workbench.appraisals import Appraisals


class Vehicles(Appraisals):
    """Finding and adding vehicles, and what is on record of one."""
