"""The search for the likeliest drift: certified maxima over the ladder of models, and the profile of kappa."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from math import exp, inf, sqrt
from typing import Literal

import numpy as np
from scipy.optimize import brentq, minimize
from scipy.stats import chi2

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.drift.paths import B0, B1, KAPPA, LN_NOISE, R, Readings, Score, score, sums_at
from wearlore.lives import Array

Differ = Literal["not at all", "in intercept", "in slope", "in both"]
LADDER: dict[Differ, tuple[int, ...]] = {
    "not at all": (),
    "in intercept": (R,),
    "in slope": (R + 2,),
    "in both": (R, R + 1, R + 2),
}
CURVES = (0.5, 3.0)  # where kappa is searched
WIDEST = 1e4  # pieces differ by at most this many times the noise
STARTS = (0.3, 3.0, 30.0)  # ... and the search begins here
LEADING = 1_000  # pieces that lead many
NOISELESS = 1e-5  # of the readings' spread
SETTLED = 1e-9  # Newton decrement (twice the log-likelihood still to gain) of a maximum
ROUNDING = 1e-11  # of a log-likelihood
SINGULAR = 1e-8  # least eigenvalue of the information, scaled to a unit diagonal, that determines anything


@dataclass(frozen=True)
class Top:
    """A certified maximum over the places ``free`` (b0, b1 and ln noise among them), in scaled readings."""

    differ: Differ
    free: tuple[int, ...]
    point: Array
    value: float
    covariance: Array  # (7, 7), 0 where not free


class Climb:
    """The maxima for one set of readings; keeps the sums of the last kappa.

    Many pieces are led by a few: every so-manieth piece is fitted first, and the whole begins where those end.
    """

    def __init__(self, data: Readings, rungs: tuple[Differ, ...]) -> None:
        self.data, self.rungs, self.pieces = data, rungs, data.first.size - 1
        self._kappa, self._sums = -1.0, np.empty((0, 8))
        self._lead = Climb(data.every(-(-self.pieces // LEADING)), rungs) if self.pieces > 2 * LEADING else None

    def best(self, kappa: float | None) -> Top:
        """The rung with the least AICc; kappa fixed, or free if None."""
        heights: list[tuple[float, Differ, Array]] = []
        for differ in self.rungs:
            point = self._highest(differ, kappa)
            free = 3 + len(LADDER[differ]) + (kappa is None)
            heights.append((aicc_of(self._score(point).value, free, self.data.value.size), differ, point))
        for _, differ, point in sorted(heights, key=lambda height: height[0]):
            top = self._certified(differ, _free(differ, kappa), point)
            if top:
                return top
        raise FitError("these readings determine no path", "More pieces, each read at several ages, would")

    def restricted(self, top: Top) -> Top:
        """The same rung and kappa; what is random from the likelihood of the residuals alone."""
        free = LADDER[top.differ]
        point = self._ascended(top.point, free, restricted=True)
        return replace(top, point=point, value=self._score(point, restricted=True).value)

    def kappa_interval(self, top: Top, level: float) -> Estimate:
        """Profile-likelihood interval of kappa; an end outside `CURVES` is 0 or inf."""
        best, target, free = float(top.point[KAPPA]), sqrt(float(chi2.ppf(level, 1))), LADDER[top.differ]
        error = max(sqrt(top.covariance[KAPPA, KAPPA]), 1e-3)
        follow = top.covariance[:, KAPPA] / max(top.covariance[KAPPA, KAPPA], 1e-300)

        def root(kappa: float) -> float:
            point = self._ascended(top.point + (kappa - best) * follow, free, kappa=kappa, guide=top.covariance)
            return sqrt(max(0.0, 2 * (top.value - self._score(point).value))) - target

        ends = [_crossing(root, best, best + side * target * error, side) for side in (-1, 1)]
        return Estimate(best, ends[0], ends[1], level)

    def _highest(self, differ: Differ, kappa: float | None) -> Array:
        """The top of a rung, not yet certified."""
        free = _free(differ, kappa)
        if self._lead and (top := self._lead._certified(differ, free, self._lead._highest(differ, kappa))):
            return self._ascended(top.point, free, guide=top.covariance * (self._lead.pieces / self.pieces))
        return self._ascended(self._start(differ, kappa), free)

    def _score(self, point: Array, *, profiled: bool = True, restricted: bool = False) -> Score:
        if point[KAPPA] != self._kappa:
            self._kappa = float(point[KAPPA])
            self._sums = sums_at(self.data.first, self.data.log_age, self.data.value, self._kappa)
        return score(self.data, self._sums, point, profiled=profiled, restricted=restricted)

    def _start(self, differ: Differ, kappa: float | None) -> Array:
        """The likeliest of a few points: pieces that differ little, much, or very much for the noise."""
        own = [place for place in LADDER[differ] if place != R + 1]
        trials = np.zeros((len(STARTS) ** len(own), 7))
        trials[:, own] = list(product(STARTS, repeat=len(own)))
        trials[:, KAPPA] = kappa or 1.0
        return max(trials, key=lambda trial: self._score(trial).value)

    def _guided(self, start: Array, free: tuple[int, ...], guide: Array) -> Array | None:
        """The top over ``free`` by Newton's method with a fixed covariance; None if it does not settle."""
        point, index = start.copy(), list(free)
        known = np.flatnonzero(np.diag(guide) > 0)
        kept = [k for k, place in enumerate(known) if place < R or place in free]
        if len(kept) != 3 + len(free):
            return None
        precision = np.linalg.inv(guide[np.ix_(known, known)])[np.ix_(kept, kept)]
        covariance, before = np.linalg.inv(precision)[3:, 3:], -inf
        for _ in range(12):
            found = self._score(point)
            step = covariance @ found.gradient[index]
            if found.value < before - ROUNDING * abs(before):
                return None
            if found.gradient[index] @ step < SETTLED:
                return point
            before = found.value
            point[index] += step
            if KAPPA in free and not CURVES[0] < point[KAPPA] < CURVES[1]:
                return None
        return None

    def _ascended(
        self,
        start: Array,
        free: tuple[int, ...],
        *,
        kappa: float | None = None,
        guide: Array | None = None,
        restricted: bool = False,
    ) -> Array:
        """The top over ``free`` from ``start``, b0, b1 and noise at their best, by a truncated Newton method (its small
        steps wake no threads), unless a ``guide`` leads there faster. ``kappa``: held at this."""
        point, index = start.copy(), list(free)
        point[KAPPA] = start[KAPPA] if kappa is None else kappa
        if guide is not None and index and (settled := self._guided(point, free, guide)) is not None:
            return settled
        if not index:
            self._score(point, restricted=restricted)
            return point
        scale = np.array([1.0 if place == KAPPA else max(1.0, abs(start[place])) for place in index])

        def down(at: Array) -> tuple[float, Array]:
            point[index] = at * scale
            found = self._score(point, restricted=restricted)
            return -found.value / self.pieces, -found.gradient[index] * scale / self.pieces

        bounds = [CURVES if place == KAPPA else (-WIDEST, WIDEST) for place in index]
        found = minimize(
            down,
            point[index] / scale,
            jac=True,
            method="TNC",
            bounds=[(low / by, high / by) for (low, high), by in zip(bounds, scale, strict=True)],
            options={"ftol": 1e-14, "gtol": 1e-9, "maxfun": 400},
        )
        down(found.x)
        return point

    def _certified(self, differ: Differ, free: tuple[int, ...], point: Array) -> Top | None:
        """The maximum near ``point``, by Newton's method; None if there is none inside or it is not determined."""
        inside = tuple(place for place in free if place != KAPPA or CURVES[0] < point[KAPPA] < CURVES[1])
        places = (B0, B1, LN_NOISE, *inside)
        if exp(point[LN_NOISE]) < NOISELESS or np.abs(point[R : R + 3]).max() > 0.99 * WIDEST:
            return None
        for _ in range(5):
            covariance = self._covariance(point, places)
            if covariance is None:
                return None
            found = self._score(point, profiled=False)
            step = covariance @ found.gradient
            if found.gradient @ step < SETTLED:
                return Top(differ, (B0, B1, LN_NOISE, *free), point, found.value, covariance)
            point = point + step
        return None

    def _covariance(self, point: Array, places: tuple[int, ...]) -> Array | None:
        """Inverse information (7, 7) over ``places``, the gradient differenced; None if not positive definite."""
        hessian = np.zeros((7, 7))
        for place in places:
            step = np.zeros(7)
            step[place] = 1e-4 * max(1.0, abs(point[place])) if place >= R else 1e-4
            ahead, behind = (self._score(point + side * step, profiled=False).gradient for side in (1, -1))
            hessian[place] = (ahead - behind) / (2 * step[place])
        index = np.ix_(places, places)
        information = -0.5 * (hessian + hessian.T)[index]
        if np.diag(information).min() <= 0:
            return None
        scale = np.sqrt(np.diag(information))
        information /= np.outer(scale, scale)
        if np.linalg.eigvalsh(information).min() < SINGULAR:
            return None
        covariance = np.zeros((7, 7))
        covariance[index] = np.linalg.inv(information) / np.outer(scale, scale)
        return covariance


def _free(differ: Differ, kappa: float | None) -> tuple[int, ...]:
    return (*LADDER[differ], KAPPA) if kappa is None else LADDER[differ]


def aicc_of(value: float, k: int, readings: int) -> float:
    return 2 * k - 2 * value + (2 * k * (k + 1) / (readings - k - 1) if readings > k + 1 else inf)


def _crossing(root: Callable[[float], float], best: float, near: float, side: int) -> float:
    """Where ``root``, negative at ``best``, crosses 0 on one side within `CURVES`; 0 or inf if nowhere."""
    edge, inside, width = CURVES[side > 0], best, abs(near - best)
    if side * (edge - best) <= 0:
        return inf if side > 0 else 0.0
    outside = side * min(side * near, side * edge)
    while root(outside) < 0:
        if outside == edge:
            return inf if side > 0 else 0.0
        inside, outside = outside, side * min(side * outside + width, side * edge)
    return float(brentq(root, inside, outside, xtol=width / 1e3))
