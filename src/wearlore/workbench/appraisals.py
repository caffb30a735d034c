"""Whether to buy a vehicle, what to look at first, and what to offer."""

from __future__ import annotations

from wearlore.workbench.hindsights import Hindsights


class Appraisals(Hindsights):
    """Whether to buy a vehicle, what to look at first, and what to offer."""
