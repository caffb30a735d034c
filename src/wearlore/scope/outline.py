"""A choice at once: what is done and what it costs, without the margins that take solving again for every unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.scope.advice import LEVEL, Reason, estimate, why_in
from wearlore.scope.model import Problem
from wearlore.scope.program import Solution


@dataclass(frozen=True, slots=True)
class Doing:
    """One unit of the scope; all as in `Advice`."""

    unit: str
    reason: Reason
    remedy: str
    grade: str
    chance: Estimate
    cost_now: float
    later_left: Estimate
    later_done: Estimate
    hours_shared: float
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Leaving:
    """One unit that is left; as in `Advice`."""

    unit: str
    chance: Estimate
    later_left: Estimate


@dataclass(frozen=True, slots=True)
class Outline:
    """The choice; sums as in `Scope`."""

    doing: tuple[Doing, ...]
    leaving: tuple[Leaving, ...]
    hours: float
    hours_alone: float
    visit_cost: float
    later: Estimate
    total: float

    @property
    def units(self) -> frozenset[str]:
        """Those that are done."""
        return frozenset(one.unit for one in self.doing)


def outline(problem: Problem, solution: Solution) -> Outline:
    """What ``solution`` does and leaves; equal to what `explain` says of it."""
    chosen = {problem.options[o].unit: o for o in solution.chosen}
    chance = _estimates([candidate.chance for candidate in problem.candidates])
    left = _estimates([candidate.left for candidate in problem.candidates])
    done = _estimates([problem.options[o].after for o in chosen.values()])
    doing = [
        _doing(problem, solution, o, chance[unit], left[unit], after)
        for (unit, o), after in zip(chosen.items(), done, strict=True)
    ]
    leaving = [
        Leaving(candidate.name, chance[unit], left[unit])
        for unit, candidate in enumerate(problem.candidates)
        if unit not in chosen
    ]
    return Outline(
        tuple(doing),
        tuple(leaving),
        problem.hours(solution.chosen),
        sum(problem.hours((o,)) for o in solution.chosen),
        problem.visit_cost(solution.chosen),
        estimate(problem.later(solution.chosen)),
        solution.objective,
    )


def _doing(problem: Problem, solution: Solution, o: int, chance: Estimate, left: Estimate, after: Estimate) -> Doing:
    option, rest = problem.options[o], tuple(other for other in solution.chosen if other != o)
    reason, because = why_in(problem, o, rest)
    return Doing(
        problem.candidates[option.unit].name,
        reason,
        option.remedy,
        option.grade,
        chance,
        problem.visit_cost(tuple(sorted((*rest, o)))) - problem.visit_cost(rest),
        left,
        after,
        problem.hours((o,)) - (problem.hours((*rest, o)) - problem.hours(rest)),
        because,
    )


def _estimates(draws: Sequence[Array]) -> list[Estimate]:
    """`estimate` of each, all in one go."""
    if not draws:
        return []
    rows = np.array(draws)
    low, high = np.quantile(rows, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=1)
    return [Estimate(*one, LEVEL) for one in zip(rows.mean(axis=1).tolist(), low.tolist(), high.tolist(), strict=True)]
