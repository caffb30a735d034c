"""The likelihood of readings that drift, from each piece's sums; `drift` says the model.

With z = (1, (age/unit)^kappa), A = sum z z' and c = sum z y over a piece's readings, and noise^2 D the covariance of
its own intercept and slope, the Woodbury identity leaves only 2x2 algebra: with T = I + A D and M = D T^-1,

    ln det V = ln det T,   Z'V^-1 Z = T^-1 A,   E(u | readings) = M (c - A b),   Var(u | readings) = noise^2 M.

D = R R' with R lower triangular and unbounded, so a standard deviation of 0 is an ordinary point and no edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, pi

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array

B0, B1, LN_NOISE, R, KAPPA = 0, 1, 2, 3, 6  # places in a point (7,): b0, b1, ln noise, R as (r00, r10, r11), kappa
TINY = 1e-13  # of the readings' variance: noise below this is rounding


@dataclass(frozen=True, slots=True)
class Paths:
    """Readings of many pieces; arrays of shape (n,): which piece, its age (km) when read, the value read."""

    piece: NDArray[np.int64]
    age: Array
    value: Array

    def __post_init__(self) -> None:
        piece = np.ascontiguousarray(self.piece, dtype=np.int64)
        age, value = (np.ascontiguousarray(c, dtype=np.float64) for c in (self.age, self.value))
        if not piece.shape == age.shape == value.shape or piece.ndim != 1:
            raise ValueError("piece, age and value must be three arrays of one length")
        if (bad := ~((age >= 0) & np.isfinite(age) & np.isfinite(value))).any():
            raise ValueError(f"reading {int(bad.argmax())}: expected a finite value at an age of 0 or more")
        for name, column in (("piece", piece), ("age", age), ("value", value)):
            column.setflags(write=False)
            object.__setattr__(self, name, column)

    def __len__(self) -> int:
        return int(self.age.size)


@dataclass(frozen=True)
class Readings:
    """Readings sorted by piece, scaled: age by the longest, value by its mean and spread."""

    first: NDArray[np.int64]  # where each piece begins, and the end (pieces + 1,)
    log_age: Array
    value: Array
    squares: float  # sum of value^2

    def every(self, nth: int) -> Readings:
        """Every nth piece."""
        begins, ends = self.first[:-1:nth], self.first[1::nth]
        mask = np.zeros(self.value.size, bool)
        for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
            mask[begin:end] = True
        value = self.value[mask]
        return Readings(np.r_[0, np.cumsum(ends - begins)], self.log_age[mask], value, float(value @ value))


@dataclass(frozen=True)
class Score:
    """The log-likelihood at a point, its gradient (7,), and the information on (b0, b1), (2, 2), in noise^-2."""

    value: float
    gradient: Array
    information: Array


def sorted_readings(paths: Paths) -> Readings:
    first = np.flatnonzero(np.r_[True, paths.piece[1:] != paths.piece[:-1], True])
    with np.errstate(divide="ignore"):  # ln 0 = -inf is meant: a reading when new
        log_age = np.log(paths.age / paths.age.max())
    value = (paths.value - paths.value.mean()) / paths.value.std()
    return Readings(first, log_age, value, float(value @ value))


@njit(cache=True)
def sums_at(first: NDArray[np.int64], log_age: Array, value: Array, kappa: float) -> Array:
    """For each piece (n, 8): count and the sums of x, x^2, y, x y, w, 2 w x, w y, where w = dx/dkappa."""
    sums = np.zeros((first.size - 1, 8))
    for i in range(first.size - 1):
        for j in range(first[i], first[i + 1]):
            y, x, w = value[j], 0.0, 0.0
            if log_age[j] > -np.inf:
                x = np.exp(kappa * log_age[j])
                w = x * log_age[j]
            sums[i, 0] += 1.0
            sums[i, 1] += x
            sums[i, 2] += x * x
            sums[i, 3] += y
            sums[i, 4] += x * y
            sums[i, 5] += w
            sums[i, 6] += 2.0 * w * x
            sums[i, 7] += w * y
    return sums


@njit(cache=True)
def _normal_equations(sums: Array, r00: float, r10: float, r11: float) -> Array:
    """Z'V^-1 Z (as 00, 01, 11) and Z'V^-1 y, summed over pieces: (5,)."""
    d00, d01, d11 = r00 * r00, r00 * r10, r10 * r10 + r11 * r11
    total = np.zeros(5)
    for i in range(sums.shape[0]):
        k, x, xx, y, xy = sums[i, 0], sums[i, 1], sums[i, 2], sums[i, 3], sums[i, 4]
        t00, t01 = 1.0 + k * d00 + x * d01, k * d01 + x * d11
        t10, t11 = x * d00 + xx * d01, 1.0 + x * d01 + xx * d11
        det = t00 * t11 - t01 * t10
        total[0] += (t11 * k - t01 * x) / det
        total[1] += (t11 * x - t01 * xx) / det
        total[2] += (t00 * xx - t10 * x) / det
        total[3] += (t11 * y - t01 * xy) / det
        total[4] += (t00 * xy - t10 * y) / det
    return total


@njit(cache=True)
def _totals(sums: Array, r00: float, r10: float, r11: float, b0: float, b1: float, q: Array) -> Array:
    """What the log-likelihood and its gradient need, summed over pieces (15,): see the comments.

    T = I + A D; P = Z'V^-1 Z = T^-1 A; h = c - A b = Z'r; g = T^-1 h = Z'V^-1 r; u = M h; q (2, 2): the covariance of
    (b0, b1) for REML.
    """
    d00, d01, d11 = r00 * r00, r00 * r10, r10 * r10 + r11 * r11
    total = np.zeros(15)
    for i in range(sums.shape[0]):
        k, x, xx, y, xy = sums[i, 0], sums[i, 1], sums[i, 2], sums[i, 3], sums[i, 4]
        w, wx2, wy = sums[i, 5], sums[i, 6], sums[i, 7]
        t00, t01 = 1.0 + k * d00 + x * d01, k * d01 + x * d11
        t10, t11 = x * d00 + xx * d01, 1.0 + x * d01 + xx * d11
        det = t00 * t11 - t01 * t10
        m01, m11 = (d01 * t00 - d00 * t01) / det, (d11 * t00 - d01 * t01) / det
        p00, p01, p11 = (t11 * k - t01 * x) / det, (t11 * x - t01 * xx) / det, (t00 * xx - t10 * x) / det
        h0, h1 = y - k * b0 - x * b1, xy - x * b0 - xx * b1
        g0, g1 = (t11 * h0 - t01 * h1) / det, (t00 * h1 - t10 * h0) / det
        u0, u1 = d00 * g0 + d01 * g1, d01 * g0 + d11 * g1
        v0, v1 = b0 + u0, b1 + u1
        total[0] += np.log(det)
        total[1] += b0 * (y + h0) + b1 * (xy + h1) + h0 * u0 + h1 * u1  # sum y^2 less r'V^-1 r
        total[2] += g0
        total[3] += g1
        total[4] += g0 * g0
        total[5] += g0 * g1
        total[6] += g1 * g1
        total[7] += p00
        total[8] += p01
        total[9] += p11
        s0, s1 = q[0, 0] * p00 + q[0, 1] * p01, q[0, 0] * p01 + q[0, 1] * p11
        z0, z1 = q[1, 0] * p00 + q[1, 1] * p01, q[1, 0] * p01 + q[1, 1] * p11
        total[10] += p00 * s0 + p01 * z0  # P q P
        total[11] += p00 * s1 + p01 * z1
        total[12] += p01 * s1 + p11 * z1
        total[13] += v1 * wy - v0 * v1 * w - 0.5 * v1 * v1 * wx2  # by kappa, in noise^-2
        total[14] -= m01 * w + 0.5 * m11 * wx2
    return total


def score(data: Readings, sums: Array, point: Array, *, profiled: bool, restricted: bool = False) -> Score:
    """The score at ``point`` (7,); ``profiled``: at the best b0, b1 and noise for the rest of it, written into
    ``point``; ``restricted``: of the residuals alone (REML; its gradient is not by kappa)."""
    a, b, c = point[R : R + 3].tolist()
    p00, p01, p11, f0, f1 = _normal_equations(sums, a, b, c).tolist()
    information = np.array([[p00, p01], [p01, p11]])
    if profiled:
        point[:2] = np.linalg.solve(information, np.array([f0, f1]))
    q = np.linalg.inv(information) if restricted else np.zeros((2, 2))
    total = _totals(sums, a, b, c, float(point[B0]), float(point[B1]), q)
    squares = max(data.squares - float(total[1]), TINY * data.squares)
    spare = data.value.size - (2 if restricted else 0)
    if profiled:
        point[LN_NOISE] = 0.5 * log(squares / spare)
    noise2 = exp(2 * point[LN_NOISE])
    value = -0.5 * (spare * (log(2 * pi) + 2 * point[LN_NOISE]) + total[0] + squares / noise2)
    if restricted:
        value -= 0.5 * log(p00 * p11 - p01 * p01)
    e00, e01, e11 = (total[4:7] / noise2 - total[7:10] + total[10:13]).tolist()  # by D
    gradient = np.zeros(7)
    gradient[:2] = total[2:4] / noise2
    gradient[LN_NOISE] = squares / noise2 - spare
    gradient[R : R + 3] = e00 * a + e01 * b, e01 * a + e11 * b, e11 * c
    gradient[KAPPA] = total[13] / noise2 + total[14]
    return Score(float(value), gradient, information)


def own_part(
    k: Array, x: Array, xx: Array, h0: Array, h1: Array, r00: Array | float, r10: Array | float, r11: Array | float
) -> tuple[Array, Array, Array, Array, Array]:
    """M (as 00, 01, 11) and u = M h from a piece's sums, h = Z'r; arrays of one shape, or what broadcasts to it."""
    d00, d01, d11 = r00 * r00, r00 * r10, r10 * r10 + r11 * r11
    t00, t01 = 1 + k * d00 + x * d01, k * d01 + x * d11
    t10, t11 = x * d00 + xx * d01, 1 + x * d01 + xx * d11
    det = t00 * t11 - t01 * t10
    m00, m01, m11 = (d00 * t11 - d01 * t10) / det, (d01 * t00 - d00 * t01) / det, (d11 * t00 - d01 * t01) / det
    return m00, m01, m11, m00 * h0 + m01 * h1, m01 * h0 + m11 * h1
