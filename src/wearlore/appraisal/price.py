"""The price at which buying is even: against a vehicle of the same kind that was kept well and is good now.

even price = price of that vehicle - (expected cost here - expected cost there), over the same distance and under the
same advice, on the same luck. The cost here is what brings it to standard now and what comes after that.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

from wearlore.estimate import NORMAL_95, Estimate
from wearlore.lives import Array

LEVEL = 0.95
SURE = 0.9  # chance that buying is better, at the price to offer


@dataclass(frozen=True, slots=True)
class EvenPrice:
    """``even``: the price, with the interval for what is not known of lives, of prices and by the finite simulation.

    Beside that it is open what is there on this vehicle now. ``offer``: the price at which buying still turns out
    better with the chance `SURE`; ``sure``: that chance at the asking price.
    """

    even: Estimate
    offer: float
    sure: float


def even_price(comparable: Estimate, more: Estimate, there: Array, price: float) -> EvenPrice:
    """``comparable``: what the vehicle kept well costs; ``more``: what this one is expected to cost beyond it.

    Both intervals are taken as normal and independent of each other. ``there`` (N,): what it costs for each draw of
    what is there now (only how they differ counts); ``price``: the asking price; all money.
    """
    value = comparable.value - more.value
    low = value - hypot(comparable.value - comparable.low, more.high - more.value)
    high = value + hypot(comparable.high - comparable.value, more.value - more.low)
    worth = value + there.mean() - there
    spread = max((high - low) / (2 * NORMAL_95), 1e-9)

    def sure(at: float) -> float:
        return float(norm.cdf((worth - at) / spread).mean())

    bottom, top = float(worth.min()) - 9 * spread, float(worth.max()) + 9 * spread
    offer = brentq(lambda at: sure(at) - SURE, bottom, top, xtol=0.01)
    return EvenPrice(Estimate(value, low, high, LEVEL), float(offer), sure(price))


def beyond(here: Array, there: Array, draws: int, shifts: Array) -> Estimate:
    """What one costs more than the other on the mean: ``here``, ``there`` (R,) on the same luck.

    Run r lives by draw r mod ``draws`` of the lives' parameters; ``shifts`` (draws,): what is added in each of these
    (its mean counts as 0). The interval is for the parameters, with the error of finitely many runs.
    """
    more = here - there
    runs = more.size // draws
    each = more[: runs * draws].reshape(runs, draws)
    means = each.mean(axis=0) + shifts - shifts.mean()
    value = float(more.mean())
    noise = float(each.var(axis=0, ddof=1).mean()) / runs if runs > 1 else 0.0
    spread = float(means.var(ddof=1))
    kept = np.sqrt(max(0.0, 1 - noise / spread)) if spread > 0 else 0.0  # the rest of the spread is chance of the runs
    low, high = np.quantile(kept * (means - means.mean()), [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    error = NORMAL_95 * float(more.std(ddof=1)) / np.sqrt(more.size)
    return Estimate(value, value - hypot(min(low, 0.0), error), value + hypot(max(high, 0.0), error), LEVEL)
