"""What the years to come cost on one vehicle, under each policy: from courses of events to figures with intervals.

Money is of the day, not discounted. The distance a year is drawn for each course, the same for every policy. Course r
has the draw r modulo d of the lives' parameters, so that the means of the draws tell what is not known of the lives.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations
from math import ceil, exp, inf, log, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearlore.errors import ScopeError
from wearlore.estimate import NORMAL_95, Estimate
from wearlore.lives import Array
from wearlore.outlook.courses import CHUNK, courses
from wearlore.outlook.policies import LEVEL
from wearlore.renewal.upkeep import Rule, Upkeep

SHARES = (0.1, 0.5, 0.9)
FAN = (0.1, 0.25, 0.5, 0.75, 0.9)
MOST_YEARS, MOST_PATHS, FEWEST_PATHS = 40, 1_000_000, 128
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Yearly:
    """How far the vehicle goes in a year: lognormal with median ``km`` and ``spread`` (of the logarithm).

    ``own``: what it went by its own record of ``on_record`` years; None when that tells nothing or is not asked.
    """

    km: float
    spread: float
    own: float | None = None
    on_record: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.km < inf:
            raise ScopeError(f"the distance a year is {self.km:g}", "It must be above 0")
        if not 0 <= self.spread <= 2:
            raise ScopeError(f"the spread of the distance a year is {self.spread:g}", "It must be from 0 to 2")


@dataclass(frozen=True, slots=True)
class Ahead:
    """How far each of R courses goes: ``per_year``, ``end`` (R,) km, told in ``years`` years; ``expected`` km."""

    per_year: Array
    end: Array
    years: int
    expected: float


@dataclass(frozen=True, slots=True)
class Year:
    """One year ahead, or what is left of the last: ``cost``, ``visits`` expected; ``spread``: 10, 50 and 90 % of cost.

    ``so_far``: 10, 25, 50, 75 and 90 % of the cost up to its end, ``so_far_mean`` expected.
    """

    number: int
    cost: Estimate
    spread: tuple[float, ...]
    visits: Estimate
    so_far: tuple[float, ...]
    so_far_mean: float


@dataclass(frozen=True, slots=True)
class Driver:
    """Units of one kind that fail by the same modes: what they cost together, their ``share`` of all, and expected
    ``failures`` (what is renewed before it fails is none)."""

    units: tuple[str, ...]
    modes: tuple[str, ...]
    cost: Estimate
    share: float
    failures: Estimate


@dataclass(frozen=True, slots=True)
class Forecast:
    """Under one policy: ``cost`` and ``visits`` in all, expected; ``spread``: 10, 50 and 90 % of cost, ``visit_spread``
    of visits. ``stranded``: chance at least once; ``damage``: chance of a failure that can damage the engine. Intervals
    are for what is not known of the lives, and for the number of courses. ``drivers``: the dearest first; ``looks``:
    what planned looks cost, on top of them."""

    cost: Estimate
    spread: tuple[float, ...]
    visits: Estimate
    visit_spread: tuple[float, ...]
    stranded: Estimate
    damage: Estimate
    years: tuple[Year, ...]
    drivers: tuple[Driver, ...]
    looks: Estimate


@dataclass(frozen=True, slots=True)
class Saving:
    """What ``policy`` saves against ``over`` on the same courses; ``cheaper``: share of courses in which it costs less,
    ``same``: in which both cost the same."""

    policy: str
    over: str
    money: Estimate
    cheaper: float
    same: float


@dataclass(frozen=True, slots=True)
class Forecasts:
    """Policies on the same courses; ``savings`` of each pair of them."""

    policies: Mapping[str, Forecast]
    savings: tuple[Saving, ...]


def yearly(usual: float, spread: float, own: float | None = None, on_record: float = 0.0) -> Yearly:
    """The vehicle's own distance a year, drawn towards the ``usual`` one (km) of vehicles that differ by ``spread``.

    Each year on record weighs as much as the book's word does: with t years the median is the geometric mean with
    weights t and 1, and the variance falls by 1 + t (a normal mean with one prior observation, on the logarithm).
    """
    known = Yearly(usual, spread)  # refuses what makes no sense
    if own is None or own <= 0 or on_record <= 0:
        return known
    centre = (log(usual) + on_record * log(own)) / (1 + on_record)
    return Yearly(exp(centre), spread / sqrt(1 + on_record), own, on_record)


def years_ahead(distance: Yearly, years: int, *, runs: int, rng: np.random.Generator) -> Ahead:
    """So many years, each course at a distance a year of its own. Raises ScopeError."""
    if not 1 <= years <= MOST_YEARS:
        raise ScopeError(f"{years} years ahead", f"Ask for 1 to {MOST_YEARS} years")
    per_year = distance.km * np.exp(distance.spread * rng.standard_normal(_checked(runs)))
    return Ahead(per_year, years * per_year, years, years * distance.km)


def distance_ahead(distance: Yearly, km: float, *, runs: int) -> Ahead:
    """So many km, at the median distance a year. Raises ScopeError."""
    if not 0 < km < inf:
        raise ScopeError(f"the distance ahead is {km:g}", "It must be above 0")
    years = ceil(km / distance.km - 1e-9)
    if years > MOST_YEARS:
        raise ScopeError(f"that is {years} years ahead", f"Ask for no more than {MOST_YEARS} years of driving")
    per_year = np.full(_checked(runs), distance.km)
    return Ahead(per_year, np.full(runs, km), years, km)


def _checked(runs: int) -> int:
    if not FEWEST_PATHS <= runs <= MOST_PATHS:
        raise ScopeError(f"{runs} paths", f"Ask for {FEWEST_PATHS:,} to {MOST_PATHS:,}")
    return runs


def forecast(
    upkeep: Upkeep, rules: Mapping[str, Rule], ahead: Ahead, *, seed: int, progress: Progress | None = None
) -> Forecasts:
    """Every rule on the same courses; ``progress`` is told how many are done, of how many."""
    runs, found, totals = ahead.end.size, {}, {}
    for number, (name, rule) in enumerate(rules.items()):
        paths = _Paths.of(upkeep, ahead)
        for start in range(0, runs, CHUNK):
            if progress is not None:
                progress(number * runs + start, len(rules) * runs)
            paths.take(upkeep, rule, ahead, slice(start, min(start + CHUNK, runs)), seed)
        totals[name] = paths.paid.sum(axis=1)
        found[name] = paths.told()
    if progress is not None:
        progress(len(rules) * runs, len(rules) * runs)
    draws = _draws_of(upkeep)
    pairs = combinations(totals.items(), 2)
    return Forecasts(found, tuple(_saving(a, b, paid, other, draws) for (a, paid), (b, other) in pairs))


def _saving(policy: str, over: str, paid: Array, other: Array, draws: int) -> Saving:
    less, same = paid < other - 0.005, np.abs(paid - other) <= 0.005
    return Saving(policy, over, expected(other - paid, draws), float(less.mean()), float(same.mean()))


def expected(figures: Array, draws: int) -> Estimate:
    """Mean of ``figures`` (R,) with an interval that holds what is not known of the lives, and the chance of R courses.

    The means of the ``draws`` scatter for both reasons. They are drawn together to the scatter that the first alone
    leaves (what the variance within does not explain; no less than the error with which that is told), their central
    `LEVEL` is taken, and the error of the mean added in squares.
    """
    mean, error = float(figures.mean()), float(figures.std(ddof=1)) / sqrt(figures.size)
    draw = np.arange(figures.size) % draws
    count = np.bincount(draw, minlength=draws)
    means = np.bincount(draw, figures, draws) / count
    within = float(((figures - means[draw]) ** 2).sum()) / max(figures.size - draws, 1) * float((1 / count).mean())
    between = float(means.var(ddof=1)) if draws > 1 else 0.0
    chance = within / between if between > 0 else 0.0
    real = min(max(1 - chance, chance * sqrt(2 / max(draws - 1, 1))), 1.0)
    low, high = (sqrt(real) * (float(q) - mean) for q in np.quantile(means, [(1 - LEVEL) / 2, (1 + LEVEL) / 2]))
    return Estimate(
        mean,
        mean - sqrt(min(low, 0.0) ** 2 + (NORMAL_95 * error) ** 2),
        mean + sqrt(max(high, 0.0) ** 2 + (NORMAL_95 * error) ** 2),
        LEVEL,
    )


def _at_least_nothing(estimate: Estimate, most: float = inf) -> Estimate:
    return Estimate(estimate.value, max(estimate.low, 0.0), min(estimate.high, most), estimate.level)


def _draws_of(upkeep: Upkeep) -> int:
    return int(upkeep.renewables[0].fitted.mu.shape[0]) if upkeep.renewables else 1


def _kinds(upkeep: Upkeep) -> dict[tuple[str, ...], list[int]]:
    """Numbers of the renewables that fail by the same modes."""
    kinds: dict[tuple[str, ...], list[int]] = {}
    for i, item in enumerate(upkeep.renewables):
        kinds.setdefault(item.modes, []).append(i)
    return kinds


@dataclass
class _Paths:
    """All courses under one rule, R of them, Y years, k kinds of units; filled in chunk by chunk."""

    kinds: dict[tuple[str, ...], list[int]]
    units: tuple[str, ...]
    draws: int
    paid: Array  # (R, Y)
    visits: NDArray[np.int16]  # (R, Y)
    stranded: Array  # (R,)
    damage: NDArray[np.bool_]  # (R,)
    spent: Array  # (R, k)
    failures: NDArray[np.int16]  # (R, k)

    @classmethod
    def of(cls, upkeep: Upkeep, ahead: Ahead) -> _Paths:
        runs, kinds = ahead.end.size, _kinds(upkeep)
        return cls(
            kinds,
            tuple(item.unit for item in upkeep.renewables),
            _draws_of(upkeep),
            np.zeros((runs, ahead.years)),
            np.zeros((runs, ahead.years), np.int16),
            np.zeros(runs),
            np.zeros(runs, np.bool_),
            np.zeros((runs, len(kinds))),
            np.zeros((runs, len(kinds)), np.int16),
        )

    def take(self, upkeep: Upkeep, rule: Rule, ahead: Ahead, part: slice, seed: int) -> None:
        if not upkeep.renewables:
            return
        made = courses(
            upkeep, rule, runs=part.stop - part.start, seed=seed, per_year=ahead.per_year[part], end=ahead.end[part],
            years=ahead.years, start=part.start,
        )  # fmt: skip
        ends = np.cumsum([0, *(len(item.modes) for item in upkeep.renewables)])
        self.paid[part], self.visits[part] = made.paid, made.visits
        self.stranded[part], self.damage[part] = made.stranded, made.damage
        for k, members in enumerate(self.kinds.values()):
            self.spent[part, k] = made.spent[:, members].sum(axis=1)
            columns = [column for i in members for column in range(ends[i], ends[i + 1])]
            self.failures[part, k] = made.failures[:, columns].sum(axis=1)

    def told(self) -> Forecast:
        total, visits = self.paid.sum(axis=1), self.visits.sum(axis=1)
        return Forecast(
            cost=self._mean(total),
            spread=_quantiles(total, SHARES),
            visits=self._mean(visits),
            visit_spread=_quantiles(visits, SHARES),
            stranded=self._mean(self.stranded, 1.0),
            damage=self._mean(self.damage, 1.0),
            years=self._years(),
            drivers=self._drivers(float(total.mean())),
            looks=self._mean(np.round(total - self.spent.sum(axis=1), 6)),
        )

    def _mean(self, figures: NDArray[Any], most: float = inf) -> Estimate:
        return _at_least_nothing(expected(figures.astype(float), self.draws), most)

    def _years(self) -> tuple[Year, ...]:
        so_far, found = np.zeros(self.paid.shape[0]), []
        for y in range(self.paid.shape[1]):
            so_far = so_far + self.paid[:, y]
            found.append(
                Year(
                    y + 1, self._mean(self.paid[:, y]), _quantiles(self.paid[:, y], SHARES),
                    self._mean(self.visits[:, y]), _quantiles(so_far, FAN), float(so_far.mean()),
                )
            )  # fmt: skip
        return tuple(found)

    def _drivers(self, total: float) -> tuple[Driver, ...]:
        found = []
        for k, (modes, members) in enumerate(self.kinds.items()):
            cost = self._mean(self.spent[:, k])
            if cost.value > 0:
                units = tuple(self.units[i] for i in members)
                found.append(Driver(units, modes, cost, cost.value / total, self._mean(self.failures[:, k])))
        return tuple(sorted(found, key=lambda driver: -driver.cost.value))


def _quantiles(figures: NDArray[Any], shares: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(float(q) for q in np.quantile(figures, shares))
