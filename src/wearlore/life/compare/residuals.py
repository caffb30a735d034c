"""Cox–Snell residuals: does a regression's family suit the lives?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearlore.life.likelihood import LogLife, log_km
from wearlore.life.turnbull import record_curve
from wearlore.lives import Array, Lives

LARGEST = np.finfo(np.float64).max
SMALLEST = np.finfo(np.float64).tiny


@dataclass(frozen=True, slots=True)
class Residuals:
    """Cumulative hazards r = -ln S(t | x): lives of unit exponential distribution if the model holds.

    They are the lives transformed, so censored and entered late as these are (Cox & Snell 1968, J. R. Stat. Soc. B 30;
    with censoring: Klein & Moeschberger 2003, section 12.5). ``hazard`` is their nonparametric cumulative hazard just
    after each ``at``, with pointwise limits ``low`` and ``high`` at ``level``; arrays of shape (k,). The model holds
    where ``hazard`` equals ``at``. The limits do not know that the model was fitted to the same lives.
    """

    lives: Lives
    at: Array
    hazard: Array
    low: Array
    high: Array
    level: float
    outside: float  # share of `at` at which the unit line leaves the limits: a description, not a test


def residuals(lives: Lives, mu: Array, sigma: float, dist: LogLife, level: float = 0.95) -> Residuals:
    """Of ``lives`` (n,) with location ``mu`` (n,) in ln km."""

    def hazard(km: Array) -> Array:
        return np.minimum(-dist.log_sf((log_km(km) - mu) / sigma), LARGEST)

    upper = np.full(len(lives), np.inf)
    upper[~lives.right] = np.maximum(hazard(np.where(lives.right, lives.lower, lives.upper)), SMALLEST)[~lives.right]
    on_scale = Lives(hazard(lives.entry), hazard(lives.lower), upper, lives.count)
    curve = record_curve(on_scale, level)
    with np.errstate(divide="ignore"):  # survival 0 is an infinite cumulative hazard
        steps, low, high = (-np.log(share) for share in (curve.survival, curve.high, curve.low))
    outside = float(np.mean((curve.km < low) | (curve.km > high))) if curve.km.size else 0.0
    return Residuals(on_scale, curve.km, steps, low, high, level, outside)
