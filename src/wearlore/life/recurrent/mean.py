"""Repairs that come again: histories of repairs, and their mean cumulative function.

The mean cumulative function M(t) is the mean number of repairs (or money) per unit by distance t. Nothing is
assumed of how repairs follow one another, only that whether a unit is under observation does not hang on its repairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf, log
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import ndtri

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
    histories: Histories = field(repr=False, compare=False)

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
        marks(histories, of)[order],
    )
    new = np.diff(at, prepend=-1.0) > 0
    km, code = at[new], np.cumsum(new) - 1
    at_risk = histories.at_risk(km)
    happened = sums_by(code, count * mark, km.size)
    mean = np.cumsum(happened / at_risk)
    if variance == "poisson":
        squares = sums_by(code, count * mark**2, km.size)
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


def marks(histories: Histories, of: Counted) -> Array:
    """What each event counts: 1, or its money."""
    if of == "repairs":
        return np.ones_like(histories.km)
    if histories.cost is None:
        raise ValueError("these histories hold no costs")
    return histories.cost


def sums_by(code: Ints, values: Array, size: int) -> Array:
    """Sum of ``values`` for each code from 0 to ``size`` - 1."""
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
    jumps = sums_by(code, jump * (2 * before + jump), km.size)
    left = np.cumsum(sums_by(end_at, own - (drifted[end_at] - begun), km.size + 1))[: km.size]
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
