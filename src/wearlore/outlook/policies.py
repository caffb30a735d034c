"""The long-run cost of policies for a vehicle or several, simulated; rivals on the same lives."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from wearlore.estimate import NORMAL_95, Estimate
from wearlore.lives import Array
from wearlore.outlook.courses import Courses, courses
from wearlore.renewal.upkeep import Rule, Upkeep

LEVEL = 0.95


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


def only_failed(_upkeep: Upkeep) -> Rule:
    """The first habit: cure only what failed, and what always goes with it."""
    return Rule("failed")


def all_in_reach(_upkeep: Upkeep) -> Rule:
    """The second habit: renew everything to which the cure of what failed already opens the way."""
    return Rule("reach")


def simulate(
    fleet: Sequence[Upkeep],
    rules: Mapping[str, Callable[[Upkeep], Rule]],
    *,
    runs: int,
    rng: np.random.Generator,
    progress: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Every rule through the same ``runs`` courses of each vehicle: see `wearlore.outlook.courses`.

    ``rules`` make a rule for a vehicle; the first is the one others are held against. Costs are per vehicle, discounted
    to now, over the span of each upkeep. ``progress`` is told (done, of).
    """
    told: dict[str, list[Courses]] = {name: [] for name in rules}
    for number, care in enumerate(fleet):
        seed = int(rng.integers(2**63))
        for k, (name, make) in enumerate(rules.items()):
            if progress is not None:
                progress(number * len(rules) + k, len(fleet) * len(rules))
            told[name].append(courses(care, make(care), runs=runs, seed=seed))
    costs = {name: np.array([one.cost for one in each]) for name, each in told.items()}
    first = next(iter(costs.values()))
    return Comparison(
        {name: _policy_cost(costs[name], each) for name, each in told.items()},
        {name: mean_of(cost.mean(axis=0) - first.mean(axis=0)) for name, cost in list(costs.items())[1:]},
        len(fleet),
        runs,
    )


def _policy_cost(cost: Array, told: Sequence[Courses]) -> PolicyCost:
    """``cost`` (vehicles, runs)."""
    low, middle, high = (float(q) for q in np.quantile(cost, [0.1, 0.5, 0.9]))
    paid, alone = (sum(float(getattr(one, name).sum()) for one in told) for name in ("setup", "setup_alone"))
    return PolicyCost(
        mean_of(cost.mean(axis=0)),
        (low, middle, high),
        float(np.mean([one.visits.sum(axis=1).mean() for one in told])),
        1 - paid / alone if alone > 0 else 0.0,
    )


def mean_of(draws: Array) -> Estimate:
    """Mean of independent runs with the interval of its standard error."""
    half = NORMAL_95 * float(draws.std(ddof=1)) / np.sqrt(draws.size) if draws.size > 1 else np.inf
    return Estimate(float(draws.mean()), float(draws.mean() - half), float(draws.mean() + half), LEVEL)
