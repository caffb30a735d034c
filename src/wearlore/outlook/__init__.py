"""The long-run cost of policies for a vehicle or several, simulated; rivals on the same lives."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.renewal.upkeep import Mask, Moment, Pieces, Policy, Upkeep

LEVEL = 0.95
Z = 1.959963984540054


@dataclass(frozen=True, slots=True)
class PolicyCost:
    """Discounted ``cost`` over the span: mean with its interval, and the 10th, 50th and 90th percentiles of the runs.

    ``setup_share``: the share of stand-alone set-up that later visits saved by doing things together.
    """

    cost: Estimate
    quantiles: tuple[float, float, float]
    visits: float
    setup_share: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Policies on the same lives. ``beyond``: what each costs more than the first, on the mean of the same runs."""

    policies: Mapping[str, PolicyCost]
    beyond: Mapping[str, Estimate]
    vehicles: int
    runs: int


def only_failed(upkeep: Upkeep) -> Policy:
    """The first habit: cure only what failed, and what always goes with it."""
    return lambda moment: _with_brought(upkeep, moment.failed)


def all_in_reach(upkeep: Upkeep) -> Policy:
    """The second habit: renew everything to which the cure of what failed already opens the way."""
    shared = {step for step, money in upkeep.setup.items() if money > 0}
    needs = [item.needs & shared for item in upkeep.renewables]

    def policy(moment: Moment) -> Mask:
        must = _with_brought(upkeep, moment.failed)
        if not must.any():
            return must
        opened = frozenset().union(*(item.needs for item, on in zip(upkeep.renewables, must, strict=True) if on))
        reached = np.array([wanted <= opened for wanted in needs])
        within = reached & ~(upkeep.brings & ~reached).any(axis=1)
        return _with_brought(upkeep, must | within)

    return policy


def _with_brought(upkeep: Upkeep, done: Mask) -> Mask:
    """``done`` and all that is always done with it (``brings`` is closed)."""
    brought: Mask = done | upkeep.brings[done].any(axis=0)
    return brought


def simulate(fleet: Sequence[tuple[Upkeep, Pieces]], policies: Mapping[str, Callable[[Upkeep], Policy]]) -> Comparison:
    """Every policy through the same lives: a visit now if a fault is there or probable, then one at each failure.

    ``fleet``: each vehicle with the lives drawn for it, the same number of runs for all. ``policies`` make a policy for
    a vehicle; the first is the one others are held against. Costs are per vehicle, discounted to now, over the span of
    each upkeep.
    """
    totals = {
        name: [
            [_run(care, policy, pieces, run) for run in range(len(pieces.life))]
            for care, pieces in fleet
            for policy in [make(care)]
        ]
        for name, make in policies.items()
    }
    costs = {name: np.array([[t.cost for t in runs] for runs in vehicles]) for name, vehicles in totals.items()}
    first = next(iter(costs.values()))
    return Comparison(
        {name: _policy_cost(costs[name], [t for runs in vehicles for t in runs]) for name, vehicles in totals.items()},
        {name: _mean((cost - first).mean(axis=0)) for name, cost in list(costs.items())[1:]},
        first.shape[0],
        first.shape[1],
    )


def _policy_cost(cost: Array, totals: Sequence[_Total]) -> PolicyCost:
    """``cost`` (vehicles, runs)."""
    low, middle, high = (float(q) for q in np.quantile(cost, [0.1, 0.5, 0.9]))
    paid, alone = sum(t.paid for t in totals), sum(t.alone for t in totals)
    return PolicyCost(
        _mean(cost.mean(axis=0)),
        (low, middle, high),
        float(np.mean([t.visits for t in totals])),
        1 - paid / alone if alone > 0 else 0.0,
    )


@dataclass(slots=True)
class _Total:
    cost: float = 0.0
    visits: int = 0
    paid: float = 0.0  # set-up of later visits
    alone: float = 0.0  # the same if each had its own visit


def _run(upkeep: Upkeep, policy: Policy, pieces: Pieces, run: int) -> _Total:
    """One course of events under one policy."""
    n, kept = len(upkeep.renewables), pieces.life.shape[2]
    number = np.arange(n)
    piece = np.zeros(n, np.int64)
    renewed_at = np.zeros(n)
    found = np.array([item.failed for item in upkeep.renewables], dtype=bool)
    life = np.where(found, 0.0, pieces.life[run, :, 0])
    total, km = _Total(), 0.0
    asked = any((item.present > 0).any() for item in upkeep.renewables)  # a fault, if only a probable one
    failed = known = found  # what brought the vehicle in has already cost what it costs beyond its cure
    while True:
        moment = Moment(failed, km - renewed_at, piece == 0, upkeep.span.km - km)
        done = policy(moment) if asked else failed
        if done.any():
            charge = np.exp(-upkeep.span.discount * km)
            mode = pieces.mode[run, number, piece % kept]
            beyond = sum(upkeep.renewables[i].consequence[mode[i]] for i in np.flatnonzero(failed & ~known))
            total.cost += charge * (_visit_cost(upkeep, done) + beyond)
            if total.visits:
                _count_setup(upkeep, done, total)
            total.visits += 1
            piece = piece + done
            renewed_at = np.where(done, km, renewed_at)
            life = np.where(done, pieces.life[run, number, piece % kept], life)
        due, known = renewed_at + life, np.zeros(n, bool)
        km = float(due.min(initial=np.inf))
        if km >= upkeep.span.km:
            return total
        failed, asked = due <= km, True


def _visit_cost(upkeep: Upkeep, done: Mask) -> float:
    chosen = [upkeep.renewables[i] for i in np.flatnonzero(done)]
    steps = frozenset().union(*(item.needs for item in chosen))
    return sum(upkeep.price[step] for step in sorted(steps)) + sum(item.money for item in chosen)


def _count_setup(upkeep: Upkeep, done: Mask, total: _Total) -> None:
    chosen = [upkeep.renewables[i] for i in np.flatnonzero(done)]
    total.paid += sum(upkeep.setup[step] for step in frozenset().union(*(item.needs for item in chosen)))
    total.alone += sum(upkeep.setup[step] for item in chosen for step in item.needs)


def _mean(draws: Array) -> Estimate:
    """Mean of independent runs with the interval of its standard error."""
    half = Z * float(draws.std(ddof=1)) / np.sqrt(draws.size) if draws.size > 1 else np.inf
    return Estimate(float(draws.mean()), float(draws.mean() - half), float(draws.mean() + half), LEVEL)
