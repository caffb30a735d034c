"""Readings that drift: one mixed-effects path for all pieces of a kind.

    reading_ij = (b0 + u0_i) + (b1 + u1_i) (age_ij / unit)^kappa + noise_ij

(u0, u1) is normal over pieces and independent of the normal noise (Laird & Ware 1982, Biometrics 38; Lu & Meeker 1993,
Technometrics 35; Meeker & Escobar 1998, chapter 13). ``unit`` is the longest age read, so the slope b1 is the typical
change from new to there. How far one piece still has to a limit is the matter of `distance`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import asinh, exp, hypot, inf, log, sqrt, tanh
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.drift.ascent import CURVES, LADDER, Climb, Differ, Top, aicc_of
from wearlore.life.drift.paths import B0, B1, KAPPA, LN_NOISE, TINY, Paths, R, own_part, sorted_readings
from wearlore.lives import Array

Method = Literal["ML", "REML"]
FEWEST = 3  # pieces read at two ages: fewer tell nothing of how pieces differ
ENOUGH = 5  # ... fewer carry neither a curvature nor intercepts of their own


@dataclass(frozen=True, slots=True)
class TypicalPath:
    """The typical path at ages ``km``, arrays of shape (k,): its ``value`` with limits ``low`` and ``high``; the share
    ``level`` of pieces lies between ``piece_low`` and ``piece_high`` (true values, without noise)."""

    km: Array
    value: Array
    low: Array
    high: Array
    piece_low: Array
    piece_high: Array
    level: float


@dataclass(frozen=True, slots=True)
class Drift:
    """A mixed-effects path fitted to readings; intervals at ``level``.

    ``differ``: in what pieces differ, chosen by AICc. ``curved``: kappa was estimated; otherwise the readings do not
    tell it from 1, which was taken, and its interval is what they leave open. Standard deviations and correlation of a
    part in which pieces do not differ are None. ``marginal`` and ``conditional`` are standardised residuals, shape
    (readings,), in the order of the readings: from the typical path and from the piece's own path. ``point`` is
    (b0, b1, ln noise, r00, r10, r11, kappa), where the covariance of pieces is noise^2 R R', and ``covariance`` (7, 7)
    that of its estimate, 0 where nothing was estimated.
    """

    method: Method
    differ: Differ
    curved: bool
    unit: float  # km
    intercept: Estimate
    slope: Estimate
    sd_intercept: Estimate | None
    sd_slope: Estimate | None
    correlation: Estimate | None
    noise: Estimate
    kappa: Estimate
    log_likelihood: float
    aicc: float
    readings: int
    pieces: int
    repeated: int  # pieces read at two ages or more
    level: float
    point: Array = field(repr=False)
    covariance: Array = field(repr=False)
    marginal: Array = field(repr=False)
    conditional: Array = field(repr=False)

    @property
    def marginal_outside(self) -> float:
        """Share of readings farther from the typical path than 95 % should be."""
        return _outside(self.marginal)

    @property
    def conditional_outside(self) -> float:
        """Share of readings farther from their piece's own path than 95 % should be."""
        return _outside(self.conditional)

    def typical(self, km: Array) -> TypicalPath:
        """The typical path at ages ``km``, its limits by the delta method."""
        age = np.asarray(km, np.float64)
        x = (age / self.unit) ** self.point[KAPPA]
        by_kappa = self.point[B1] * x * np.log(np.where(age > 0, age / self.unit, 1.0))
        slopes = np.column_stack([np.ones_like(x), x, by_kappa])
        index = [B0, B1, KAPPA]
        error = np.sqrt(np.einsum("ij,jk,ik->i", slopes, self.covariance[np.ix_(index, index)], slopes))
        r00, r10, r11 = self.point[R : R + 3]
        spread = exp(self.point[LN_NOISE]) * np.hypot(r00 + r10 * x, r11 * x)
        value, z = self.point[B0] + self.point[B1] * x, _z(self.level)
        return TypicalPath(
            age, value, value - z * error, value + z * error, value - z * spread, value + z * spread, self.level
        )


def fit_drift(
    paths: Paths,
    *,
    kappa: float | None = None,
    differ: Differ | None = None,
    method: Method = "ML",
    level: float = 0.95,
) -> Drift:
    """The likeliest path for ``paths``, in the simplest sufficient form.

    In what pieces differ (unless ``differ`` says it) is the rung of the ladder "not at all", "in intercept", "in
    slope", "in both" (correlated) with the least AICc, readings counted. ``kappa`` (unless given) is estimated where
    its profile-likelihood interval lies within (0.5, 3) or excludes 1, else it is 1. With fewer than five pieces read
    at two ages or more, kappa is 1 and pieces differ in slope at most.

    Maximum likelihood is the default because rungs and kappa, which change the fixed effects' columns, can only be
    compared by it; "REML" takes both from it and then estimates what is random from the residuals alone, which makes
    up for the two fixed effects: variances between pieces grow by about one part in the number of pieces.

    Raises FitError when fewer than three pieces were read at two ages, when nothing changes, and when readings hold no
    noise or determine no path.
    """
    if kappa is not None and not CURVES[0] <= kappa <= CURVES[1]:
        raise ValueError(f"expected a kappa within {CURVES}, not {kappa}")
    order = np.lexsort((paths.age, paths.piece))
    ordered = Paths(paths.piece[order], paths.age[order], paths.value[order])
    repeated = _repeated(ordered)
    _refuse_what_tells_nothing(ordered, repeated)
    data = sorted_readings(ordered)
    few = repeated < ENOUGH
    rungs: tuple[Differ, ...] = ("not at all", "in slope") if few else tuple(LADDER)
    climb = Climb(data, (differ,) if differ else rungs)
    curved = False
    if kappa is not None:
        best, curve = climb.best(kappa), Estimate(kappa, kappa, kappa, level)
    elif few:
        best, curve = climb.best(1.0), Estimate(1.0, 0.0, inf, level)
    else:
        best = climb.best(None)
        curve = climb.kappa_interval(best, level)
        curved = (CURVES[0] < curve.low and curve.high < CURVES[1]) or not curve.low <= 1 <= curve.high
        if not curved:
            best, curve = climb.best(1.0), Estimate(1.0, curve.low, curve.high, level)
    if method == "REML":
        best = climb.restricted(best)
    return _drift(ordered, order, best, curve, curved, method, repeated, level)


def _refuse_what_tells_nothing(paths: Paths, repeated: int) -> None:
    if repeated < FEWEST:
        raise FitError(
            f"only {repeated} pieces were read at two ages or more",
            f"At least {FEWEST} are needed: read more of them again",
        )
    if np.ptp(paths.value) == 0:
        raise FitError(f"every reading is {paths.value[0]:g}: nothing drifts", "Wait for readings that change")


def _repeated(paths: Paths) -> int:
    """Pieces read at two ages or more; sorted by piece and age."""
    again = (paths.piece[1:] == paths.piece[:-1]) & (paths.age[1:] > paths.age[:-1])
    return int(np.unique(paths.piece[1:][again]).size)


def _drift(
    paths: Paths,
    order: NDArray[np.int64],
    top: Top,
    kappa: Estimate,
    curved: bool,
    method: Method,
    repeated: int,
    level: float,
) -> Drift:
    """In the readings' own scale and order; ``paths`` are sorted by piece."""
    mean, spread = float(paths.value.mean()), float(paths.value.std())
    scale = np.array([spread, spread, 1.0, 1.0, 1.0, 1.0, 1.0])
    point = top.point * scale + np.array([mean, 0.0, log(spread), 0.0, 0.0, 0.0, 0.0])
    covariance = top.covariance * np.outer(scale, scale)
    pieces = int(np.unique(paths.piece).size)
    marginal, conditional = np.empty(len(paths)), np.empty(len(paths))
    marginal[order], conditional[order] = _residuals(paths, point)
    return Drift(
        method=method,
        differ=top.differ,
        curved=curved,
        unit=float(paths.age.max()),
        intercept=_plain(point, covariance, B0, level),
        slope=_plain(point, covariance, B1, level),
        sd_intercept=_deviation(point, covariance, level, R),
        sd_slope=_deviation(point, covariance, level, R + 1, R + 2),
        correlation=_correlation(point, covariance, level) if top.differ == "in both" else None,
        noise=_noise(point, covariance, level),
        kappa=kappa,
        log_likelihood=top.value - (len(paths) - (2 if method == "REML" else 0)) * log(spread),
        aicc=aicc_of(top.value, len(top.free), len(paths)) + 2 * len(paths) * log(spread),
        readings=len(paths),
        pieces=pieces,
        repeated=repeated,
        level=level,
        point=point,
        covariance=covariance,
        marginal=marginal,
        conditional=conditional,
    )


def _residuals(paths: Paths, point: Array) -> tuple[Array, Array]:
    """Standardised residuals of readings sorted by piece: marginal, with variance noise^2 (1 + z'D z), and conditional,
    V^-1 r, with variance noise^2 (1 - z'M z) (their true one, so that both are standard normal)."""
    x = (paths.age / paths.age.max()) ** point[KAPPA]
    first = np.flatnonzero(np.r_[True, paths.piece[1:] != paths.piece[:-1]])
    of = np.cumsum(np.r_[False, paths.piece[1:] != paths.piece[:-1]])
    noise, (r00, r10, r11) = exp(point[LN_NOISE]), point[R : R + 3].tolist()
    residual = (paths.value - point[B0] - point[B1] * x) / noise
    k, s, ss, h0, h1 = (np.add.reduceat(c, first)[of] for c in (np.ones_like(x), x, x * x, residual, x * residual))
    m00, m01, m11, u0, u1 = own_part(k, s, ss, h0, h1, r00, r10, r11)
    marginal = residual / np.sqrt(1 + r00**2 + 2 * r00 * r10 * x + (r10**2 + r11**2) * x * x)
    left = 1 - (m00 + 2 * m01 * x + m11 * x * x)
    return marginal, (residual - u0 - u1 * x) / np.sqrt(np.maximum(left, TINY))


def _outside(residuals: Array) -> float:
    return float((np.abs(residuals) > _z(0.95)).mean())


def _z(level: float) -> float:
    return float(-ndtri((1 - level) / 2))


def _plain(point: Array, covariance: Array, place: int, level: float) -> Estimate:
    reach = _z(level) * sqrt(covariance[place, place])
    return Estimate(float(point[place]), float(point[place] - reach), float(point[place] + reach), level)


def _noise(point: Array, covariance: Array, level: float) -> Estimate:
    value, factor = exp(point[LN_NOISE]), exp(_z(level) * sqrt(covariance[LN_NOISE, LN_NOISE]))
    return Estimate(value, value / factor, value * factor, level)


def _deviation(point: Array, covariance: Array, level: float, *parts: int) -> Estimate | None:
    """noise sqrt(sum of these parts of R squared), limits by the delta method on its logarithm; None when it is 0."""
    index = list(parts)
    size = sqrt(float((point[index] ** 2).sum()))
    if size == 0:
        return None
    slope = np.zeros(7)
    slope[LN_NOISE], slope[index] = 1.0, point[index] / size**2
    value, reach = exp(point[LN_NOISE]) * size, _z(level) * sqrt(slope @ covariance @ slope)
    return Estimate(value, value * exp(-reach), value * exp(min(reach, 700.0)), level)


def _correlation(point: Array, covariance: Array, level: float) -> Estimate:
    """Of intercept and slope; limits by the delta method on Fisher's z = asinh(r10 / |r11|)."""
    r00, r10, r11 = point[R : R + 3].tolist()
    sign, length = (1.0 if r00 >= 0 else -1.0), hypot(r10, r11)
    value = sign * r10 / length
    if r11 == 0:
        return Estimate(value, -1.0, 1.0, level)
    slope = np.zeros(7)
    slope[R + 1], slope[R + 2] = sign / length, -sign * r10 / (r11 * length)
    middle, reach = sign * asinh(r10 / abs(r11)), _z(level) * sqrt(slope @ covariance @ slope)
    return Estimate(value, tanh(middle - reach), tanh(middle + reach), level)
