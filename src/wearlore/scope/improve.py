"""The closest calls of a scope the other way: what a simulation can try at the visit now, and the scope that follows.

A rollout (Bertsekas, Tsitsiklis & Wu 1997, J. Heuristics 3): each candidate is done now and the advice followed later,
on the same courses of events.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np

from wearlore.renewal.upkeep import Mask, Upkeep
from wearlore.scope.advice import Scope, explain
from wearlore.scope.model import Problem
from wearlore.scope.program import Program, Solution, solve


@dataclass(frozen=True, slots=True)
class Call:
    """One unit's answer turned round: the ``program`` that holds it so, and its cheapest ``solution``."""

    unit: str
    program: Program
    solution: Solution


def close_calls(program: Program, scope: Scope, count: int) -> tuple[Call, ...]:
    """The ``count`` units whose opposite answer costs least more, by the measure of the scope."""
    near = sorted((one.margin, number) for number, one in enumerate(scope.advice) if one.margin < inf)
    calls = []
    for _, number in near[:count]:
        turned = program.with_unit(number, done=not scope.advice[number].chosen)
        if (solution := solve(turned)) is not None:
            calls.append(Call(scope.advice[number].unit, turned, solution))
    return tuple(calls)


def renewed(problem: Problem, chosen: tuple[int, ...], upkeep: Upkeep) -> Mask:
    """Which renewables of ``upkeep`` the ``chosen`` options renew: those of the unit whose modes are all cured."""
    cures = {problem.candidates[problem.options[o].unit].name: problem.options[o].cures for o in chosen}
    return np.array([frozenset(item.modes) <= cures.get(item.unit, frozenset()) for item in upkeep.renewables], bool)


def turned(call: Call, scope: Scope) -> Scope:
    """The scope with the call held, and its reasons; the habits are those of ``scope``."""
    return replace(explain(call.program, call.solution), only_failed=scope.only_failed, all_in_reach=scope.all_in_reach)
