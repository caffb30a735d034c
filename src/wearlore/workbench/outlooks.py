"""What the years to come cost on one vehicle, under each way of caring for it."""

from __future__ import annotations

from wearlore.workbench.visits import Visits


class Outlooks(Visits):
    """What the years to come cost on one vehicle, under each way of caring for it."""
