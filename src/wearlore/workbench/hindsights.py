"""Whether forecasts held."""

from __future__ import annotations

from wearlore.workbench.dues import Dues


class Hindsights(Dues):
    """Whether forecasts held."""
