"""Repairs that come again: histories of repairs, their mean cumulative function, and the comparison of two.

The mean cumulative function M(t) is the mean number of repairs (or money) per unit by distance t. Nothing is
assumed of how repairs follow one another, only that whether a unit is under observation does not hang on its repairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log, sqrt
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.lives import Array

Counted = Literal["repairs", "money"]
Variance = Literal["robust", "poisson"]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Histories:
    """Units under observation over (start, end], and the repairs of each in there; distances in km.

    ``start``, ``end``: shape (u,), one window for each unit. ``unit``, ``km``, ``count``, ``cost``: shape (e,), one row
    for each event: whose it is (index into the windows), where, how many at once, and the money of each. ``cost`` is
    None where money is not known. Raises ValueError when they contradict themselves.
    """

    start: Array
    end: Array
    unit: Ints
    km: Array
    count: Array
    cost: Array | None = None

    def __post_init__(self) -> None:
        for name in ("start", "end", "unit", "km", "count", "cost"):
            if getattr(self, name) is not None:
                kind = np.int64 if name == "unit" else np.float64
                column = np.array(getattr(self, name), dtype=kind)
                column.setflags(write=False)
                object.__setattr__(self, name, column)
        events = [column for column in (self.unit, self.km, self.count, self.cost) if column is not None]
        if self.start.ndim != 1 or self.start.shape != self.end.shape:
            raise ValueError("start and end: expected two arrays of one length")
        if self.km.ndim != 1 or any(column.shape != self.km.shape for column in events):
            raise ValueError("unit, km, count and cost: expected arrays of one length")
        # written so that NaN fails too
        _refuse(
            "history", ~((self.start >= 0) & (self.start < self.end) & (self.end < inf)), "0 <= start < end, finite"
        )
        _refuse("event", (self.unit < 0) | (self.unit >= self.start.size), "the index of a history")
        inside = (self.km > self.start[self.unit]) & (self.km <= self.end[self.unit])
        _refuse("event", ~inside, "a distance inside its history's window, start < km <= end")
        _refuse("event", ~((self.count > 0) & (self.count < inf)), "count > 0")
        if self.cost is not None:
            _refuse("event", ~((self.cost >= 0) & (self.cost < inf)), "cost >= 0")

    @classmethod
    def of(
        cls,
        start: Array | Sequence[float],
        end: Array | Sequence[float],
        unit: Ints | Sequence[int] = (),
        km: Array | Sequence[float] = (),
        *,
        count: Array | Sequence[float] | None = None,
        cost: Array | Sequence[float] | None = None,
    ) -> Histories:
        """Histories from anything that becomes such arrays; one repair at a time when ``count`` is None."""
        where = np.asarray(km, np.float64)
        counts = np.ones_like(where) if count is None else np.asarray(count, np.float64)
        money = None if cost is None else np.asarray(cost, np.float64)
        return cls(np.asarray(start, float), np.asarray(end, float), np.asarray(unit, np.int64), where, counts, money)

    def __len__(self) -> int:
        return int(self.start.size)

    @property
    def events(self) -> float:
        """Repairs, counted."""
        return float(self.count.sum())

    @property
    def distance(self) -> float:
        """Distance (km) under observation, over all units."""
        return float((self.end - self.start).sum())

    def at_risk(self, km: Array) -> Array:
        """Units under observation at each ``km``: from after their start up to and including their end."""
        return np.asarray(
            np.searchsorted(np.sort(self.start), km, side="left") - np.searchsorted(np.sort(self.end), km, side="left"),
            dtype=np.float64,
        )

    def where(self, units: NDArray[np.bool_], events: NDArray[np.bool_] | None = None) -> Histories:
        """The histories for which ``units`` (shape (u,)) holds, with their events (of these where ``events`` holds)."""
        kept = units[self.unit] if events is None else units[self.unit] & events
        number = np.cumsum(units) - 1
        cost = None if self.cost is None else self.cost[kept]
        return Histories(
            self.start[units], self.end[units], number[self.unit[kept]], self.km[kept], self.count[kept], cost
        )

    def within(self, since: float, until: float) -> Histories:
        """What was seen of these histories over (since, until] km; units not seen there are left out."""
        start, end = np.maximum(self.start, since), np.minimum(self.end, until)
        seen = self.where(start < end, (self.km > since) & (self.km <= until))
        return Histories(start[start < end], end[start < end], seen.unit, seen.km, seen.count, seen.cost)


def _refuse(what: str, bad: NDArray[np.bool_], expected: str) -> None:
    if bad.any():
        raise ValueError(f"{what} {int(bad.argmax())}: expected {expected}")


@dataclass(frozen=True, slots=True)
class MeanCumulative:
    """Mean repairs (or money) per unit since ``since`` km, just after each distance with a repair; shape (k,), km.

    ``low`` and ``high`` are pointwise limits at ``level``; ``error`` is the standard error by ``variance``.
    ``happened`` is what happened at each distance (repairs or money), ``at_risk`` the units seen there. ``gaps``: from,
    to between which nobody was under observation: the curve is level there because nothing is known.
    """

    km: Array
    mean: Array
    low: Array
    high: Array
    error: Array
    at_risk: Array
    happened: Array
    of: Counted
    variance: Variance
    level: float
    since: float
    until: float
    gaps: tuple[tuple[float, float], ...]
    histories: Histories

    def at(self, km: float) -> Estimate:
        """Mean repairs (or money) per unit from ``since`` to ``km``, with its limits.

        Where there was no repair yet the upper end is that of no repair in a Poisson process, -ln((1 - level) / 2)
        shared among the fewest units seen on the way; for money, nothing bounds it. Beyond ``until`` nothing is known.
        """
        if not self.since <= km <= self.until:
            raise ValueError(f"expected a distance under observation, {self.since:,.0f} to {self.until:,.0f} km")
        k = int(np.searchsorted(self.km, km, side="right")) - 1
        if k >= 0:
            return Estimate(float(self.mean[k]), float(self.low[k]), float(self.high[k]), self.level)
        ends = self.histories.end[self.histories.end < km]
        fewest = float(self.histories.at_risk(np.nextafter(np.append(ends, self.since), inf)).min())
        bound = -log((1 - self.level) / 2) / fewest if fewest and self.of == "repairs" else inf
        return Estimate(0.0, 0.0, bound if km > self.since else 0.0, self.level)


def mean_cumulative(
    histories: Histories, *, of: Counted = "repairs", variance: Variance = "robust", level: float = 0.95
) -> MeanCumulative:
    """The mean cumulative function M(t) = sum of d(s)/r(s) over s <= t (Nelson 1988, J. Qual. Technol. 20).

    d(s): repairs (or money) at s; r(s): units under observation there. Variance:

    - ``robust`` (Lawless & Nadeau 1995, Technometrics 37): units are independent, nothing else is assumed. Its
      divisor is r. Nelson's (1995, Technometrics 37) unbiased estimate takes r - 1: equal windows of n units make it
      n/(n-1) times as large; it may turn negative, and is not offered. With one history nothing tells how histories
      differ: the error is inf.
    - ``poisson``: the sum of d/r^2 (money: of the squared costs / r^2); too small where units differ.

    Limits are M exp(-+ z error / M), positive always. Raises FitError without any history; ValueError when money is
    asked of histories without costs.
    """
    if not len(histories):
        raise FitError("there is no history", "Ask for vehicles that were seen over some distance")
    order = np.argsort(histories.km)
    at, unit, count, mark = (
        histories.km[order],
        histories.unit[order],
        histories.count[order],
        _mark(histories, of)[order],
    )
    new = np.diff(at, prepend=-1.0) > 0
    km, code = at[new], np.cumsum(new) - 1
    at_risk = histories.at_risk(km)
    happened = _summed(code, count * mark, km.size)
    mean = np.cumsum(happened / at_risk)
    if variance == "poisson":
        squares = _summed(code, count * mark**2, km.size)
        error = np.sqrt(np.cumsum(squares / at_risk**2))
    elif len(histories) == 1:
        error = np.full(km.size, inf)
    else:
        jump = count * mark / at_risk[code]
        error = np.sqrt(_robust_variance(histories, km, at_risk, happened / at_risk**2, unit, code, jump))
    low, high = _positive_limits(mean, error, level)
    return MeanCumulative(
        km, mean, low, high, error, at_risk, happened, of, variance, level,
        since=float(histories.start.min()), until=float(histories.end.max()), gaps=_gaps(histories),
        histories=histories,
    )  # fmt: skip


def _mark(histories: Histories, of: Counted) -> Array:
    """What each event counts: 1, or its money."""
    if of == "repairs":
        return np.ones_like(histories.km)
    if histories.cost is None:
        raise ValueError("these histories hold no costs")
    return histories.cost


def _summed(code: Ints, values: Array, size: int) -> Array:
    return np.asarray(np.bincount(code, weights=values, minlength=size), np.float64)


def _robust_variance(
    histories: Histories, km: Array, at_risk: Array, drift: Array, unit: Ints, code: Ints, jump: Array
) -> Array:
    """Sum over units of the square of A(t), A the unit's own sum of (n - d/r)/r; followed from step to step.

    A jumps with the unit's own repairs (rows in order of distance) and drifts by -d/r^2 with everybody's. Over the
    units at risk each step's changes add up to 0, so their sum of A is minus that of the units that have left.
    """
    start_at, end_at = _steps_by(km, histories.start), _steps_by(km, histories.end)
    drifted = np.concatenate([[0.0], np.cumsum(drift)])
    begun = drifted[start_at]
    own = np.zeros(len(histories))
    before = sums_before(unit, jump, own) - (drifted[code] - begun[unit])
    jumps = _summed(code, jump * (2 * before + jump), km.size)
    left = np.cumsum(_summed(end_at, own - (drifted[end_at] - begun), km.size + 1))[: km.size]
    drifts = drift * (2 * left - at_risk * drift)
    return np.asarray(np.maximum(np.cumsum(jumps + drifts), 0.0))


def _steps_by(km: Array, at: Array) -> Ints:
    """How many of ``km`` are at or below each of ``at``; sorted needles are found much faster."""
    order = np.argsort(at)
    steps = np.empty(at.size, np.int64)
    steps[order] = np.searchsorted(km, at[order], side="right")
    return steps


@njit(cache=True)
def sums_before(unit: Ints, values: Array, own: Array) -> Array:
    """For each row the sum of the earlier ``values`` of its unit; ``own`` (shape (u,), zeros) receives the totals."""
    before = np.empty(values.size)
    for row in range(values.size):
        before[row] = own[unit[row]]
        own[unit[row]] += values[row]
    return before


def _positive_limits(mean: Array, error: Array, level: float) -> tuple[Array, Array]:
    z = -float(ndtri((1 - level) / 2))
    reach = np.divide(z * error, mean, out=np.zeros_like(mean), where=mean > 0)
    with np.errstate(over="ignore"):  # an end beyond all numbers is inf
        return mean * np.exp(-reach), mean * np.exp(reach)


def _gaps(histories: Histories) -> tuple[tuple[float, float], ...]:
    order = np.argsort(histories.start)
    start, reached = histories.start[order][1:], np.maximum.accumulate(histories.end[order])[:-1]
    apart = start > reached
    return tuple(zip(reached[apart].tolist(), start[apart].tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class MeanComparison:
    """Two groups of histories over the distance in which both were seen, (since, until] km.

    ``difference`` of the mean cumulative functions (first less second, both counted from ``since``) after each ``km``
    with its pointwise limits; shape (k,). ``ratio``: how many times as often (or as dear) the first is repaired, if
    that ratio is the same everywhere. ``z``, ``p_value``: the test that there is no difference.
    """

    km: Array
    difference: Array
    low: Array
    high: Array
    error: Array
    ratio: Estimate
    z: float
    p_value: float
    since: float
    until: float
    units: tuple[int, int]
    events: tuple[float, float]
    of: Counted
    level: float


def compare_means(
    first: Histories, second: Histories, *, of: Counted = "repairs", level: float = 0.95
) -> MeanComparison:
    """Are the first repaired as often (as dearly) as the second?

    The test sums w (dM1 - dM2) with the log-rank weight w = r1 r2 / (r1 + r2), its variance from the residuals of each
    unit about the pooled mean, so that it holds when units differ from one another (pseudo-score: Lawless & Nadeau
    1995; Cook & Lawless 2007, section 3.7). The variance is never taken as smaller than that of Poisson processes (own
    choice): a group with next to no repair would otherwise claim to know its own spread. The ratio is the quotient of
    the two weighted sums, of r2/(r1+r2) over repairs of the first and of r1/(r1+r2) over those of the second
    (Mantel-Haenszel), its interval on the log scale from the residuals about each group's own mean. Limits of the
    difference: +- z error, robust.

    Raises FitError when the two were never seen at the same distance, have less than two histories there, or no repair.
    """
    if not (len(first) and len(second)):
        raise FitError("a group has no history", "Compare groups that hold vehicles")
    since = max(float(first.start.min()), float(second.start.min()))
    until = min(float(first.end.max()), float(second.end.max()))
    groups = [histories.within(since, until) for histories in (first, second)] if since < until else []
    if not groups or min(map(len, groups)) < 2:
        raise FitError(
            "there are not two histories of each group over the same distance", "Compare groups with more vehicles"
        )
    km = np.unique(np.concatenate([histories.km for histories in groups]))
    one, two = (_Group.of(histories, _mark(histories, of), km) for histories in groups)
    if not (one.happened + two.happened).sum() > 0:
        raise FitError("neither group was repaired where both were seen", "Compare them when there are repairs")
    z = _test(one, two)
    error = np.hypot(*(_at(mean_cumulative(histories, of=of), km) for histories in groups))
    difference = np.cumsum(one.rate()) - np.cumsum(two.rate())
    reach = -float(ndtri((1 - level) / 2)) * error
    return MeanComparison(
        km, difference, difference - reach, difference + reach, error,
        ratio=_ratio(one, two, level), z=z, p_value=2 * float(ndtr(-abs(z))), since=since, until=until,
        units=(len(groups[0]), len(groups[1])), events=(groups[0].events, groups[1].events), of=of, level=level,
    )  # fmt: skip


def _at(curve: MeanCumulative, km: Array) -> Array:
    """The curve's standard error at each ``km``."""
    return np.concatenate([[0.0], curve.error])[np.searchsorted(curve.km, km, side="right")]


@dataclass(frozen=True, slots=True)
class _Group:
    """One group on the distances ``km`` of both: row sums and squares of marks, and who was at risk; shape (k,)."""

    histories: Histories
    mark: Array
    km: Array
    code: Ints
    at_risk: Array
    happened: Array
    squares: Array

    @classmethod
    def of(cls, histories: Histories, mark: Array, km: Array) -> _Group:
        code = np.searchsorted(km, histories.km)
        happened, squares = (_summed(code, histories.count * mark**power, km.size) for power in (1, 2))
        return cls(histories, mark, km, code, histories.at_risk(km), happened, squares)

    def rate(self) -> Array:
        """Happened per unit at risk; 0 where nobody was."""
        return np.divide(self.happened, self.at_risk, out=np.zeros_like(self.happened), where=self.at_risk > 0)

    def spread(self, weight: Array, rate: Array) -> float:
        """Sum over units of the square of its weighted residual, its own repairs less the ``rate`` over its window."""
        expected = np.concatenate([[0.0], np.cumsum(weight * rate)])
        own = self.histories.count * self.mark * weight[self.code]
        residual = _summed(self.histories.unit, own, len(self.histories))
        residual -= expected[np.searchsorted(self.km, self.histories.end, side="right")]
        residual += expected[np.searchsorted(self.km, self.histories.start, side="right")]
        return float(residual @ residual)


def _test(one: _Group, two: _Group) -> float:
    both = one.at_risk + two.at_risk
    to_one, to_two = two.at_risk / both, one.at_risk / both
    pooled = (one.happened + two.happened) / both
    difference = float(to_one @ one.happened - to_two @ two.happened)
    robust = one.spread(to_one, pooled) + two.spread(to_two, pooled)
    poisson = float((to_one * to_two) @ (one.squares + two.squares))
    return difference / sqrt(max(robust, poisson)) if poisson > 0 else 0.0


def _ratio(one: _Group, two: _Group, level: float) -> Estimate:
    both = one.at_risk + two.at_risk
    to_one, to_two = two.at_risk / both, one.at_risk / both
    a, b = float(to_one @ one.happened), float(to_two @ two.happened)
    if a <= 0 or b <= 0:
        return Estimate(inf if a > 0 else 0.0, 0.0, inf, level)
    variance = one.spread(to_one, one.rate()) / a**2 + two.spread(to_two, two.rate()) / b**2
    reach = exp(-float(ndtri((1 - level) / 2)) * sqrt(variance))
    return Estimate(a / b, a / b / reach, a / b * reach, level)
