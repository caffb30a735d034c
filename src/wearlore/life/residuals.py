"""Cox–Snell residuals: does a regression's family suit the lives?"""

from __future__ import annotations

from dataclasses import dataclass

from wearlore.lives import Array, Lives


@dataclass(frozen=True, slots=True)
class Residuals:
    """Cumulative hazards r = -ln S(t | x) of the lives: lives of unit exponential distribution if the model holds.

    ``hazard`` is the nonparametric cumulative hazard just after each ``at``, with pointwise limits ``low`` and ``high``
    at ``level``; arrays of shape (k,). The model holds where ``hazard`` = ``at``.
    """

    lives: Lives
    at: Array
    hazard: Array
    low: Array
    high: Array
    level: float
    outside: float  # share of `at` at which the unit line leaves the limits: a description, not a test
