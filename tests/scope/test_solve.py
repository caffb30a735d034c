"""The choice is exact: enumeration, the mixed-integer program and the minimum cut agree; and what must always hold."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlore.errors import ScopeError
from wearlore.scope import (
    Candidate,
    Fault,
    Option,
    Problem,
    Step,
    by_min_cut,
    choose,
    formulate,
    solve,
)


def every_subset(problem: Problem) -> float | None:
    """Least objective over all choices, written from the words of the design and not from the program's rows."""
    best = None
    for pick in product(*[(None, *group) for group in problem.options_of]):
        chosen = {o for o in pick if o is not None}
        if any(problem.options[o].refused or problem.options[o].tools for o in chosen):
            continue
        steps = {step for o in chosen for step in problem.options[o].needs}
        if not all(set(group) & chosen for o in chosen for group in problem.options[o].companions):
            continue
        if not all(set(renewing) & chosen for step, renewing in problem.spoils if step in steps):
            continue
        if not all(set(curing) & chosen for curing in problem.must.values()):
            continue
        cost = sum(problem.labour_rate * problem.steps[s].hours + problem.steps[s].money for s in steps)
        for unit, candidate in enumerate(problem.candidates):
            done = [o for o in chosen if problem.options[o].unit == unit]
            cost += float(problem.options[done[0]].after.mean() if done else candidate.left.mean())
            cost += problem.options[done[0]].money if done else 0.0
        best = cost if best is None else min(best, cost)
    return best


def random_problem(rng: np.random.Generator, *, one_option: bool = False) -> Problem:
    units, steps = int(rng.integers(1, 6)), int(rng.integers(1, 8))
    names = [f"s{k}" for k in range(steps)]
    before = {k: [j for j in range(k) if rng.random() < 0.35] for k in range(steps)}

    def closed(wanted: set[int]) -> frozenset[str]:
        todo, reached = list(wanted), set()
        while todo:
            k = todo.pop()
            if k not in reached:
                reached.add(k)
                todo += before[k]
        return frozenset(names[k] for k in reached)

    candidates, options = [], []
    for u in range(units):
        left = rng.uniform(0, 900, 3)
        candidates.append(Candidate(f"u{u}", left, rng.uniform(0, 1, 3)))
        for r in range(1 if one_option else int(rng.integers(0, 4))):
            needs = closed(set(rng.choice(steps, size=min(steps, int(rng.integers(1, 4))), replace=False).tolist()))
            options.append(
                Option(
                    u,
                    f"r{u}{r}",
                    "original",
                    "",
                    float(rng.uniform(0, 300)),
                    needs,
                    left * rng.uniform(0, 1.1),
                    cures=frozenset({"m"} if rng.random() < 0.9 else ()),
                    refused=frozenset({f"u{u}"}) if rng.random() < 0.12 else frozenset(),
                    tools=frozenset({"puller"}) if rng.random() < 0.1 else frozenset(),
                )
            )
    of = [[o for o, option in enumerate(options) if option.unit == u] for u in range(units)]
    for o, option in enumerate(options):
        others = [u for u in range(units) if u != option.unit]
        if others and rng.random() < 0.25:
            options[o] = replace(option, companions=(tuple(of[int(rng.choice(others))]),))
    used = sorted({step for option in options for step in option.needs})
    spoils = (
        [(str(rng.choice(used)), tuple(of[int(rng.integers(units))])) for _ in range(int(rng.integers(0, 2)))]
        if used
        else []
    )
    must = {}
    for u in range(units):
        if of[u] and rng.random() < 0.3:
            must[Fault(f"u{u}", "m")] = tuple(o for o in of[u] if rng.random() < 0.8) or (of[u][0],)
    return Problem(
        float(rng.choice([0.0, 60.0, 90.0])),
        {name: Step(name, float(rng.uniform(0, 3)), float(rng.uniform(0, 60))) for name in used},
        tuple(candidates),
        tuple(options),
        must,
        tuple(spoils),
    )


@pytest.mark.parametrize("seed", range(8))
def test_the_program_finds_what_enumeration_finds(seed):
    rng = np.random.default_rng(seed)
    collided = 0
    for _ in range(300):
        case = random_problem(rng)
        expected, found = every_subset(case), solve(formulate(case))
        if expected is None:
            assert found is None
            collided += 1
        else:
            assert found is not None
            assert found.proof == "OPTIMAL"
            assert found.objective == pytest.approx(expected, abs=2e-5)
    assert 0 < collided < 250


@pytest.mark.parametrize("seed", range(4))
def test_the_minimum_cut_finds_what_enumeration_finds(seed):
    rng = np.random.default_rng(100 + seed)
    for _ in range(300):
        case = random_problem(rng, one_option=True)
        expected, found = every_subset(case), by_min_cut(case)
        if expected is None:
            assert found is None
        else:
            assert found is not None
            assert found.objective == pytest.approx(expected, abs=0.01 * (len(case.options) + len(case.steps)))


def test_a_minimum_cut_is_refused_where_it_is_not_enough():
    case = next(
        case
        for case in (random_problem(np.random.default_rng(seed)) for seed in range(99))
        if any(len(group) > 1 for group in case.options_of)
    )
    with pytest.raises(ValueError, match="each unit has one option"):
        by_min_cut(case)


def seal_and_pump(saving: float) -> Problem:
    """Neither carries the gearbox's removal (100) alone; both together do when each saves more than half of it."""
    units = [Candidate(name, np.array([saving]), np.array([0.3])) for name in ("front seal", "pump")]
    options = [Option(u, f"renew {u}", "", "", 0.0, frozenset({"out"}), np.zeros(1)) for u in range(2)]
    return Problem(50.0, {"out": Step("out", 2.0, 0.0)}, tuple(units), tuple(options))


@pytest.mark.parametrize("route", [lambda p: solve(formulate(p)), by_min_cut], ids=["program", "cut"])
def test_neither_pays_alone_both_pay_together(route):
    assert route(seal_and_pump(60.0)).chosen == (0, 1)
    assert route(seal_and_pump(40.0)).chosen == ()


def test_equals_are_broken_towards_doing_less():
    assert solve(formulate(seal_and_pump(50.0))).chosen == ()


def test_reasons_and_margins_of_a_pair_that_only_pays_together():
    scope = choose(seal_and_pump(60.0))
    assert [(a.chosen, a.reason) for a in scope.advice] == [(True, "pays-together")] * 2
    assert [a.margin for a in scope.advice] == pytest.approx([20.0, 20.0])  # without one, the other goes too
    assert [a.hours_shared for a in scope.advice] == [2.0, 2.0]
    assert (scope.hours, scope.hours_alone) == (2.0, 4.0)
    apart = choose(seal_and_pump(45.0))
    assert [(a.chosen, a.reason) for a in apart.advice] == [(False, "never")] * 2
    assert [a.margin for a in apart.advice] == pytest.approx([10.0, 10.0])  # forced in, it brings the other along
    assert [a.cost_now for a in apart.advice] == [100.0, 100.0]


def test_the_advice_turns_where_the_saving_has_moved_by_the_margin():
    case = seal_and_pump(60.0)
    offsets = np.array([-1000.0, 0.0, 1000.0])
    case = replace(
        case,
        candidates=tuple(replace(c, offsets=offsets, age=5000.0) for c in case.candidates),
        options=tuple(replace(o, saving_at=np.array([30.0, 60.0, 90.0])) for o in case.options),
        odometer=8000.0,
    )
    first = choose(case).advice[0]
    assert first.flip_offset == pytest.approx(-20 / 30 * 1000)  # 60 - margin 20
    assert first.flip_age == pytest.approx(5000 - 2000 / 3)
    assert first.flip_odometer == pytest.approx(8000 - 2000 / 3)


def priced(units: dict[str, float], options: list[tuple[int, float, str]], steps: dict[str, float], **rest) -> Problem:
    """``units``: name -> saving; ``options``: unit, money, needs; ``steps``: name -> price."""
    return Problem(
        0.0,
        {name: Step(name, 0.0, price) for name, price in steps.items()},
        tuple(Candidate(name, np.array([saving]), np.array([0.3])) for name, saving in units.items()),
        tuple(
            Option(u, f"r{o}", "", "", money, frozenset(needs.split()), np.zeros(1), cures=frozenset({"m"}))
            for o, (u, money, needs) in enumerate(options)
        ),
        **rest,
    )


def test_what_a_unit_adds_to_the_visit_holds_the_pieces_that_its_work_spoils():
    case = priced(
        {"pump": 10.0, "gasket": 0.0}, [(0, 30.0, "open"), (1, 7.0, "open")], {"open": 50.0}, spoils=(("open", (1,)),)
    )
    pump, _ = choose(case).advice
    assert (pump.chosen, pump.cost_now, pump.margin) == (False, 87.0, 77.0)


def test_a_unit_pays_alone_only_with_what_it_brings_along():
    case = priced(
        {"clutch": 120.0, "slave": 10.0, "seal": 90.0},
        [(0, 0.0, "out"), (1, 0.0, "slave"), (2, 0.0, "out")],
        {"out": 100.0, "slave": 100.0},
    )
    options = (replace(case.options[0], companions=((1,),)), *case.options[1:])
    assert [a.reason for a in choose(replace(case, options=options)).advice] == [
        "pays-together",  # 120 saved on a visit of 100, but the slave costs 90 more than it saves
        "companion",
        "pays-together",
    ]


def test_within_reach_is_what_the_way_leads_to_and_a_guard_renews_nothing():
    """Both coils need the rail off, which is their own work; the mesh stands in the open."""
    case = priced(
        {"pump": 0.0, "coil/1": 0.0, "coil/2": 0.0, "radiator": 0.0, "belt": 0.0, "pulley": 0.0},
        [(0, 1.0, "cover"), *((u, 1.0, "cover rail") for u in (1, 2)), (3, 1.0, "cover")]
        + [(u, 1.0, "cover front") for u in (4, 5)],
        {"cover": 10.0, "rail": 5.0, "front": 5.0},
        must={Fault("pump", "m"): (0,)},
    )
    guard = replace(case.options[3], cures=frozenset())
    case = replace(case, options=(*case.options[:3], guard, *case.options[4:]))
    assert choose(case).all_in_reach.units == ("pump", "coil/1", "coil/2")


def test_the_advice_turns_where_another_option_of_the_unit_first_pays():
    case = priced({"pump": 40.0}, [(0, 10.0, ""), (0, 60.0, "")], {"way": 50.0})
    options = [replace(o, needs=frozenset({"way"})) for o in case.options]
    options[0] = replace(options[0], saving_at=np.array([40.0, 40.0, 70.0]))  # cheap: a margin of 20, paid at 667 km
    options[1] = replace(options[1], after=np.array([-10.0]), saving_at=np.array([50.0, 50.0, 250.0]))
    unit = replace(case.candidates[0], offsets=np.array([-1000.0, 0.0, 1000.0]))
    case = replace(case, candidates=(unit,), options=tuple(options))
    advice = choose(case).advice[0]
    assert (advice.chosen, advice.remedy, advice.margin) == (False, "r0", 20.0)
    assert advice.flip_offset == pytest.approx(300)  # the dear one: from -60 at 0 to 140 at 1000 km


def test_colliding_demands_are_named_and_no_others():
    """The fan's fault, the missing driver and the no to the pulley have no part in it."""
    names = ("front seal", "pump", "fan", "pulley")
    case = Problem(
        50.0,
        {"out": Step("out", 2.0, 0.0)},
        tuple(Candidate(name, np.array([60.0]), np.array([0.3])) for name in names),
        (
            Option(0, "seal", "", "", 0.0, frozenset({"out"}), np.zeros(1), companions=((1,),)),
            Option(1, "pump", "", "", 0.0, frozenset({"out"}), np.zeros(1), refused=frozenset({"pump"})),
            Option(2, "fan", "", "", 0.0, frozenset(), np.zeros(1)),
            Option(2, "better fan", "", "", 0.0, frozenset(), np.zeros(1), tools=frozenset({"driver"})),
            Option(3, "pulley", "", "", 0.0, frozenset(), np.zeros(1), refused=frozenset({"pulley"})),
        ),
        {Fault("fan", "cracked"): (2, 3), Fault("front seal", "leak"): (0,)},
    )
    with pytest.raises(ScopeError) as error:
        choose(case)
    assert str(error.value).startswith(
        "these cannot all hold: leak on front seal must be cured; the owner says no to pump."
    )


def test_a_missing_tool_says_what_it_would_have_saved():
    case = seal_and_pump(60.0)
    case = replace(case, options=(replace(case.options[0], tools=frozenset({"driver"})), case.options[1]))
    scope = choose(case)
    assert scope.advice[0].reason == "no-tool"
    assert scope.advice[0].because == ("driver",)
    assert scope.tools == pytest.approx({"driver": 20.0})


problems = st.integers(0, 2**31).map(lambda seed: random_problem(np.random.default_rng(seed)))


@settings(max_examples=60, deadline=None)
@given(problems)
def test_must_is_in_refused_is_out_and_neither_habit_is_cheaper(case):
    try:
        scope = choose(case)
    except ScopeError:
        assert every_subset(case) is None
        return
    done = {advice.remedy for advice in scope.chosen}
    for curing in case.must.values():
        assert done & {case.options[o].remedy for o in curing}
    assert not done & {option.remedy for option in case.options if option.refused or option.tools}
    assert scope.total <= min(scope.only_failed.total, scope.all_in_reach.total) + 2e-5
    assert scope.total == pytest.approx(scope.visit_cost + scope.later.value)
    assert scope.hours <= scope.hours_alone + 1e-9


@settings(max_examples=40, deadline=None)
@given(problems)
def test_a_margin_is_what_the_opposite_answer_costs(case):
    free = every_subset(case)
    if free is None:
        return
    for unit, advice in enumerate(choose(case).advice):
        if advice.chosen:
            held = replace(
                case, options=tuple(replace(o, refused=frozenset("x")) if o.unit == unit else o for o in case.options)
            )
        elif case.options_of[unit]:
            held = replace(case, must={**case.must, Fault("held", "in"): case.options_of[unit]})
        else:
            continue
        other = every_subset(held)
        assert advice.margin == (np.inf if other is None else pytest.approx(other - free, abs=2e-5))


@settings(max_examples=40, deadline=None)
@given(problems)
def test_what_is_demanded_or_missing_never_makes_it_cheaper(case):
    free = replace(
        case, must={}, options=tuple(replace(o, refused=frozenset(), tools=frozenset()) for o in case.options)
    )
    bound, least = solve(formulate(case)), solve(formulate(free))
    assert bound is None or least.objective <= bound.objective + 2e-5


@settings(max_examples=40, deadline=None)
@given(problems, st.floats(1.01, 3))
def test_dearer_labour_never_adds_hours(case, factor):
    """Revealed preference: with money as it was, the choice at the dearer rate cannot hold more hours."""
    cheap, dear = (
        solve(formulate(case)),
        solve(formulate(replace(case, labour_rate=factor * (case.labour_rate or 1.0)))),
    )
    if cheap is not None:
        assert case.hours(dear.chosen) <= case.hours(cheap.chosen) + 1e-3


def test_a_choice_stopped_at_the_time_limit_says_by_how_much_it_may_be_beaten(monkeypatch):
    case = seal_and_pump(60.0)
    stopped = SimpleNamespace(x=np.zeros(3), status=1, fun=0.0, mip_dual_bound=-35.0, message="Time limit reached.")
    monkeypatch.setattr("wearlore.scope.program.milp", lambda *args, **kwargs: stopped)
    solution = solve(formulate(case))
    assert (solution.proof, solution.gap, solution.chosen) == ("BEST_FOUND", 35.0, ())
    stopped.x = None
    with pytest.raises(ScopeError, match="Time limit reached"):
        solve(formulate(case))
