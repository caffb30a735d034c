"""A piece that is always cured in the same way: how long a cycle lasts, how it ends, and what that costs.

By the renewal-reward theorem the cost per distance tends to the expected cost of a cycle over its expected length
(Barlow & Proschan 1965, ch. 3; Ross 1996, *Stochastic Processes*, section 3.6). A cycle ends by the first of the modes
that the cure renews together; a share p0 of new pieces is faulty as fitted and fails evenly over the first ``early``
km. d draws of the parameters stand for what is not known of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

import numpy as np

from wearlore.life.likelihood import LogLife, log_km
from wearlore.lives import Array
from wearlore.renewal.equation import Span, renewed

OUTLIVED = 1e-9  # a cycle is followed until so few go on
DEPTH = 25.0  # ... from so far before that, in ln km
STEPS = 1000


@dataclass(frozen=True, slots=True)
class FreshLife:
    """One mode of a piece just cured: S(t) = p0 (1 - t/early)+ + (1 - p0) (1 - can_fail + can_fail S0(t)).

    All (d,): ``mu`` (ln km) and ``sigma`` of S0; ``start``: the age (km) it has then, 0 but after a clean. ``early``:
    km.
    """

    dist: LogLife
    mu: Array
    sigma: Array
    p0: Array
    can_fail: Array
    start: Array
    early: float

    def sf(self, km: Array) -> Array:
        """Share still good after ``km`` (d, n) more, of those good at the start."""
        start = self.start[:, None]
        return self._sf(start + km) / self._sf(start)

    def _sf(self, age: Array) -> Array:
        mu, sigma, p0, can_fail = (x[:, None] for x in (self.mu, self.sigma, self.p0, self.can_fail))
        good = np.exp(self.dist.log_sf((log_km(age) - mu) / sigma))
        faulty = np.maximum(1 - age / self.early, 0.0)
        return np.asarray(p0 * faulty + (1 - p0) * (1 - can_fail + can_fail * good))

    def longest(self) -> Array:
        """How far (km) any but `OUTLIVED` of them go; inf where some never fail."""
        z = float(self.dist.z(1 - OUTLIVED))
        return np.asarray(np.where(self.can_fail < 1, np.inf, np.exp(self.mu + self.sigma * z)))


@dataclass(frozen=True, slots=True)
class Cycle:
    """``length`` (d,): mean, km; inf where some pieces never fail. ``ends`` (m, d): chance that each mode ends it."""

    length: Array
    ends: Array


def cycle(lives: Sequence[FreshLife]) -> Cycle:
    """The cycle that the first of some modes ends; the modes are independent of each other."""
    longest = np.min([life.longest() for life in lives], axis=0)
    bounded = np.isfinite(longest)
    span = np.where(bounded, longest, 1.0)[:, None]
    ln_share = np.linspace(-DEPTH, 0.0, STEPS + 1)
    km = np.concatenate([np.zeros_like(span), span * np.exp(ln_share)], axis=1)
    alive, ends = _by_mode(lives, km)
    # the integral of S dt as that of S t d(ln t), by the trapezium rule; before the first step all are alive
    inside = alive[:, 1:] * km[:, 1:]
    length = km[:, 1] + (ln_share[1] - ln_share[0]) * (inside.sum(axis=1) - 0.5 * (inside[:, 0] + inside[:, -1]))
    return Cycle(np.where(bounded, length, np.inf), np.where(bounded, ends.sum(axis=2), 0.0))


def cost_ahead(lives: Sequence[FreshLife], costs: Sequence[float], span: Span) -> Array:
    """W(span) of a piece just cured (renewal equation): ``costs`` (m,) are those of a failure by each mode; (d,)."""
    draws = lives[0].mu.size
    km = np.broadcast_to(np.linspace(0.0, span.km, span.steps + 1), (draws, span.steps + 1))
    alive, ends = _by_mode(lives, km)
    p = np.concatenate([np.zeros((draws, 1)), -np.diff(alive, axis=1)], axis=1)
    q = np.concatenate([np.zeros((draws, 1)), np.tensordot(np.asarray(costs), ends, axes=1)], axis=1)
    factor = exp(-span.discount * span.step)
    return np.array([renewed(p[d], q[d], factor)[-1] for d in range(draws)])


def _by_mode(lives: Sequence[FreshLife], km: Array) -> tuple[Array, Array]:
    """Shares of all pieces: still good at ``km`` (d, n), and failed in each step by each mode (m, d, n - 1)."""
    each = np.array([life.sf(km) for life in lives])
    alive = each.prod(axis=0)
    hazard = -np.diff(log_km(np.maximum(each, np.finfo(float).tiny)), axis=2)
    total = hazard.sum(axis=0)
    share = np.divide(hazard, total, out=np.zeros_like(hazard), where=total > 0)
    return alive, share * -np.diff(alive, axis=1)
