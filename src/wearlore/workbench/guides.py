"""The guide of a family, for owners and for buyers."""

from __future__ import annotations

from wearlore.workbench.vehicles import Vehicles


class Guides(Vehicles):
    """The guide of a family, for owners and for buyers."""
