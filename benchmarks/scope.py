"""One scope with its reasons on the demo family, and the ways to solve it beside each other.

Peers: the plain program (one row for each option and step, every variable whole) against the disaggregated rows with
the relaxation first; and the minimum cut where each unit has one option.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import TypeVar

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from wearlore import scope
from wearlore.book.load import load
from wearlore.book.model import Book
from wearlore.demo import BOOK
from wearlore.life import LifeModel, life_model
from wearlore.lives import Lives
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

T = TypeVar("T")
KM, BUILT, VARIANT = 142_318.0, date(2016, 5, 1), "m118"


def best(work: Callable[[], T], repeats: int = 5) -> tuple[T, float]:
    """The result and the shortest of several times, s; the first call is not counted (compilation)."""
    result = work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - start)
    return result, min(times)


def van(book: Book, *, known: bool) -> Vehicle:
    """Every unit of the family, as the maker fitted it or of unknown age."""
    units = []
    for id_, component in book.components.items():
        if component.variants and VARIANT not in component.variants:
            continue
        revision = component.revision_at(BUILT)
        modes = tuple(
            ModeState(mode, KM if known else None, 0.0 if described.noticed == "hidden" else KM)
            for mode, described in book.modes_of(id_)
            if described.applies(VARIANT, revision)
        )
        at_least = KM if known else 40_000.0
        units += [FittedUnit(id_, place, revision, "original", at_least, modes) for place in component.places]
    return Vehicle("bench", VARIANT, BUILT, KM, tuple(units))


def plain(problem: scope.Problem) -> float:
    """The peer: sum of x over the options that need a step <= their number times y, all variables whole."""
    options, steps = problem.options, problem.step_names
    program = scope.formulate(problem)
    held = [
        (r, program.low[r], program.high[r])
        for r in range(len(program.low))
        if not (
            program.high[r] == 0 and program.rows[[r]].indices.max() >= len(options) > program.rows[[r]].indices.min()
        )
    ]
    rows = [program.rows[[r]].toarray()[0] for r, _, _ in held]
    low, high = [low for _, low, _ in held], [high for _, _, high in held]
    for s, step in enumerate(steps):
        row = np.zeros(program.cost.size)
        users = [o for o, option in enumerate(options) if step in option.needs]
        row[users], row[len(options) + s] = 1.0, -float(len(users))
        rows.append(row)
        low.append(-np.inf)
        high.append(0.0)
    for step, renewing in problem.spoils:
        row = np.zeros(program.cost.size)
        row[list(renewing)], row[len(options) + steps.index(step)] = -1.0, 1.0
        rows.append(row)
        low.append(-np.inf)
        high.append(0.0)
    found = milp(
        program.cost,
        integrality=np.ones(program.cost.size),
        bounds=Bounds(0.0, program.upper),
        constraints=LinearConstraint(csr_array(np.array(rows)), low, high),
        options={"mip_rel_gap": 0.0},
    )
    return problem.objective(tuple(int(o) for o in np.flatnonzero(found.x[: len(options)] > 0.5)))


def one_option(problem: scope.Problem) -> scope.Problem:
    """The same with each unit's cheapest option only, so that a minimum cut is enough."""
    kept = [
        min(group, key=lambda o: problem.options[o].money - problem.saving(o)) for group in problem.options_of if group
    ]
    number = {o: k for k, o in enumerate(kept)}
    return replace(
        problem,
        options=tuple(replace(problem.options[o], companions=()) for o in kept),
        must={fault: tuple(number[o] for o in curing if o in number) for fault, curing in problem.must.items()},
        spoils=tuple((step, tuple(number[o] for o in group if o in number)) for step, group in problem.spoils),
    )


def main() -> None:
    book = load(BOOK)
    judged: dict[str, LifeModel] = {id_: life_model(id_, Lives.of(), m.belief) for id_, m in book.modes.items()}
    must = frozenset({scope.Fault("rear-crank-seal", "rear-seal-leak")})
    terms = replace(scope.Terms.of(book.economics), must=must)
    for known in (True, False):
        vehicle = van(book, known=known)
        problem, built = best(
            lambda v=vehicle: scope.problem(book, v, lambda m, r, g: judged[m], terms, rng=np.random.default_rng(1))
        )
        _, chosen = best(lambda p=problem: scope.choose(p))
        size = f"{len(problem.candidates)} units, {len(problem.options)} options, {len(problem.steps)} steps"
        ages = "known" if known else "unknown"
        print(f"{size}, ages {ages}: problem {built:.2f} s, choice with reasons {chosen:.2f} s")
    solution, ours = best(lambda: scope.solve(scope.formulate(problem)))
    value, theirs = best(lambda: plain(problem))
    assert solution is not None
    assert abs(solution.objective - value) < 0.01
    print(f"one solution: {ours * 1e3:.1f} ms; the plain program takes {theirs / ours:.1f} times as long")
    single = one_option(problem)
    by_cut, cut = best(lambda: scope.by_min_cut(single))
    by_program, program = best(lambda: scope.solve(scope.formulate(single)))
    assert by_cut is not None
    assert by_program is not None
    assert abs(by_cut.objective - by_program.objective) < 1.0
    print(f"one option a unit: minimum cut {cut * 1e3:.1f} ms, the program takes {program / cut:.1f} times as long")


if __name__ == "__main__":
    main()
