"""Explain: for each unit in or out of the scope what it costs now and later, by how much, until when, and why."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from math import inf
from typing import Literal

import numpy as np

from wearlore.book.model import Offer
from wearlore.errors import ScopeError
from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.scope.model import Fault, Problem
from wearlore.scope.program import Program, Proof, Solution, formulate, solve

Reason = Literal[
    "must",
    "asked",
    "companion",
    "spoiled",
    "pays-alone",
    "pays-together",
    "doubtful",
    "not-yet",
    "never",
    "refused",
    "no-tool",
    "no-remedy",
]
REASONS: dict[Reason, str] = {
    "must": "has failed and must be cured",
    "asked": "is wanted in this visit, though nobody says that it has failed",
    "companion": "is always renewed with other work of this visit",
    "spoiled": "is spoiled by other work of this visit",
    "pays-alone": "would pay even on a visit of its own",
    "pays-together": "pays now because other work already opens the way to it",
    "doubtful": "may be there, but its chance does not bear the cost of the cure; look again",
    "not-yet": "costs more now than the failures it would save; look again later",
    "never": "costs more to renew before it fails than to cure when it has failed, at any age looked at",
    "refused": "the owner says no",
    "no-tool": "a special tool is missing in this workshop",
    "no-remedy": "nothing in the book can be done to it now",
}
Demand = tuple[str, Fault | str]
LEVEL = 0.95
FINE = 201  # points of the search for the distance at which the advice turns
LARGE = 1e6  # money: stands above every real cost when a habit leaves no choice


@dataclass(frozen=True, slots=True)
class Advice:
    """One unit of the vehicle, in or out of the scope.

    ``remedy`` (with ``grade``, ``revision``, ``offers``): what is done, or would best be; None when nothing can be.
    ``chance``: of needing a cure within the horizon if left. ``cost_now``: money it adds to this visit, beside the rest
    of the scope. ``later_left``, ``later_done``: expected discounted cost later. ``hours_shared``: access that the rest
    of the scope carries. ``margin``: money by which the best scope with the opposite answer is dearer (inf: there is
    none). ``flip_offset``: km from now at which the advice would turn, the other units' ages held and their answers
    free; None when it does not within one horizon either way.
    """

    unit: str
    chosen: bool
    reason: Reason
    remedy: str | None
    grade: str
    revision: str
    chance: Estimate
    cost_now: float
    later_left: Estimate
    later_done: Estimate
    hours_shared: float
    margin: float
    age: float | None
    flip_offset: float | None
    flip_odometer: float | None
    because: tuple[str, ...] = ()  # units whose work brings it in; tools that are missing
    offers: Mapping[str, Offer] = field(default_factory=dict)

    @property
    def component(self) -> str:
        return self.unit.partition("/")[0]

    @property
    def position(self) -> str:
        return self.unit.partition("/")[2]

    @property
    def flip_age(self) -> float | None:
        """Age of the unit, km, at which the advice would turn."""
        return None if self.age is None or self.flip_offset is None else self.age + self.flip_offset

    @property
    def why(self) -> str:
        return REASONS[self.reason]


@dataclass(frozen=True, slots=True)
class Habit:
    """What people do without weighing it: the units it would do, this visit's cost and the expected cost later."""

    units: tuple[str, ...]
    visit_cost: float
    later: Estimate
    total: float


@dataclass(frozen=True, slots=True)
class Scope:
    """The advice for one visit.

    ``hours``: of the union; ``hours_alone``: if each chosen unit had its own visit. ``visit_cost`` and ``later``
    (expected, discounted, over the horizon, of all units) add up to ``total``, which is least. ``tools``: what each
    missing tool would have saved.
    """

    advice: tuple[Advice, ...]
    hours: float
    hours_alone: float
    visit_cost: float
    later: Estimate
    total: float
    proof: Proof
    gap: float
    only_failed: Habit
    all_in_reach: Habit
    tools: Mapping[str, float]

    @property
    def chosen(self) -> tuple[Advice, ...]:
        return tuple(advice for advice in self.advice if advice.chosen)


def choose(problem: Problem, time_limit_s: float = 10.0) -> Scope:
    """Formulate, solve and explain. Raises ScopeError naming the demands that collide."""
    return explain(*settle(problem, time_limit_s))


def settle(problem: Problem, time_limit_s: float = 10.0) -> tuple[Program, Solution]:
    """Formulate and solve, for those who go on from the choice itself. Raises as `choose`."""
    program = formulate(problem)
    solution = solve(program, time_limit_s)
    if solution is None:
        raise collision(problem)
    return program, solution


def explain(program: Program, solution: Solution) -> Scope:
    """Each unit's answer with its reasons, by solving again with the opposite answer held."""
    problem, chosen = program.problem, solution.chosen
    failed = _only_failed(program)
    later = problem.later(chosen)
    return Scope(
        tuple(_advice(program, solution, unit) for unit in range(len(problem.candidates))),
        problem.hours(chosen),
        sum(problem.hours((o,)) for o in chosen),
        problem.visit_cost(chosen),
        estimate(later),
        solution.objective,
        solution.proof,
        solution.gap,
        _habit(problem, failed),
        _habit(problem, _all_in_reach(program, failed)),
        _tool_savings(program, solution),
    )


def estimate(draws: Array) -> Estimate:
    """Mean of equally likely draws with their central interval."""
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return Estimate(float(np.mean(draws)), float(low), float(high), LEVEL)


def _advice(program: Program, solution: Solution, unit: int) -> Advice:
    problem = program.problem
    mine = next((o for o in solution.chosen if problem.options[o].unit == unit), None)
    other = solve(program.with_unit(unit, done=mine is None))
    margin = inf if other is None else max(0.0, other.objective - solution.objective)
    best = mine if mine is not None else _option_in(problem, other, unit)
    candidate = problem.candidates[unit]
    left = estimate(candidate.left)
    if best is None:
        reason, because = _why_out(problem, unit, None)
        nothing = (None, "", "", estimate(candidate.chance), 0.0, left, left, 0.0, inf, candidate.age, None, None)
        return Advice(candidate.name, False, reason, *nothing, because)
    option = problem.options[best]
    rest = tuple(o for o in solution.chosen if o != best)
    along = other.chosen if other and mine is None else ()
    added = tuple(sorted({*rest, *_brought(problem, best, along, there=rest)}))
    offset = _flip(problem, best, rest, margin, chosen=mine is not None)
    reason, because = why_in(problem, best, rest) if mine is not None else _why_out(problem, unit, offset)
    return Advice(
        candidate.name,
        mine is not None,
        reason,
        option.remedy,
        option.grade,
        option.revision,
        estimate(candidate.chance),
        problem.visit_cost(added) - problem.visit_cost(rest),
        left,
        estimate(option.after),
        problem.hours((best,)) - (problem.hours((*rest, best)) - problem.hours(rest)),
        margin,
        candidate.age,
        offset,
        None if offset is None else problem.odometer + offset,
        because,
        option.offers,
    )


def _option_in(problem: Problem, solution: Solution | None, unit: int) -> int | None:
    return next((o for o in solution.chosen if problem.options[o].unit == unit), None) if solution else None


def _brought(problem: Problem, option: int, among: Collection[int], there: Collection[int] = ()) -> set[int]:
    """``option`` with all ``among`` others that must go with it; nothing for what is ``there`` already."""
    brought, todo = {option}, [option]
    while todo:
        for group in problem.brings(todo.pop()):
            fresh = set() if brought.union(there) & set(group) else set(group).intersection(among)
            brought |= fresh
            todo += sorted(fresh)
    return brought


def _flip(problem: Problem, option: int, rest: tuple[int, ...], margin: float, *, chosen: bool) -> float | None:
    """The nearest offset at which the worth of the unit's best option has moved by the margin.

    Linear between the offsets looked at. ``rest``: what else is done.
    """
    offsets = problem.candidates[problem.options[option].unit].offsets
    if not offsets.size or margin == inf:
        return None
    able = [o for o in problem.options_of[problem.options[option].unit] if _stands_in(problem, o, option)]
    cost = {o: problem.visit_cost((*rest, o)) for o in able}
    fine = np.union1d(offsets, np.linspace(offsets[0], offsets[-1], FINE))  # where one option overtakes another
    worth = np.max([np.interp(fine, offsets, problem.options[o].saving_at) - cost[o] for o in able], axis=0)
    surplus = worth - (problem.saving(option) - cost[option]) + (margin if chosen else -margin)
    turns = np.flatnonzero(np.diff(surplus > 0))
    if not turns.size:
        return None
    share = surplus[turns] / (surplus[turns] - surplus[turns + 1])
    crossings = fine[turns] + share * (fine[turns + 1] - fine[turns])
    return float(crossings[np.abs(crossings).argmin()])


def _stands_in(problem: Problem, other: int, option: int) -> bool:
    """Whether ``other`` can be done in the place of ``option``, of the same unit: it brings nothing else along."""
    one, two = problem.options[option], problem.options[other]
    return not (two.refused or two.tools) and set(two.companions) <= set(one.companions)


def why_in(problem: Problem, option: int, rest: tuple[int, ...]) -> tuple[Reason, tuple[str, ...]]:
    """Why ``option`` is done beside the ``rest``, and the units whose work brings it in."""
    chosen = problem.options[option]
    name = problem.candidates[chosen.unit].name
    if any(fault.unit == name for fault in problem.must):
        return "must", ()
    if name in problem.include:
        return "asked", ()
    with_it = _names(problem, [o for o in rest if any(option in group for group in problem.options[o].companions)])
    if with_it:
        return "companion", with_it
    spoiling = {step for step, renewing in problem.spoils if option in renewing}
    spoilers = _names(problem, [o for o in rest if spoiling & problem.options[o].needs])
    if spoilers:
        return "spoiled", spoilers
    alone = tuple(sorted(_brought(problem, option, rest)))
    saved = sum(problem.saving(o) for o in alone)
    return ("pays-alone" if saved >= problem.visit_cost(alone) else "pays-together"), ()


def _why_out(problem: Problem, unit: int, offset: float | None) -> tuple[Reason, tuple[str, ...]]:
    options = [problem.options[o] for o in problem.options_of[unit]]
    if not options:
        return "no-remedy", ()
    if all(option.refused for option in options):
        return "refused", ()
    if all(option.refused or option.tools for option in options):
        return "no-tool", tuple(sorted(frozenset().union(*(option.tools for option in options))))
    if problem.candidates[unit].doubtful:
        return "doubtful", ()
    return ("not-yet" if offset is not None and offset > 0 else "never"), ()


def _names(problem: Problem, options: list[int]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(problem.candidates[problem.options[o].unit].name for o in options))


def _only_failed(program: Program) -> tuple[int, ...]:
    """The first habit: nothing beyond the faults to cure and what these bring with them."""
    failed = {fault.unit for fault in program.problem.must}
    idle = [problem_option.unit for problem_option in program.problem.options]
    dear = np.array([LARGE * (program.problem.candidates[unit].name not in failed) for unit in idle])
    return _by_habit(program, dear)


def _all_in_reach(program: Program, failed: tuple[int, ...]) -> tuple[int, ...]:
    """The second habit: renew everything to which the cure of the faults already opens the way."""
    problem = program.problem
    opened = problem.needs(failed)
    reached = [bool(failed and o.cures) and o.needs & problem.shared <= opened for o in problem.options]
    return _by_habit(program, np.where(reached, -LARGE, LARGE) if reached else np.zeros(0))


def _by_habit(program: Program, extra: Array) -> tuple[int, ...]:
    cost = program.cost.copy()
    cost[: extra.size] += extra
    solution = solve(replace(program, cost=cost))
    return solution.chosen if solution else ()


def _habit(problem: Problem, chosen: tuple[int, ...]) -> Habit:
    return Habit(
        _names(problem, list(chosen)),
        problem.visit_cost(chosen),
        estimate(problem.later(chosen)),
        problem.objective(chosen),
    )


def _tool_savings(program: Program, solution: Solution) -> dict[str, float]:
    """What each missing tool would have saved in expected cost, if it alone were here."""
    missing = sorted(frozenset().union(*(option.tools for option in program.problem.options)))
    with_tool = {tool: solve(program.allowing(tool)) for tool in missing}
    return {tool: max(0.0, solution.objective - s.objective) for tool, s in with_tool.items() if s is not None}


def collision(problem: Problem) -> ScopeError:
    """A smallest set of demands that cannot all be met, found by leaving out one after another."""
    refused = frozenset[str]().union(*(option.refused for option in problem.options))
    missing = frozenset[str]().union(*(option.tools for option in problem.options))
    demands: list[Demand] = [("must", fault) for fault in problem.must]
    demands += [("in", name) for name in problem.include]
    demands += [("no", name) for name in sorted(refused)]
    demands += [("tool", name) for name in sorted(missing)]
    kept = list(demands)
    for demand in demands:
        fewer = [d for d in kept if d != demand]
        if not _feasible(problem, fewer):
            kept = fewer
    names = [_said(kind, what) for kind, what in kept]
    return ScopeError(
        f"these cannot all hold: {'; '.join(names)}", "Give up one of them, or cure the faults one by one"
    )


def _said(kind: str, what: Fault | str) -> str:
    if isinstance(what, Fault):
        return f"{what.mode} on {what.unit} must be cured"
    told = {"in": f"{what} is to be done", "no": f"the owner says no to {what}", "tool": f"the tool {what} is missing"}
    return told[kind]


def _feasible(problem: Problem, demands: list[Demand]) -> bool:
    said = set(demands)
    options = tuple(
        replace(
            option,
            refused=frozenset(name for name in option.refused if ("no", name) in said),
            tools=frozenset(name for name in option.tools if ("tool", name) in said),
        )
        for option in problem.options
    )
    must = {fault: curing for fault, curing in problem.must.items() if ("must", fault) in said}
    include = {name: group for name, group in problem.include.items() if ("in", name) in said}
    return solve(formulate(replace(problem, options=options, must=must, include=include))) is not None
