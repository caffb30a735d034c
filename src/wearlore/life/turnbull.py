"""The likeliest survival curve for lives of any censoring seen from a delayed entry, without a family (Turnbull 1976).

In the cumulative hazard H = -ln S the log-likelihood is concave, delayed entry included: a life good at l and failed by
u, seen from e on, adds ``H(e) - H(l) + ln(1 - exp(-(H(u) - H(l))))``. H grows in cells only: innermost intervals
between a lower end of a life and an upper end or an entry (Turnbull 1976; Frydman 1994; Alioum & Commenges 1996). With
d the growth in each cell, ``outlived`` the lives seen before a cell and good behind it, and w failures known to lie in
a run of cells, the log-likelihood is ``- outlived @ d + sum(w ln(1 - exp(-sum of d over the run)))``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.special import ndtri

from wearlore.errors import FitError
from wearlore.life.nonparametric import SurvivalCurve, kaplan_meier
from wearlore.lives import Array, Lives

Index = NDArray[np.intp]

NEAR = 1e-3  # of the lives that outlived a cell: a stronger pull there needs no proof that the search goes on
GAP = 1e-9  # of the failures: the search ends when the log-likelihood is proved to lie this near to its maximum
FIRM = 1e3  # times the lives at risk: a penalty that leaves a growth of none
NEARLY = 3e-3  # of a limit's distance from the estimate: how exactly it is found
NODES = 24  # distances at which likelihood-ratio limits are found; between them they go with the growth
MANY = 300  # cells held beyond which the limits come from the observed information
STEPS = 500
PIVOTS = 3  # block exchanges without progress that are borne
EXCHANGES = 10  # ... and exchanges in all: a way uphill is wanted, the gap alone proves the top
RIDGE = 1e-12  # of the curvature: keeps cells apart that no failure tells apart
NOTHING = 1e-9  # of all lives: a count below is a rounding of none


@dataclass(frozen=True, slots=True)
class Cells:
    """Where lives can have failed: m cells (begins, ends], km; closed points where the two are equal.

    ``outlived`` (m,): lives seen before the cell and good behind it, counted. Failures, gathered to r kinds: ``count``
    (r,) of them lie in one of the cells ``first`` to ``stop`` - 1.
    """

    begins: Array
    ends: Array
    outlived: Array
    first: Index
    stop: Index
    count: Array

    @classmethod
    def of(cls, lives: Lives) -> Cells:
        """The cells of ``lives``, in order; what is left out as dominated by a neighbour cannot hold a failure."""
        marks = _Marks.of(lives)
        failed = ~lives.right
        breaks = np.unique(np.concatenate([marks.lower[failed], marks.upper[failed]]))
        if not breaks.size:
            none = np.zeros(0)
            return cls(none, none, none, none.astype(np.intp), none.astype(np.intp), none)
        opens, closes = (
            _counted(np.searchsorted(breaks, at[failed]), lives.count[failed], breaks.size)
            for at in (marks.lower, marks.upper)
        )
        outlived = marks.outlived(lives.count)
        starts, ends = breaks[:-1] + 1, breaks[1:]  # atoms of every stretch between two breaks
        within = outlived[starts[0] : ends[-1] + 1]
        least = np.minimum.reduceat(within, starts - starts[0])
        low = np.flatnonzero(within <= np.repeat(least, ends - starts + 1))
        place = np.searchsorted(ends - starts[0], low)  # of each atom that is least in its stretch
        from_atom = starts[0] + low[np.searchsorted(place, np.arange(least.size), side="left")]
        to_atom = starts[0] + low[np.searchsorted(place, np.arange(least.size), side="right") - 1]
        kept = _undominated(least, opens, closes)
        numbers = np.flatnonzero(kept)
        first, stop = (
            np.searchsorted(numbers, np.searchsorted(breaks, at[failed])) for at in (marks.lower, marks.upper)
        )
        return cls(
            marks.km[from_atom[kept] // 2 - (from_atom[kept] % 2 == 0)],
            marks.km[to_atom[kept] // 2],
            least[kept],
            *_gathered(first, stop, lives.count[failed], numbers.size),
        )

    def __len__(self) -> int:
        return int(self.ends.size)

    def between(self, start: int, stop: int) -> Cells:
        """The cells ``start`` to ``stop`` - 1, with the failures that lie in these only."""
        inside = (self.first >= start) & (self.stop <= stop)
        return Cells(
            self.begins[start:stop],
            self.ends[start:stop],
            self.outlived[start:stop],
            self.first[inside] - start,
            self.stop[inside] - start,
            self.count[inside],
        )


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


@dataclass(frozen=True, slots=True)
class _Marks:
    """Distances of lives as places on a line of atoms: atom 2k + 1 is the point km[k], atom 2k the open stretch before.

    A place p stands behind atom p; a life failed in atoms lower + 1 to upper, and was seen from atom entry + 1 on.
    """

    km: Array
    entry: Index
    lower: Index
    upper: Index

    @classmethod
    def of(cls, lives: Lives) -> _Marks:
        upper = np.where(lives.right, lives.lower, lives.upper)
        km, place = np.unique(np.concatenate([lives.entry, lives.lower, upper]), return_inverse=True)
        entry, lower, upper_place = 2 * place.reshape(3, -1) + 1
        lower = lower - lives.exact
        return cls(km, np.minimum(entry, lower), lower, upper_place)  # failed on entry: was at risk then

    def outlived(self, count: Array) -> Array:
        """For every atom: lives seen before it and good behind it, counted."""
        size = 2 * self.km.size + 1
        change = np.bincount(self.entry + 1, weights=count, minlength=size)
        change -= np.bincount(self.lower + 1, weights=count, minlength=size)
        total = np.cumsum(change)
        return np.where(total < NOTHING * count.sum(), 0.0, total)


def _undominated(least: Array, opens: Array, closes: Array) -> NDArray[np.bool_]:
    """Stretches in which a failure can lie: beside none that more failures share and no more lives outlived.

    ``opens`` and ``closes``: failures whose run begins or ends at each break.
    """
    covered = np.cumsum(opens - closes)[:-1] > NOTHING * opens.sum()
    more_behind = (closes[1:-1] == 0) & (least[1:] <= least[:-1])
    more_before = (opens[1:-1] == 0) & (least[:-1] <= least[1:])
    kept = covered.copy()
    kept[:-1] &= ~more_behind
    kept[1:] &= ~more_before
    return np.asarray(kept)


def _counted(place: Index, count: Array, places: int) -> Array:
    return np.bincount(place, weights=count, minlength=places).astype(np.float64)


def _gathered(first: Index, stop: Index, count: Array, cells: int) -> tuple[Index, Index, Array]:
    run, place = np.unique(first * (cells + 1) + stop, return_inverse=True)
    return run // (cells + 1), run % (cells + 1), _counted(place, count, run.size)


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
        pull = cells.count / np.expm1(_sums(cells, size))
        return cls(cells, size, _value(cells, size), pull, _spread(cells, pull) - cells.outlived)

    def gap(self) -> float:
        """How far the log-likelihood may be from its maximum, by Lagrange duality.

        Any y > 0 with sums over every cell of at most ``outlived`` bounds it by
        ``-sum(w ln(1 + y / w) + y ln(1 + w / y))``; at the maximum y is the pull.
        """
        w, a = self.cells.count, self.cells.outlived
        y = self.pull * _least(self.cells, a / np.maximum(self.gradient + a, a))
        return -float((w * np.log1p(y / w) + y * np.log1p(w / y)).sum()) - self.value


def _sums(cells: Cells, size: Array) -> Array:
    """Growth over each kind's run of cells, (r,)."""
    total = np.concatenate([[0.0], np.cumsum(size)])
    return np.asarray(total[cells.stop] - total[cells.first])


def _spread(cells: Cells, values: Array) -> Array:
    """Sum of ``values`` (r,) over the kinds of failure that share each cell, (m,)."""
    ends = len(cells) + 1
    change = np.bincount(cells.first, weights=values, minlength=ends)
    change -= np.bincount(cells.stop, weights=values, minlength=ends)
    return np.asarray(np.cumsum(change)[:-1])


def _least(cells: Cells, values: Array) -> Array:
    """The least of ``values`` (m,) in each kind's run of cells, (r,)."""
    runs = np.column_stack([cells.first, cells.stop]).ravel()
    return np.asarray(np.minimum.reduceat(np.append(values, np.inf), runs)[::2]) if runs.size else values[:0]


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
    sums = _sums(cells, size)
    if (sums <= 0).any():
        return -inf
    return float((cells.count * np.log(-np.expm1(-sums))).sum() - (cells.outlived * size).sum())


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
    pull = at.gradient + _spread(at.cells, bend * _sums(at.cells, at.size))
    target = np.zeros(at.size.size)
    free = np.ones(held.size, np.bool_)
    fewest, chances = held.size + 1, PIVOTS
    blur = 1e-10 * (at.cells.outlived[held] + np.abs(pull).max())
    for _ in range(EXCHANGES):
        target[held] = 0.0
        target[held[free]] = Curvature.of(at.cells, bend, held[free]).solve(pull[held[free]]) if free.any() else 0.0
        gain = pull - _spread(at.cells, bend * _sums(at.cells, target))
        wrong = np.flatnonzero(np.where(free, target[held] < 0, gain[held] > blur))
        if not wrong.size:
            break
        if wrong.size < fewest:
            fewest, chances = wrong.size, PIVOTS
        else:
            chances -= 1
        free[wrong if chances >= 0 else wrong[-1:]] ^= True
    return np.maximum(target[held], 0.0)


def _by_cell(at: _At, held: Index) -> Array:
    """Newton in every cell by itself."""
    return np.maximum(at.size[held] + at.gradient[held] / _spread(at.cells, _bend(at))[held], 0.0)


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


def record_curve(lives: Lives, level: float = 0.95, *, since: float = 0.0) -> SurvivalCurve:
    """What the records say without a family: Kaplan–Meier, or Turnbull when a failure lies between two looks.

    Raises FitError when no life was seen beyond ``since`` (km).
    """
    estimate = turnbull if lives.between.any() else kaplan_meier
    return estimate(lives, level, since=since)


def turnbull(lives: Lives, level: float = 0.95, *, since: float = 0.0) -> SurvivalCurve:
    """Turnbull's estimate for lives of any censoring and delayed entry; Kaplan–Meier's where all failures are exact.

    A cell that ``since`` falls into counts as behind it. Limits are likelihood-ratio limits on the chi-square quantile
    (Thomas & Grunkemeier 1975, J. Am. Stat. Assoc. 70); where looks are spread so finely that the estimate converges
    slower than the root of the number of lives, they are wide rather than narrow (Banerjee & Wellner 2001, Ann. Stat.
    29). Beyond `MANY` cells they are by ln(-ln S) on the observed information. Where S has reached 0 the limits are 0
    and the last upper limit. Raises FitError when no life was seen beyond ``since`` (km).
    """
    reach = np.where(lives.right, lives.lower, lives.upper)
    if not (reach > since).any():
        raise FitError(f"no life was seen beyond {since:,.0f} km", "Ask for survival from an earlier distance")
    cells = Cells.of(lives)
    emptied = np.flatnonzero(cells.outlived == 0)
    late = int(np.searchsorted(cells.ends, since, side="right"))
    start = int(np.max(emptied[emptied < late], initial=-1)) + 1
    stop = int(np.min(emptied[emptied >= late], initial=len(cells)))
    growth = likeliest(cells.between(start, stop))
    late -= start
    held, known = growth.held[growth.held >= late], int(np.count_nonzero(growth.held < late))
    total = np.cumsum(growth.size[held])
    variance = growth.variance(known)[known:]
    low, high = _limits(growth, late, variance, level)
    place = held + start
    if stop < len(cells):
        place = np.append(place, stop)
    gone = place.size - held.size
    failed = _expected(cells, start, np.append(growth.size, np.inf))[place]
    steps = np.append(np.exp(-total), np.zeros(gone))
    mass = -np.diff(steps, prepend=1.0)
    ends = cells.ends[place]
    return SurvivalCurve(
        begins=np.maximum(cells.begins[place], since),
        km=ends,
        survival=steps,
        low=np.append(low, np.zeros(gone)),
        high=np.append(high, np.full(gone, high[-1] if high.size else 1.0)),
        error=np.append(np.exp(-total) * np.sqrt(variance), np.zeros(gone)),
        at_risk=failed * (steps + mass) / mass,
        failed=failed,
        level=level,
        since=since,
        emptied_at=float(ends[-1]) if gone and bool((lives.lower > ends[-1]).any()) else None,
    )


def expected_failures(cells: Cells) -> Array:
    """Failures in each cell, (m,): those known to lie in several are shared out as the likeliest growth of H says."""
    emptied = np.flatnonzero(cells.outlived == 0).tolist()
    failed = np.zeros(len(cells))
    for start, stop in zip([0, *(at + 1 for at in emptied)], [*emptied, len(cells)], strict=True):
        failed += _expected(cells, start, np.append(likeliest(cells.between(start, stop)).size, inf))
    return failed


def _expected(cells: Cells, start: int, size: Array) -> Array:
    """Failures expected in each cell, (m,), given ``size``, the growth from cell ``start`` on; 0 elsewhere."""
    survival = np.exp(-np.concatenate([[0.0], np.cumsum(size)]))
    mass = np.zeros(len(cells))
    mass[start : start + size.size] = -np.diff(survival)[: len(cells) - start]
    inside = (cells.first >= start) & (cells.first < start + size.size)
    runs = replace(cells, first=cells.first[inside], stop=cells.stop[inside], count=cells.count[inside])
    return mass * _spread(runs, runs.count / _sums(runs, mass))


def _limits(growth: Growth, late: int, variance: Array, level: float) -> tuple[Array, Array]:
    """Pointwise limits of survival from behind cell ``late`` on, behind each cell then held, (k,)."""
    target = -float(ndtri((1 - level) / 2))
    held = growth.held[growth.held >= late]
    total = np.cumsum(growth.size[held])
    if held.size > MANY or not held.size:
        spread = np.exp(target * np.sqrt(variance) / total)
        return np.exp(-total * spread), np.exp(-total / spread)
    nodes = np.unique(np.linspace(0, held.size - 1, min(held.size, NODES)).round().astype(np.intp))
    tilts = [_Tilt(growth, late, int(held[node]), float(np.sqrt(variance[node]))) for node in nodes]
    least, most = (np.interp(total, total[nodes], [tilt.end(side, target) for tilt in tilts]) for side in (-1, 1))
    return np.exp(-most), np.exp(-least)


@dataclass(frozen=True, slots=True)
class _Tilt:
    """The profile likelihood of the growth over the cells ``late`` to ``last``: a reward for growth there is a smaller
    number of lives that outlived them, so each point of the profile is an estimate of the same kind."""

    best: Growth
    late: int
    last: int
    error: float

    @property
    def _over(self) -> NDArray[np.bool_]:
        """The cells meant, as far as a failure can lie in them."""
        place = np.arange(len(self.best.cells))
        shared = _spread(self.best.cells, np.ones_like(self.best.cells.count)) > 0.5
        return np.asarray(shared & (place >= self.late) & (place <= self.last))

    def at(self, reward: float, start: Array) -> tuple[Array, float, float]:
        """Where the likelihood falls by ``reward`` per unit of growth: the growth of all cells, that over the cells
        meant, and the root of the ratio statistic."""
        cells, over = self.best.cells, self._over
        outlived = cells.outlived - np.where(over, reward, 0.0)
        found = likeliest(replace(cells, outlived=outlived), start)
        growth = float(found.size[over].sum())
        fallen = self.best.log_likelihood - (found.log_likelihood - reward * growth)
        return found.size, growth, float(np.sqrt(max(0.0, 2 * fallen)))

    def end(self, side: int, target: float) -> float:
        """The growth at which the root reaches ``target``; 0 if it does not on the lower side."""
        cells, size = self.best.cells, self.best.size
        inside = (cells.first >= self.late) & (cells.stop <= self.last + 1)
        if side < 0 and not inside.any() and self.at(-FIRM * float(cells.outlived.max()), size)[2] <= target:
            return 0.0
        ceiling = float(cells.outlived[self._over].min()) if side > 0 else inf
        low, high, root_low, root_high = 0.0, ceiling, 0.0, inf
        reward = min(target / self.error, 0.5 * ceiling)
        for _ in range(STEPS):
            size, growth, root = self.at(side * reward, size)
            if abs(root - target) < NEARLY * target:
                break
            if root < target:
                low, root_low = reward, root
            else:
                high, root_high = reward, root
            if np.isfinite(root_high):
                share = (target - root_low) / (root_high - root_low)
                reward = low + min(max(share, 0.05), 0.95) * (high - low)
            else:
                reward = min(reward * min(2.0, target / max(root, 1e-9)), 0.5 * (reward + high))
        return growth
