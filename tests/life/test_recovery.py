"""Recovery: over 1,000 simulated fleets of each kind the 95 % profile intervals cover the truth in 92 to 98 %.

A coverage of 95 % is then found between 92.9 and 97.1 % (3 standard errors). Measured once over 2,000 other fleets of
each kind, B10 and shape: Weibull 95.4 and 95.5 % evident, 94.5 and 93.9 % hidden; lognormal 95.2 and 95.4 % evident,
95.1 and 95.8 % hidden; over 4,000 more of the lowest, Weibull hidden, 94.5 and 94.5 %.
"""

from __future__ import annotations

from math import exp, inf

import numpy as np
import pytest

from wearlore.life import LOGNORMAL, WEIBULL, fit, profile_interval
from wearlore.lives import Lives

FLEETS, VANS = 1000, 350
TRUTH = {WEIBULL.name: (WEIBULL, 12.0, 0.40), LOGNORMAL.name: (LOGNORMAL, 11.9, 0.55)}


def fleet(dist, mu, sigma, *, hidden, rng):
    """Lives as a workshop sees them: records of half the vans begin late, all end somewhere.

    Evident: failed at a known distance, or still good; seen only if good when the records begin. Hidden: looked at
    every 10 000 to 40 000 km, found failed since the last look; the records' beginning conditions on nothing, and the
    first look may find it failed. Distances are grouped to 100 km.
    """
    z = np.log(rng.exponential(size=VANS)) if dist is WEIBULL else rng.standard_normal(VANS)
    life = np.exp(mu + sigma * z)
    entry = np.where(rng.random(VANS) < 0.5, 0.0, rng.uniform(5e3, 9e4, VANS))
    end = entry + rng.gamma(4.0, 3e4, VANS)
    rows = []
    for t, start, stop in zip(life, entry, end, strict=True):
        if not hidden:
            if t > start:
                rows.append((start, t, t) if t < stop else (start, stop, inf))
            continue
        looks = start + np.cumsum(rng.uniform(1e4, 4e4, 30))
        looks = looks[looks < stop]
        if looks.size:
            good = looks[looks < t]
            last = good[-1] if good.size else 0.0
            rows.append((0.0, last, looks[good.size]) if good.size < looks.size else (0.0, last, inf))
    entry, lower, upper = np.round(np.array(rows).T, -2)
    lower = np.maximum(lower, entry)
    upper = np.where(upper == lower, np.maximum(upper, 100.0), upper)
    distinct, count = np.unique(np.column_stack([entry, np.minimum(lower, upper), upper]), axis=0, return_counts=True)
    return Lives(*distinct.T, count.astype(float))


@pytest.mark.slow
@pytest.mark.parametrize("hidden", [False, True], ids=["evident", "hidden"])
@pytest.mark.parametrize("name", TRUTH)
def test_intervals_cover_the_truth(name, hidden):
    dist, mu, sigma = TRUTH[name]
    b10 = exp(mu + sigma * float(dist.z(0.1)))
    rng = np.random.default_rng(20_260 + hidden)
    covered = {"B10": 0, "shape": 0}
    kinds = np.zeros(4)
    for _ in range(FLEETS):
        lives = fleet(dist, mu, sigma, hidden=hidden, rng=rng)
        best = fit(lives, dist)
        interval = profile_interval(lives, best, "quantile", 0.1)
        covered["B10"] += interval.low <= b10 <= interval.high
        interval = profile_interval(lives, best, "shape")
        covered["shape"] += interval.low <= 1 / sigma <= interval.high
        left = lives.between & (lives.lower == 0)
        kinds += [lives.exact.sum(), lives.right.sum(), (lives.between & ~left).sum(), left.sum()]
    assert (kinds[2:] > FLEETS).all() if hidden else kinds[0] > 20 * FLEETS  # the censoring is what it says
    shares = {what: n / FLEETS for what, n in covered.items()}
    assert all(0.92 <= share <= 0.98 for share in shares.values()), shares
