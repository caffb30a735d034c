"""A number with its interval: the only way an estimate leaves a computing module."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Estimate:
    """``value`` with an interval from ``low`` to ``high`` at confidence (or credible mass) ``level``.

    An end that the data do not bound is ``0`` or ``inf``, never ``nan``.
    """

    value: float
    low: float
    high: float
    level: float = 0.95
