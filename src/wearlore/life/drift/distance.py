"""The distance one piece has left to a limit, given its own readings and the drift of its kind.

Given the model's parameters, a piece's own path a + b (age/unit)^kappa has a normal (a, b) after its readings (Laird &
Ware 1982), and it reaches a limit by age t exactly if it is beyond the limit now or at t, since it is monotone. What is
not known of the parameters enters by draws from the normal distribution of their estimate (for b0 and b1, whether or
not the piece was among those fitted); for each draw one b is drawn, and the chance over a given b is a closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf, isfinite
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from wearlore.estimate import Estimate
from wearlore.life.drift.ascent import CURVES
from wearlore.life.drift.fit import Drift
from wearlore.life.drift.paths import B0, B1, KAPPA, LN_NOISE, R, own_part
from wearlore.lives import Array

Side = Literal["upper", "lower"]
DRAWS = 2_000
NEVER = 1e3  # a limit not reached within this many times the longest age read is never reached
STEPS = 60  # of a chart


@dataclass(frozen=True, slots=True)
class DistanceLeft:
    """What is left to a limit for a piece of age ``now`` (km); intervals at ``distance.level``.

    ``chance_beyond_now``: the true value, without noise, is beyond the limit already. ``distance`` (km): median and
    interval of the distance left to the first passage of the true value, 0 where it is beyond and inf where it never
    gets there. For a chart, arrays of shape (k,): at ages ``km`` the piece's true value ``path`` (median) with ``low``
    and ``high``, and ``reached``, the chance that the limit is reached by then (0 before ``now``).
    """

    chance_beyond_now: float
    distance: Estimate
    limit: float
    side: Side
    now: float
    readings_used: int
    km: Array
    path: Array
    low: Array
    high: Array
    reached: Array


@dataclass(frozen=True, slots=True)
class PiecePath:
    """The path of one piece after its readings: draws of (a, b) with their parameters, arrays of shape (draws,)."""

    unit: float  # km
    readings_used: int
    level: float
    intercept: Array = field(repr=False)  # mean of a given the drawn b
    intercept_sd: Array = field(repr=False)  # ... and its standard deviation
    slope: Array = field(repr=False)  # the drawn b
    drawn_intercept: Array = field(repr=False)
    kappa: Array = field(repr=False)
    noise: Array = field(repr=False)

    def chance_reached(self, limit: float, now: float, until: float, side: Side = "upper") -> float:
        """Chance that the true value passes ``limit`` by age ``until`` (km), beyond it already at ``now`` included."""
        up = 1.0 if side == "upper" else -1.0
        ahead = np.maximum(up * self.slope * self._x(now), up * self.slope * self._x(max(now, until)))
        short = up * self.intercept + ahead - up * limit
        with np.errstate(divide="ignore", invalid="ignore"):  # a known intercept: the chance is 0 or 1
            chance = np.where(self.intercept_sd > 0, ndtr(short / self.intercept_sd), short >= 0)
        return float(chance.mean())

    def distance_left(self, limit: float, now: float, side: Side = "upper") -> DistanceLeft:
        """What is left to ``limit`` for a piece of age ``now`` (km). Raises ValueError when ``now`` is below 0."""
        if not (now >= 0 and isfinite(now) and isfinite(limit)):
            raise ValueError(f"expected a finite limit and an age of 0 or more, not {limit} and {now}")
        tail = (1 - self.level) / 2
        low, middle, high = (self._left(limit, now, side, chance) for chance in (tail, 0.5, 1 - tail))
        ahead = next((end for end in (high, middle) if isfinite(end)), self.unit)
        km = np.linspace(0.0, now + max(0.2 * self.unit, 1.1 * min(ahead, 2 * self.unit)), STEPS + 1)
        path, below, above = self.values(km)
        reached = np.array([self.chance_reached(limit, now, t, side) if t >= now else 0.0 for t in km.tolist()])
        return DistanceLeft(
            chance_beyond_now=self.chance_reached(limit, now, now, side),
            distance=Estimate(middle, low, high, self.level),
            limit=limit,
            side=side,
            now=now,
            readings_used=self.readings_used,
            km=km,
            path=path,
            low=below,
            high=above,
            reached=reached,
        )

    def values(self, km: Array) -> tuple[Array, Array, Array]:
        """The piece's true value at ages ``km`` (k,): median and limits, each (k,)."""
        drawn = self.drawn_intercept[:, None] + self.slope[:, None] * self._x(np.asarray(km, np.float64)[None, :])
        tail = (1 - self.level) / 2
        low, middle, high = np.quantile(drawn, [tail, 0.5, 1 - tail], axis=0)
        return middle, low, high

    def next_reading(self, age: float) -> Estimate:
        """What a reading at ``age`` (km) will show, noise included: median and prediction interval."""
        mean = self.intercept + self.slope * self._x(age)
        sd = np.hypot(self.intercept_sd, self.noise)
        span = float((mean - 10 * sd).min()), float((mean + 10 * sd).max())
        tail = (1 - self.level) / 2
        low, middle, high = (
            float(brentq(lambda y, p=p: float(ndtr((y - mean) / sd).mean()) - p, *span)) for p in (tail, 0.5, 1 - tail)
        )
        return Estimate(middle, low, high, self.level)

    def _x(self, age: float | Array) -> Array:
        kappa = self.kappa[:, None] if isinstance(age, np.ndarray) else self.kappa
        return np.asarray((age / self.unit) ** kappa)

    def _left(self, limit: float, now: float, side: Side, chance: float) -> float:
        """Distance (km) by which the limit is reached with this chance."""

        def short(left: float) -> float:
            return self.chance_reached(limit, now, now + left, side) - chance

        if short(0.0) >= 0:
            return 0.0
        near, far = 0.0, 0.1 * self.unit
        while short(far) < 0:
            near, far = far, 2 * far
            if far > NEVER * self.unit:
                return inf
        return float(brentq(short, near, far, xtol=1e-6 * self.unit))


def piece_path(
    drift: Drift, ages: Sequence[float] | Array = (), values: Sequence[float] | Array = (), *, rng: np.random.Generator
) -> PiecePath:
    """The path of a piece read at ``ages`` (km, shape (n,), n >= 0) with ``values`` (n,).

    Raises ValueError when the arrays differ in length or hold a value that is not finite or an age below 0.
    """
    age, value = np.asarray(ages, np.float64), np.asarray(values, np.float64)
    if age.shape != value.shape or age.ndim != 1:
        raise ValueError("ages and values must be two arrays of one length")
    if not ((age >= 0) & np.isfinite(age) & np.isfinite(value)).all():
        raise ValueError("expected finite values at ages of 0 or more")
    points = _drawn(drift, rng)
    b0, b1, kappa, noise = points[:, B0], points[:, B1], points[:, KAPPA], np.exp(points[:, LN_NOISE])
    x = (age[None, :] / drift.unit) ** kappa[:, None]
    residual = value[None, :] - b0[:, None] - b1[:, None] * x
    count = np.full(DRAWS, float(age.size))
    sums = (count, x.sum(axis=1), (x * x).sum(axis=1), residual.sum(axis=1), (x * residual).sum(axis=1))
    m00, m01, m11, u0, u1 = own_part(*sums, points[:, R], points[:, R + 1], points[:, R + 2])
    slope_sd = noise * np.sqrt(np.maximum(m11, 0.0))
    z = _even_normals(rng)
    follow = np.divide(m01, m11, out=np.zeros(DRAWS), where=m11 > 0)
    rest = np.maximum(m00 - follow * m01, 0.0)
    intercept, intercept_sd = b0 + u0 + follow * slope_sd * z, noise * np.sqrt(np.where(rest > 1e-12 * m00, rest, 0.0))
    return PiecePath(
        unit=drift.unit,
        readings_used=int(age.size),
        level=drift.level,
        intercept=intercept,
        intercept_sd=intercept_sd,
        slope=b1 + u1 + slope_sd * z,
        drawn_intercept=intercept + intercept_sd * _even_normals(rng),
        kappa=kappa,
        noise=noise,
    )


def _drawn(drift: Drift, rng: np.random.Generator) -> Array:
    """Points (DRAWS, 7) from the normal distribution of the estimate, antithetic; kappa stays where it is searched."""
    values, vectors = np.linalg.eigh(drift.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    z = rng.standard_normal((DRAWS // 2, 7))
    points: Array = drift.point + np.vstack([z, -z]) @ root.T
    if drift.curved:
        points[:, KAPPA] = np.clip(points[:, KAPPA], *CURVES)
    return points


def _even_normals(rng: np.random.Generator) -> Array:
    """Standard normals (DRAWS,) in random order, one from the middle of each of as many equal shares."""
    return rng.permutation(ndtri((np.arange(DRAWS) + 0.5) / DRAWS))
