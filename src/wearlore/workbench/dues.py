"""Whom of the fleet to call in, and for what."""

from __future__ import annotations

from wearlore.workbench.plans import Plans


class Dues(Plans):
    """Whom of the fleet to call in, and for what."""
