"""Maxima, profiles and grids of the mixture's likelihood, in (mu, ln sigma, logit p0, logit q).

A likelihood of parts grows without limit where F0 shrinks to a single exact failure; such spikes say nothing and are
passed over: the fit is the highest maximum inside the box of `LOG_SPREAD` and `REACH` (McLachlan & Peel 2000, *Finite
Mixture Models*, chapter 3), or one on the boundary p0 = 0 or q = 1 from which no way leads uphill.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from math import exp, inf, isfinite, isnan, log, nan, sqrt
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit, logit
from scipy.stats import chi2

from wearlore.life.fit import LOG_SPREAD, OPEN, REACH, VAGUE, furthest
from wearlore.life.fractions.mixture import Rows
from wearlore.life.likelihood import Derivatives, LogLife
from wearlore.life.newton import ROUNDING, Objective, movable
from wearlore.lives import Array, Lives

Kind = Literal["plain", "early", "survivors", "both"]
SHARES: dict[Kind, tuple[int, ...]] = {"plain": (), "early": (2,), "survivors": (3,), "both": (2, 3)}  # free logits
WITHIN: dict[Kind, tuple[Kind, ...]] = {
    "plain": (),
    "early": ("plain",),
    "survivors": ("plain",),
    "both": ("early", "survivors"),
}
FLAT = 25.0  # a share this far out on the logit scale (1e-11) is 0 or 1
EDGE = 20.0  # ... where the slope at the boundary is taken
CERTAIN = 1e-8  # Newton decrement (twice the log-likelihood still to gain) of a maximum
NOTHING = 1e-5  # log-likelihood to be gained off the boundary that is no gain
ENOUGH = 1e-14  # Newton decrement at which a step gains nothing more
LONGEST_STEP, SHORTEST, STEPS = 1.0, 1e-10, 200
CELLS = {0: 1, 1: 40, 2: 16}  # of the grid on every free share, by how many there are


@dataclass(frozen=True, slots=True)
class Top:
    """Where an ascent ended; ``is_maximum``: gradient 0 and Hessian negative definite, inside the box."""

    point: Array
    at: Derivatives
    is_maximum: bool


@dataclass(frozen=True)
class Problem:
    """Lives, family and early distance (km): everything but the parameters."""

    lives: Lives
    dist: LogLife
    early: float

    def free(self, kind: Kind) -> tuple[int, ...]:
        return self._life + SHARES[kind]

    def best(self, kind: Kind, narrower: list[Top]) -> Top | None:
        """The maximum of ``kind``, given those of the kinds `WITHIN` it; None if there is none."""
        tops = [self.ascend(start, self.free(kind)) for start in self._starts(kind)]
        tops += [self.ascend(self.kept_inside(top.point, kind), self.free(kind)) for top in narrower]
        inside = max((top for top in tops if top.is_maximum), key=lambda top: top.at.value, default=None)
        edge = max(narrower, key=lambda top: top.at.value, default=None)
        if edge is None or (inside is not None and inside.at.value > edge.at.value + CERTAIN):
            return inside
        nothing_above = max(top.at.value for top in tops) <= edge.at.value + NOTHING
        return edge if nothing_above or self._leads_nowhere(edge.point, kind) else None

    def derivatives(self, point: Array) -> Derivatives:
        return self._rows.derivatives(self.dist, point)

    def ascend(self, start: Array, free: tuple[int, ...], objective: Objective | None = None) -> Top:
        """Uphill in the ``free`` coordinates by damped Newton, as `newton.maximise`; a way that leads out of the box,
        or along a share towards 0 or 1 without end, ends there as no maximum.
        """
        function = objective or self.derivatives
        low, high = self._box
        point = np.clip(start, low, high)
        point[[i for i in range(4) if i not in free]] = start[[i for i in range(4) if i not in free]]
        at, gain, firm = function(point), 0.0, True
        for _ in range(STEPS):
            index = movable(point, at.gradient, low, high, free)
            if not index:
                break
            values, vectors = np.linalg.eigh(-at.hessian[np.ix_(index, index)])
            size = np.abs(values)
            step = vectors @ ((vectors.T @ at.gradient[index]) / np.maximum(size, 1e-10 * max(1.0, float(size.max()))))
            gain, firm = float(at.gradient[index] @ step), bool(values.min() >= VAGUE)
            if gain < ENOUGH or (gain < CERTAIN and not firm):
                break
            step /= max(1.0, float(np.abs(step).max()) / LONGEST_STEP)
            trial, length = point.copy(), 1.0
            while length > SHORTEST:
                trial[index] = np.clip(point[index] + length * step, low[index], high[index])
                there = function(trial)
                least = 1e-4 * length * min(gain, 1.0) - ROUNDING * abs(at.value)
                if there.value >= at.value + least or (firm and gain < CERTAIN):
                    break
                length /= 2
            if length <= SHORTEST or (trial == point).all():
                break
            point, at = trial, there
        edge = ((point <= low) | (point >= high))[list(free)].any()
        return Top(point, at, firm and gain < CERTAIN and not edge)

    def life_given(self, shares: Array, near: Array) -> Top:
        """The likeliest (mu, ln sigma), sought from ``near``, for given ``shares`` (logits, (2,))."""
        return self.ascend(np.array([*near[:2], *shares]), self._life)

    def kept_inside(self, point: Array, kind: Kind) -> Array:
        """The point with its free shares no nearer to the boundary than half a life: there the slope still shows."""
        least, (p0, q) = float(logit(0.5 / (self.lives.total + 1))), point[2:]
        return np.array(
            [
                *point[:2],
                min(max(p0, least), -least) if 2 in SHARES[kind] else -inf,
                min(max(q, least), -least) if 3 in SHARES[kind] else inf,
            ]
        )

    @property
    def _life(self) -> tuple[int, ...]:
        return (0,) if self.dist.fixed_sigma else (0, 1)

    @cached_property
    def _rows(self) -> Rows:
        return Rows.of(self.lives, self.early)

    @cached_property
    def _box(self) -> tuple[Array, Array]:
        middle = log(furthest(self.lives))
        return (
            np.array([middle - REACH, LOG_SPREAD[0], -FLAT, -FLAT]),
            np.array([middle + REACH, LOG_SPREAD[1], FLAT, FLAT]),
        )

    def _starts(self, kind: Kind) -> Iterator[Array]:
        """Some shares, each with the likeliest F0 for it.

        Sought from the exponential life; where few can fail, from the mean and spread of the failures themselves.
        """
        lives, frees = self.lives, SHARES[kind]
        seen = lives.where(~lives.right)
        middle = 0.5 * (seen.lower + seen.upper)
        late = middle > self.early if 2 in frees and (middle > self.early).any() else np.full(middle.size, True)
        weight, ln = seen.count[late], np.log(middle[late])
        mean = float(np.average(ln, weights=weight))
        spread = sqrt(float(np.average((ln - mean) ** 2, weights=weight)))
        run = log(max(lives.at_risk / weight.sum(), 1e-6 * furthest(lives)))
        shown = max(float(seen.count[~late].sum()), 0.5) / (lives.total + 1)
        failed = lives.failures / (lives.total + 1)
        for p0, q in product(
            (0.9 * shown, 0.1 * shown) if 2 in frees else (0.0,),
            (min(1.05 * failed, 0.95), 0.5 * (failed + 0.95)) if 3 in frees else (1.0,),
        ):
            own = 3 in frees and not self.dist.fixed_sigma
            near = np.array([mean, log(max(spread, 0.1))] if own else [run, 0.0])
            yield self.life_given(logits(p0, q), near).point

    def _leads_nowhere(self, point: Array, kind: Kind) -> bool:
        """Is the slope from the boundary, in every free share that stands on it, 0 or outward?"""
        for index, inward in ((2, 1.0), (3, -1.0)):
            if index in SHARES[kind] and not isfinite(point[index]):
                near = point.copy()
                near[index] = -inward * EDGE
                if inward * self.derivatives(near).gradient[index] * exp(EDGE) > 1e-5 * self.lives.total:
                    return False
        return True


@dataclass(frozen=True, slots=True)
class Profile:
    """The profile likelihood of one coordinate of (mu + z sigma, ln sigma, logit p0, logit q), from a maximum on."""

    problem: Problem
    kind: Kind
    index: int
    z: float
    best: Array  # the maximum, (mu, ln sigma, logit p0, logit q)

    def interval(self, level: float) -> tuple[float, float, float]:
        """The coordinate at the maximum, and where the likelihood-ratio statistic reaches its chi-square quantile.

        -inf or inf where it never does.
        """
        value = float(self._to_profile(self.best)[self.index])
        target = sqrt(float(chi2.ppf(level, 1)))
        return value, self._end(-1, target), self._end(+1, target)

    def _end(self, side: int, target: float) -> float:
        inside = self.problem.kept_inside(self.best, self.kind)
        top, start = self.problem.derivatives(self.best).value, self._to_profile(inside)
        limit, here = self._limits()[side > 0], float(start[self.index])
        if not isfinite(self.best[self.index]) and side * self.best[self.index] > 0:
            return side * inf  # the maximum stands on this very boundary
        free = tuple(i for i in self.problem.free(self.kind) if i != self.index)
        known: dict[float, tuple[Array, float]] = {here: (start, nan)}  # each from the nearest known before

        def excess(c: float) -> float:
            value = known.get(c, (start, nan))[1]
            if isnan(value):
                near = self.problem.kept_inside(known[min(known, key=lambda other: abs(other - c))][0], self.kind)
                near[self.index] = c
                found = self.problem.ascend(near, free, self._objective)
                value = sqrt(max(0.0, 2 * (top - found.at.value))) - target
                known[c] = found.point, value
            return value

        curvature = -self._objective(start).hessian[self.index, self.index]
        step = min(target / sqrt(curvature), 1.0) if curvature > 0 else 1.0
        if excess(here) > 0:  # only where the maximum stands on the other boundary: the end lies before half a life
            here, step = -side * FLAT, FLAT
        while True:
            ahead = here + side * min(step, abs(limit - here))
            if excess(ahead) > 0:
                break
            if ahead == limit:
                return side * inf
            here, step = ahead, 2 * step
        return float(brentq(excess, here, ahead, xtol=1e-8, rtol=1e-10))

    def _limits(self) -> tuple[float, float]:
        if self.index >= 2:
            return -FLAT, FLAT
        if self.index == 1:
            return LOG_SPREAD[0] + 1e-6, LOG_SPREAD[1] - 1e-6
        value = float(self._to_profile(self.best)[0])
        return value - OPEN, value + OPEN

    def _to_profile(self, point: Array) -> Array:
        return np.array([point[0] + self.z * exp(point[1]), *point[1:]])

    def _objective(self, place: Array) -> Derivatives:
        """The likelihood in the profile's coordinates: mu = place[0] - z sigma."""
        shift = self.z * exp(place[1])
        value, gradient, hessian = self.problem.derivatives(place - np.array([shift, 0.0, 0.0, 0.0]))
        turn = np.eye(4)
        turn[0, 1] = -shift
        hessian = turn.T @ hessian @ turn
        hessian[1, 1] -= shift * gradient[0]
        return Derivatives(value, turn.T @ gradient, hessian)


@dataclass(frozen=True, slots=True)
class Cell:
    """Shares (p0, q) from ``low`` on over ``width``, and (mu, ln sigma) normal about ``mode`` for them."""

    low: Array
    width: Array
    mode: Array
    root: Array  # of the covariance, lower triangular (2, 2)
    weight: float  # ln of the chance, up to a constant


def cells(problem: Problem, best: Array, shares: tuple[tuple[float, float], tuple[float, float]]) -> list[Cell]:
    """A grid over the shares p0 and q from low to high (equal ends: fixed), by Laplace's method at each cell's middle.

    The weight is profile likelihood over the root of the information on (mu, ln sigma) (Tierney & Kadane 1986, JASA
    81), under a flat prior on the shares. Cells without a likeliest life have none.
    """
    number = CELLS[sum(low < high for low, high in shares)]
    edges = [np.linspace(low, high, (number if low < high else 1) + 1) for low, high in shares]
    index, found, near = list(problem.free("plain")), [], best
    for i, j in product(range(edges[0].size - 1), range(edges[1].size - 1)):
        low = np.array([edges[0][i], edges[1][j]])
        width = np.array([edges[0][i + 1], edges[1][j + 1]]) - low
        top = problem.life_given(logits(*(low + 0.5 * width)), near if j else best)
        if not top.is_maximum:
            continue
        near, root = top.point, np.zeros((2, 2))
        covariance = np.linalg.inv(-top.at.hessian[np.ix_(index, index)])
        root[np.ix_(index, index)] = np.linalg.cholesky(covariance)
        weight = top.at.value + 0.5 * float(np.linalg.slogdet(covariance)[1])
        found.append(Cell(low, width, top.point[:2], root, weight))
    return found


def logits(p0: float, q: float) -> Array:
    """Logits of two shares; of 0 and 1 they are infinite."""
    return np.asarray(logit(np.array([p0, q])))


def shares(point: Array) -> tuple[float, float]:
    """p0 and q of (mu, ln sigma, logit p0, logit q)."""
    p0, q = expit(point[2:]).tolist()
    return p0, q
