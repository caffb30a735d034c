"""The likeliest growth of the cumulative hazard in its cells.

In the cumulative hazard H = -ln S the log-likelihood is concave, delayed entry included: a life good at l and failed by
u, seen from e on, adds ``H(e) - H(l) + ln(1 - exp(-(H(u) - H(l))))``. H grows in cells only. With d the growth in each
cell, ``outlived`` the lives seen before a cell and good behind it, and w failures known to lie in a run of cells, the
log-likelihood is ``- outlived @ d + sum(w ln(1 - exp(-sum of d over the run)))``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np
from scipy.linalg import solveh_banded

from wearlore.errors import FitError
from wearlore.life.cells import Cells, Index, least, spread, sums
from wearlore.lives import Array

NEAR = 1e-3  # of the lives that outlived a cell: a stronger pull there needs no proof that the search goes on
GAP = 1e-9  # of the failures: the search ends when the log-likelihood is proved to lie this near to its maximum
STEPS = 500
PIVOTS = 3  # block exchanges without progress that are borne
EXCHANGES = 10  # ... and exchanges in all: a way uphill is wanted, the gap alone proves the top
RIDGE = 1e-12  # of the curvature: keeps cells apart that no failure tells apart


@dataclass(frozen=True, slots=True)
class Growth:
    """The growth of H in every cell, (m,), proved to lie within ``gap`` of the greatest log-likelihood."""

    cells: Cells
    size: Array
    log_likelihood: float
    gap: float

    @property
    def held(self) -> Index:
        """The cells in which H grows."""
        return np.flatnonzero(self.size)

    def variance(self, since: int) -> Array:
        """Of the growth from behind the first ``since`` of the cells held up to behind each, by the information."""
        if not self.held.size:
            return np.zeros(0)
        return Curvature.of(self.cells, _bend(_At.of(self.cells, self.size)), self.held).variance(since)


def likeliest(cells: Cells, start: Array | None = None) -> Growth:
    """The growth of H with the greatest likelihood; every cell must have been outlived by some life.

    Constrained Newton with a growing and shrinking support (Wang 2008, Comput. Stat. Data Anal. 52), ended by the
    duality gap: dual values that meet the Kuhn-Tucker conditions bound the greatest log-likelihood from above.
    ``start`` (m,): a growth under which every failure is possible. Raises FitError when the search does not settle.
    """
    size = _stabbing(cells) if start is None else start
    enough = GAP * max(1.0, float(cells.count.sum()))
    for _ in range(STEPS):
        at = _At.of(cells, size)
        if (at.gradient <= NEAR * cells.outlived).all() and (gap := at.gap()) <= enough:
            trimmed = _At.of(cells, np.where(size * (at.gradient + cells.outlived) < 10 * enough, 0.0, size))
            if np.isfinite(trimmed.value) and (less := trimmed.gap()) <= enough:
                at, gap = trimmed, less
            return Growth(cells, at.size, at.value, gap)
        size = _uphill(at)
    raise FitError("the search for the likeliest survival curve did not settle", "Group the lives to rounder distances")


@dataclass(frozen=True, slots=True)
class _At:
    """The log-likelihood at one growth ``size`` (m,), with its gradient (m,)."""

    cells: Cells
    size: Array
    value: float
    pull: Array  # (r,): derivative of each kind of failure in its own sum
    gradient: Array

    @classmethod
    def of(cls, cells: Cells, size: Array) -> _At:
        pull = cells.count / np.expm1(sums(cells, size))
        return cls(cells, size, _value(cells, size), pull, spread(cells, pull) - cells.outlived)

    def gap(self) -> float:
        """How far the log-likelihood may be from its maximum, by Lagrange duality.

        Any y > 0 with sums over every cell of at most ``outlived`` bounds it by
        ``-sum(w ln(1 + y / w) + y ln(1 + w / y))``; at the maximum y is the pull.
        """
        w, a = self.cells.count, self.cells.outlived
        y = self.pull * least(self.cells, a / np.maximum(self.gradient + a, a))
        return -float((w * np.log1p(y / w) + y * np.log1p(w / y)).sum()) - self.value


def _stabbing(cells: Cells) -> Array:
    """A growth under which every failure is possible, in few cells; the likeliest one if no two runs overlap."""
    nearest = np.full(len(cells) + 1, len(cells) + 1)
    np.minimum.at(nearest, cells.first, cells.stop)
    nearest = np.minimum.accumulate(nearest[::-1])[::-1]  # where the first run ends of those that begin here or behind
    picks = []
    place = 0
    while nearest[place] <= len(cells):
        place = int(nearest[place])
        picks.append(place - 1)
    held = np.array(picks, np.intp)
    failed = np.bincount(np.searchsorted(held, cells.first), weights=cells.count, minlength=held.size)
    size = np.zeros(len(cells))
    size[held] = np.log1p(failed / cells.outlived[held])
    return size


def _uphill(at: _At) -> Array:
    """A likelier growth: towards the top of the parabola, or by the gradient in each cell where that leads nowhere."""
    held = _support(at)
    for towards in (_top_of_parabola, _by_cell):
        step = towards(at, held) - at.size[held]
        slope = float((at.gradient[held] * step).sum())
        length = 1.0
        blur = 1e-13 * abs(at.value)  # what rounding leaves of the log-likelihood
        while slope > 0 and length > 1e-10:
            size = at.size.copy()
            size[held] = at.size[held] + length * step
            if _value(at.cells, size) >= at.value + 1e-4 * length * slope - blur:
                return size
            length /= 2
    return at.size


def _value(cells: Cells, size: Array) -> float:
    grown = sums(cells, size)
    if (grown <= 0).any():
        return -inf
    return float((cells.count * np.log(-np.expm1(-grown))).sum() - (cells.outlived * size).sum())


def _support(at: _At) -> Index:
    """Cells in which H grows, and between each two of them the one that pulls most, if it pulls at all."""
    held = np.flatnonzero(at.size)
    starts = np.concatenate([[0], held + 1])
    starts = starts[starts < at.size.size]
    best = np.maximum.reduceat(at.gradient, starts)
    place = np.searchsorted(starts, np.arange(at.size.size), side="right") - 1
    worthy = (at.gradient >= best[place]) & (at.gradient > 1e-12 * at.cells.outlived) & (at.size == 0)
    return np.union1d(held, np.flatnonzero(worthy))


def _top_of_parabola(at: _At, held: Index) -> Array:
    """Newton's target on the cells ``held``, none below 0: block pivoting (Portugal, Judice & Vicente 1994).

    Cells below 0 leave and those that would gain enter, all at once while that mends more than it breaks, else the last
    alone; what is still below 0 after `EXCHANGES` is held at 0.
    """
    bend = _bend(at)
    pull = at.gradient + spread(at.cells, bend * sums(at.cells, at.size))
    target = np.zeros(at.size.size)
    free = np.ones(held.size, np.bool_)
    fewest, chances = held.size + 1, PIVOTS
    blur = 1e-10 * (at.cells.outlived[held] + np.abs(pull).max())
    for _ in range(EXCHANGES):
        target[held] = 0.0
        curvature = Curvature.of(at.cells, bend, held[free]) if free.any() else None
        if curvature:
            target[held[free]] = curvature.solve(pull[held[free]])
        gain = pull - spread(at.cells, bend * sums(at.cells, target))
        wrong = np.flatnonzero(np.where(free, target[held] < 0, gain[held] > blur))
        if not wrong.size:
            if curvature:  # the ridge's share of the error: refined away by what is left of the pull
                target[held[free]] += curvature.solve(gain[held[free]])
            break
        if wrong.size < fewest:
            fewest, chances = wrong.size, PIVOTS
        else:
            chances -= 1
        free[wrong if chances >= 0 else wrong[-1:]] ^= True
    return np.maximum(target[held], 0.0)


def _by_cell(at: _At, held: Index) -> Array:
    """Newton in every cell by itself."""
    return np.maximum(at.size[held] + at.gradient[held] / spread(at.cells, _bend(at))[held], 0.0)


def _bend(at: _At) -> Array:
    """Curvature of each kind of failure in its own sum, (r,)."""
    return at.pull + at.pull**2 / at.cells.count


@dataclass(frozen=True, slots=True)
class Curvature:
    """The observed information on the growth in k cells, by the values of H behind each: a banded matrix (k, k)."""

    bands: Array  # lower form

    @classmethod
    def of(cls, cells: Cells, bend: Array, held: Index) -> Curvature:
        place = np.searchsorted(held, np.arange(len(cells) + 1))
        before, behind = place[cells.first], place[cells.stop]
        tied = before > 0  # else the run begins where H is 0
        k, width = held.size, int(np.max((behind - before)[tied], initial=0)) + 1
        bands = np.zeros(width * k)
        bands[:k] = np.bincount(behind, weights=bend, minlength=k + 1)[1:]
        bands[:k] += np.bincount(before, weights=bend, minlength=k + 1)[1:]
        across = (behind - before)[tied] * k + before[tied] - 1
        bands -= np.where(np.arange(width * k) < k, 0.0, np.bincount(across, weights=bend[tied], minlength=width * k))
        return cls(bands.reshape(width, k))

    def solve(self, pull: Array) -> Array:
        """The growth in each cell (k,) that meets ``pull``, by cells."""
        by_end = pull - np.concatenate([pull[1:], [0.0]])
        return np.diff(solveh_banded(self._ridged(), by_end, lower=True), prepend=0.0)

    def variance(self, since: int) -> Array:
        """Of the growth from behind the first ``since`` of the k cells up to behind each, (k,)."""
        covariance = solveh_banded(self._ridged(), np.eye(self.bands.shape[1]), lower=True)
        variance = np.diag(covariance)
        if since:
            variance = variance + covariance[since - 1, since - 1] - 2 * covariance[:, since - 1]
        return np.maximum(variance, 0.0)

    def _ridged(self) -> Array:
        ridged = self.bands.copy()
        ridged[0] += RIDGE * np.where(ridged[0] > 0, ridged[0], ridged[0].max())
        return ridged
