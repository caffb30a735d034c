"""Each strategy for one failure mode: what it costs and risks, and which distance suits it best.

The three kinds of SAE JA1011: inspect on condition, renew at an age, run to failure. Rates per km are those of the
renewal cycle (renewal-reward theorem), averaged over what is not known of the life."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf

import numpy as np

from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.plan.ages import Events
from wearlore.plan.looks import aged, looked_at
from wearlore.plan.model import Curve, Kind, Option, Sight, Subject, Terms

PER = 100_000.0  # km for which money is told
OLDEST = 3.0  # horizons: an age at which nothing more is renewed as planned
FINE = 16  # distances of a cost curve
NEVER = np.array([inf])
Key = tuple[Kind, str]


def interval(values: Array, weight: Array, level: float = 0.95) -> tuple[Array, Array]:
    """Central interval of each column of ``values`` (k, n) with ``weight`` (k,)."""
    order = np.argsort(values, axis=0)
    ranked = np.take_along_axis(values, order, axis=0)
    share = np.cumsum(weight[order], axis=0)
    ends = []
    for tail in ((1 - level) / 2, (1 + level) / 2):
        place = np.minimum((share < tail).sum(axis=0), len(values) - 1)
        ends.append(ranked[place, np.arange(values.shape[1])])
    return ends[0], ends[1]


def estimate(values: Array, weight: Array) -> Estimate:
    """Mean of ``values`` (k,), with their central interval."""
    (low,), (high,) = interval(values[:, None], weight)
    return Estimate(float(weight @ values), float(low), float(high))


@dataclass(frozen=True)
class Weighed:
    """A subject with the events of each strategy at ``every`` (n,) km; money and risks are of a whole vehicle."""

    subject: Subject
    terms: Terms
    prices: Mapping[str, float]
    every: Array

    @property
    def near(self) -> Array:
        """Distances between looks: one at least within the horizon."""
        near = self.every[self.every <= self.terms.horizon]
        return near if near.size else self.every[:1]

    @property
    def places(self) -> int:
        return len(self.subject.units)

    @property
    def ceiling(self) -> float | None:
        return self.terms.ceilings.get(self.subject.severity)

    def opening(self, steps: frozenset[str]) -> float:
        """Money of opening all of them."""
        return sum(self.prices[step] for step in sorted(steps))

    @property
    def keys(self) -> tuple[Key, ...]:
        """Kinds of strategy, those of looking by inspection."""
        looks: tuple[Key, ...] = tuple(("inspect", sight.inspection) for sight in self.subject.sights)
        return (("run-to-failure", ""), ("renew", ""), *(looks if self.subject.lead else ()))

    def events(self, kind: Kind, inspection: str) -> Events:
        """Per unit at ``every``; run to failure has one column."""
        if (kind, inspection) not in self.found:
            self.found[kind, inspection] = self._events(kind, inspection)
        return self.found[kind, inspection]

    def _events(self, kind: Kind, inspection: str) -> Events:
        subject, sight = self.subject, self.sight(inspection)
        if subject.lead is not None and sight is not None:
            return looked_at(subject.life, subject.lead, self.near, sight.sensitivity, hidden=subject.hidden)
        every = NEVER if kind == "run-to-failure" else self.every
        return aged(subject.life, subject.lead, every, hidden=subject.hidden)

    @cached_property
    def found(self) -> dict[Key, Events]:
        return {}

    def sight(self, inspection: str) -> Sight | None:
        return next((one for one in self.subject.sights if one.inspection == inspection), None)

    def costs(self, kind: Kind, inspection: str) -> Array:
        """Money per km (k, n), all access paid."""
        subject, sight = self.subject, self.sight(inspection)
        planned = subject.planned + self.opening(subject.steps)
        look = (sight.money + self.opening(sight.steps)) / self.places if sight else 0.0
        return self.places * self.events(kind, inspection).cost(planned, subject.failure, look)

    def risks(self, kind: Kind, inspection: str) -> Array:
        """Chance (k, n) of a failure within the horizon."""
        return np.asarray(-np.expm1(-self.places * self.events(kind, inspection).failed * self.terms.horizon))

    def option(self, kind: Kind, inspection: str, column: int) -> Option:
        events, weight = self.events(kind, inspection), self.subject.life.weight
        risk = estimate(self.risks(kind, inspection)[:, column], weight)
        return Option(
            kind,
            float(events.every[column]) if kind != "run-to-failure" else inf,
            inspection,
            estimate(PER * self.costs(kind, inspection)[:, column], weight),
            risk,
            self.ceiling is None or risk.value <= self.ceiling,
            float(weight @ events.unnoticed[:, column]),
        )

    def options(self) -> Iterator[Option]:
        """Every strategy at every distance."""
        for kind, inspection in self.keys:
            for column in range(self.events(kind, inspection).length.shape[1]):
                yield self.option(kind, inspection, column)

    def curve(self, kind: Kind, inspection: str) -> Curve:
        values, weight = PER * self.costs(kind, inspection), self.subject.life.weight
        low, high = interval(values, weight)
        every = self.events(kind, inspection).every
        return Curve(kind, every, weight @ values, low, high, weight @ self.risks(kind, inspection))

    def best_every(self, kind: Kind, inspection: str) -> Estimate:
        """The distance that costs least on the mean, and between which it lies under each set of parameters.

        By a parabola through the least of the curve and its neighbours, in ln km.
        """
        costs, weight = self.costs(kind, inspection), self.subject.life.weight
        every = self.events(kind, inspection).every
        low, high = interval(_least(costs, every)[:, None], weight)
        return Estimate(float(_least((weight @ costs)[None, :], every)[0]), float(low[0]), float(high[0]))


def _least(costs: Array, every: Array) -> Array:
    """Where each row of ``costs`` (k, n) is least, km (k,); at an end of ``every`` that end."""
    if every.size < 3:
        return np.asarray(every[costs.argmin(axis=1)])
    x, row = np.log(every), np.arange(len(costs))
    middle = np.clip(costs.argmin(axis=1), 1, every.size - 2)
    left, here, right = (costs[row, middle + side] for side in (-1, 0, 1))
    step = x[1] - x[0]
    bend = left - 2 * here + right
    moved = np.divide(0.5 * (left - right), bend, out=np.sign(left - right), where=bend > 0)
    return np.asarray(np.exp(x[middle] + step * np.clip(moved, -1.0, 1.0)))


def best_of_each(options: Sequence[Option]) -> tuple[Option, ...]:
    """The cheapest of each kind, held ones before others; cheapest first."""
    kinds = dict.fromkeys(option.kind for option in options)
    best = [cheapest([option for option in options if option.kind == kind]) for kind in kinds]
    return tuple(sorted(best, key=lambda option: option.cost.value))


def cheapest(options: Sequence[Option]) -> Option:
    """Of those that hold the ceiling, the cheapest; where none does, the one that risks least."""
    held = [option for option in options if option.held]
    if held:
        return min(held, key=lambda option: option.cost.value)
    return min(options, key=lambda option: (round(option.risk.value, 4), option.cost.value))


def services(terms: Terms) -> Array:
    """Distances between planned actions, km: multiples of the service interval."""
    most = max(1, round(OLDEST * terms.horizon / terms.service_every))
    return np.asarray(terms.service_every * np.arange(1, most + 1, dtype=np.float64))
