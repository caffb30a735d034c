"""A number with its interval: the only way an estimate leaves a computing module."""

from __future__ import annotations

from dataclasses import dataclass

NORMAL_90, NORMAL_95 = 1.6448536269514722, 1.959963984540054  # standard normal: how far the middle 90 and 95 % reach


@dataclass(frozen=True, slots=True)
class Estimate:
    """``value`` with an interval from ``low`` to ``high`` at confidence (or credible mass) ``level``.

    An end that the data do not bound is ``0`` or ``inf``, never ``nan``.
    """

    value: float
    low: float
    high: float
    level: float = 0.95
