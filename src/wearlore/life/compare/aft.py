"""The likelihood of an accelerated-failure-time model in its coefficients: its maximum, even at infinity, and profiles.

Where, say, no life of a level has failed, the likelihood rises for ever as that level's lives grow: its supremum is
that of the other lives alone (Albert & Anderson 1984, Biometrika 71, for the same in logistic regression). Such rows
are found by linear programming, left out, and what they still bound is read from profiles over all lives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from math import inf, isinf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import null_space
from scipy.optimize import linprog
from scipy.sparse import csr_array, eye_array, hstack
from scipy.stats import chi2

from wearlore.errors import FitError
from wearlore.life.fit import LOG_SPREAD, MANY, OPEN, REACH, VAGUE, WIDTH, furthest
from wearlore.life.likelihood import Derivatives, GroupedTerms, LogLife, log_km
from wearlore.life.newton import maximise
from wearlore.lives import Array, Lives

Groups = NDArray[np.int64]
RANK = 1e-9  # singular values below this share of the largest are 0
DETERMINED = 1e-6  # a contrast farther than this from what the lives span is not determined by them
LONGEST = 3.0  # step, in ln km, of the search for an end
GONE = 30.0  # sigmas by which a row must outlive its coefficients' reach to add less than exp(-GONE) (Weibull)


@dataclass(frozen=True, slots=True)
class Problem:
    """Lives of groups: mu = ``x`` b (groups, p), ln sigma = ``w`` tau (groups, q; q = 0 where sigma is 1)."""

    terms: GroupedTerms
    dist: LogLife
    x: Array
    w: Array

    def derivatives(self, point: Array) -> Derivatives:
        """In (b, tau), shape (p + q,); zero derivatives where the lives are impossible in double precision."""
        p = self.x.shape[1]
        mu, sigma = self.x @ point[:p], np.exp(self.w @ point[p:])
        value = self.terms.log_likelihood(self.dist, mu, sigma)
        if not np.isfinite(value):
            return Derivatives(-inf, np.zeros(point.size), np.zeros((point.size, point.size)))
        by = self.terms.slopes(self.dist, mu, sigma)
        cross = self.x.T @ (by.cross[:, None] * self.w)
        hessian = np.block(
            [
                [self.x.T @ (by.location_bend[:, None] * self.x), cross],
                [cross.T, self.w.T @ (by.spread_bend[:, None] * self.w)],
            ]
        )
        return Derivatives(value, np.concatenate([self.x.T @ by.location, self.w.T @ by.spread]), hessian)

    def in_basis(self, basis: Array) -> Problem:
        """The same in coordinates g with b = ``basis`` g."""
        return Problem(self.terms, self.dist, self.x @ basis, self.w)


@dataclass(frozen=True, slots=True)
class Escape:
    """The way on which the likelihood rises for ever: b + t ``direction``; ``kept`` (n,): the rows that it leaves.

    ``cone``: the directions d = ``span`` y with ``walls`` y >= 0 on which no row's likelihood falls.
    """

    kept: NDArray[np.bool_]
    direction: Array
    span: Array
    walls: Array

    def sign(self, contrast: Array) -> int:
        """Whether the contrast runs to inf (1) or -inf (-1); 0: to either, so nothing determines it."""
        sign = 1 if float(contrast @ self.direction) > 0 else -1
        worst = linprog(sign * (contrast @ self.span), A_ub=-self.walls, b_ub=np.zeros(len(self.walls)), bounds=(-1, 1))
        return sign if worst.fun > -DETERMINED else 0


@dataclass(frozen=True)
class Solution:
    """The supremum of the log-likelihood of ``lives`` and where it is.

    b = ``basis`` g for the rows kept, with ``point`` = (g, tau) and the ``covariance`` of it; ``escape`` is None where
    the maximum is finite.
    """

    lives: Lives
    group: Groups
    x: Array
    w: Array
    problem: Problem
    basis: Array
    point: Array
    covariance: Array
    log_likelihood: float
    escape: Escape | None

    @property
    def kept(self) -> NDArray[np.bool_]:
        return np.ones(len(self.lives), dtype=np.bool_) if self.escape is None else self.escape.kept

    @property
    def mu(self) -> Array:
        """Of each group, shape (groups,); of no meaning for rows that are not kept."""
        return np.asarray(self.x @ (self.basis @ self.point[: self.basis.shape[1]]))

    @property
    def tau(self) -> Array:
        return self.point[self.basis.shape[1] :]

    def of(self, contrast: Array) -> tuple[float, float]:
        """A contrast (p,) of the coefficients and its standard error; ±inf and inf where it has no finite maximum.

        Raises FitError when the lives do not determine it.
        """
        if (sign := self._escapes(contrast)) is not None:
            if sign == 0:
                raise FitError(
                    "the lives that failed do not tell the ratio of lives",
                    "Leave the covariate out, or join levels at which nothing failed with others",
                )
            return sign * inf, inf
        r = self.basis.shape[1]
        weights = self.basis.T @ contrast
        return float(weights @ self.point[:r]), sqrt(float(weights @ self.covariance[:r, :r] @ weights))

    def profile(self, contrast: Array) -> Profile:
        """The profile of the log-likelihood in a contrast (p,) of the coefficients."""
        sign = self._escapes(contrast)
        if sign is None:
            problem, point, top = self._condensed
            return _profile(problem, self.basis.T @ contrast, point, top, 0)
        whole = _problem(self.lives, self.group, self.x, self.w, self.problem.dist)
        basis = _basis(self.x)
        far = self._far_out()
        g = np.linalg.lstsq(basis, far, rcond=None)[0]
        return _profile(
            whole.in_basis(basis), basis.T @ contrast, np.concatenate([g, self.tau]), self.log_likelihood, sign
        )

    @cached_property
    def _condensed(self) -> tuple[Problem, Array, float]:
        """The rows kept, of many distances two for each bin of a `WIDTH` of sigma, with their own maximum."""
        sizes = self.problem.terms.failed.size + self.problem.terms.survived.size
        if sizes <= MANY:
            return self.problem, self.point, self.log_likelihood
        width = WIDTH * float(np.exp(self.w @ self.tau).min())
        problem = replace(self.problem, terms=self.problem.terms.condensed(width))
        best = maximise(problem.derivatives, self.point, np.full(self.point.size, -inf), np.full(self.point.size, inf))
        return problem, best.point, best.at.value

    def _escapes(self, contrast: Array) -> int | None:
        if self.escape is None:
            return None
        spanned = self.basis @ np.linalg.lstsq(self.basis, contrast, rcond=None)[0]
        if np.linalg.norm(contrast - spanned) < DETERMINED * np.linalg.norm(contrast):
            return None
        return self.escape.sign(contrast)

    def _far_out(self) -> Array:
        """Coefficients so far along the escape that the rows left out add nothing."""
        assert self.escape is not None
        b = self.basis @ self.point[: self.basis.shape[1]]
        rows = ~self.escape.kept
        x, lives = self.x[self.group[rows]], self.lives.where(rows)
        speed = x @ self.escape.direction
        at = log_km(np.where(lives.right, lives.lower, lives.upper))
        sigma = float(np.exp(self.w[self.group[rows]] @ self.tau).max())
        return np.asarray(
            b
            + max(0.0, float(((at - x @ b) / speed).max())) * self.escape.direction
            + (GONE * sigma * self.escape.direction)
        )


@dataclass(frozen=True, slots=True)
class Profile:
    """An objective maximised over all but its first coordinate, which is a contrast; ``top``: its supremum.

    ``sign``: 0 where the contrast has a finite maximum, at ``best``; else it runs to inf (1) or -inf (-1), and the
    objective at ``best`` is ``top`` but for rounding.
    """

    objective: Callable[[Array], Derivatives]
    best: Array
    top: float
    sign: int
    low: Array
    high: Array

    def p(self, value: float) -> float:
        """Chance, by likelihood ratio, of so poor a fit if the contrast is ``value``."""
        _, at = self._maximised(self._moved(self.best, self.objective(self.best), value))
        return float(chi2.sf(max(0.0, 2 * (self.top - at.value)), 1))

    def ends(self, level: float) -> tuple[float, float]:
        """Where twice the loss in log-likelihood reaches its chi-square quantile; an end not bounded is ±inf."""
        target = sqrt(float(chi2.ppf(level, 1)))
        return (
            -inf if self.sign < 0 else self._end(-1, target),
            inf if self.sign > 0 else self._end(+1, target),
        )

    def _end(self, side: int, target: float) -> float:
        """Newton on the root of the statistic, which is almost a straight line, inside a bracket."""
        best = float(self.best[0])
        reach = OPEN if self.sign == 0 else OPEN + abs(best)
        limit = best + side * reach
        point, at = self.best, self.objective(self.best)
        curvature = max(1e-12, float(-at.hessian[0, 0] - at.hessian[0, 1:] @ self._drift(at)))
        inside, outside, c = best, side * inf, best + side * min(target / sqrt(curvature), LONGEST)
        for _ in range(100):
            point, at = self._maximised(self._moved(point, at, c))
            root = sqrt(max(0.0, 2 * (self.top - at.value)))
            if abs(root - target) < 1e-6 or abs(outside - inside) < 1e-12 * max(1.0, abs(c)):
                break
            if root < target and c == limit:
                return side * inf
            inside, outside = (c, outside) if root < target else (inside, c)
            slope = abs(float(at.gradient[0])) / root if root > 0 else 0.0
            ahead = (target - root) / slope if slope > 0 else inf
            if isinf(outside):
                c += side * min(ahead, 2 * abs(c - best), LONGEST, abs(limit - c))
            else:
                c += side * ahead
                if not side * inside < side * c < side * outside:
                    c = 0.5 * (inside + outside)
        return c

    def _moved(self, point: Array, at: Derivatives, c: float) -> Array:
        """The point with its contrast at ``c``, the others moved as their maximum moves."""
        step = c - point[0]
        return np.concatenate([[c], point[1:] + np.clip(step * self._drift(at), -abs(step) * 10, abs(step) * 10)])

    def _drift(self, at: Derivatives) -> Array:
        """How the best of the other coordinates move with the first."""
        values, vectors = np.linalg.eigh(-at.hessian[1:, 1:])
        sure = values > VAGUE
        along = vectors.T @ at.hessian[1:, 0]
        return np.asarray(vectors @ np.divide(along, values, out=np.zeros_like(along), where=sure))

    def _maximised(self, point: Array) -> tuple[Array, Derivatives]:
        found = maximise(self.objective, point, self.low, self.high, tuple(range(1, point.size)))
        return found.point, found.at


def solve(lives: Lives, group: Groups, x: Array, w: Array, dist: LogLife) -> Solution:
    """The likeliest coefficients of ``x`` (groups, p; its first column 1) and ``w`` for the lives of each group.

    Raises FitError when the likelihood has no maximum even when the ratios may be infinite.
    """
    escape = _escape(lives, group, x)
    kept = slice(None) if escape is None else escape.kept
    used, rows = np.unique(group[kept], return_inverse=True)
    seen = lives if escape is None else lives.where(escape.kept)
    problem = _problem(seen, rows, x[used], w[used], dist)
    vague = FitError(
        f"these lives do not determine the {dist.name} life: its likelihood has no maximum",
        "More failures at different distances, fewer covariates, or joined levels would",
    )
    if not seen.failures:
        raise vague
    basis = _basis(x[used])
    problem = problem.in_basis(basis)
    r, q = basis.shape[1], w.shape[1]
    run = seen.at_risk
    start = np.full(len(x[used]), float(log_km(run / seen.failures if run > 0 else furthest(seen))))
    middle = np.concatenate([np.linalg.lstsq(problem.x, start, rcond=None)[0], np.zeros(q)])
    low = np.concatenate([middle[:r] - REACH, np.full(q, LOG_SPREAD[0])])
    high = np.concatenate([middle[:r] + REACH, np.full(q, LOG_SPREAD[1])])
    try:
        best = maximise(problem.derivatives, middle, low, high)
    except FitError as unsettled:  # it ran along a ridge to no end
        raise vague from unsettled
    information = -best.at.hessian
    if best.at_edge or np.linalg.eigvalsh(information).min() < VAGUE:
        raise vague
    covariance = np.linalg.inv(information).astype(np.float64)
    return Solution(lives, group, x, w, problem, basis, best.point, covariance, best.at.value, escape)


def _problem(lives: Lives, group: Groups, x: Array, w: Array, dist: LogLife) -> Problem:
    return Problem(GroupedTerms.of(lives, group, len(x)), dist, x, w)


def _basis(x: Array) -> Array:
    """(p, r) with orthogonal columns of x @ basis, their mean square 1: the r directions in which x varies."""
    _, values, vectors = np.linalg.svd(np.linalg.qr(x, mode="r"), full_matrices=False)
    kept = values > RANK * values[0]
    return np.asarray(vectors[kept].T / values[kept] * sqrt(len(x)))


def _profile(problem: Problem, contrast: Array, point: Array, top: float, sign: int) -> Profile:
    """In coordinates of which the first is the contrast (r,) of g and the others leave it as it is."""
    r = contrast.size
    turned = np.column_stack([contrast / (contrast @ contrast), null_space(contrast[None, :])])
    best = np.concatenate([np.linalg.solve(turned, point[:r]), point[r:]])
    q = best.size - r
    low = np.concatenate([np.full(r, -inf), np.full(q, LOG_SPREAD[0])])
    return Profile(
        problem.in_basis(turned).derivatives,
        best,
        top,
        sign,
        low,
        np.concatenate([np.full(r, inf), np.full(q, LOG_SPREAD[1])]),
    )


def _escape(lives: Lives, group: Groups, x: Array) -> Escape | None:
    """Lives still good may only grow, lives failed at an unknown distance only shrink, the others not move."""
    grows = lives.right & (lives.lower > lives.entry)
    shrinks = lives.between & (lives.lower == lives.entry)
    still = ~lives.right & ~shrinks
    span = _null_space(x[np.unique(group[still])])
    if not span.shape[1]:
        return None
    longer, shorter = np.unique(group[grows]), np.unique(group[shrinks])
    walls = np.concatenate([x[longer] @ span, -(x[shorter] @ span)])
    k, m = walls.shape
    gain = np.concatenate([np.zeros(m), np.full(k, -1.0)])
    found = linprog(
        gain,
        A_ub=hstack([csr_array(-walls), eye_array(k)]).tocsr(),
        b_ub=np.zeros(k),
        bounds=[(None, None)] * m + [(0, 1)] * k,
    )
    freed = found.x[m:] > 0.5
    if not freed.any():
        return None
    long_gone = np.isin(group, longer[freed[: longer.size]])
    short_gone = np.isin(group, shorter[freed[longer.size :]])
    return Escape(~(long_gone & grows | short_gone & shrinks), span @ found.x[:m], span, walls)


def _null_space(x: Array) -> Array:
    """(p, m): the directions in which no row of ``x`` moves."""
    if not len(x):
        return np.eye(x.shape[1])
    _, values, vectors = np.linalg.svd(np.linalg.qr(x, mode="r"))
    rank = int((values > RANK * values[0]).sum())
    return np.asarray(vectors[rank:].T)
