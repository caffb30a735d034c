"""Look on or act: against enumeration of all that a look may say; when to stop, and why."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace import (
    Cause,
    Edge,
    Finding,
    Look,
    Network,
    Repair,
    Sight,
    Solver,
    Stakes,
    Step,
    looking,
    next_step,
    seen,
)
from wearlore.trace.acting import best_way

from .whole import over, random_facts, random_network, table

OIL = Network(
    (Cause("seal", 0.10), Cause("sump", 0.05), Cause("cover", 0.02)),
    (
        Finding("wet below", 0.0, (Edge("seal", 0.9), Edge("sump", 0.9), Edge("wet on top", 0.8))),
        Finding("wet on top", 0.0, (Edge("cover", 0.95),)),
        Finding("bell wet", 0.01, (Edge("seal", 0.9),)),
    ),
)
FACTS = [seen("wet below")]
REPAIRS = [
    Repair("new seal", 800, ("seal",)),
    Repair("new sump seal", 200, ("sump",)),
    Repair("cover", 100, ("cover",)),
]
STAKES = Stakes({"seal": 1500.0, "sump": 1500.0, "cover": 1500.0}, per_minute=1.0, check=40.0)
BELL = Look("look into the bell", 15, (Sight("bell wet", 0.9, 0.95),))
TOP = Look("look on top", 5, (Sight("wet on top", 0.95, 0.95),))


def cheapest(whole: np.ndarray, network: Network, repairs, stakes) -> float:
    """Expected cost of the best way to act in a table of all states, not scaled to 1."""
    able = {name for repair in repairs for name in repair.cures}
    causes = [cause.name for cause in network.causes if cause.name in able]
    never = [cause.name for cause in network.causes if cause.name not in able]
    way = best_way(
        over(whole, network, causes) * whole.sum(),
        np.array([stakes.left.get(name, 0.0) for name in causes]),
        np.array([repair.cost for repair in repairs]),
        [frozenset(causes.index(name) for name in repair.cures) for repair in repairs],
        stakes.check,
    )
    return way.cost + sum(stakes.left.get(name, 0.0) * over(whole, network, [name])[1] * whole.sum() for name in never)


def saving(network: Network, facts, look, repairs, stakes) -> float:
    """Acting now less acting after each answer of the look, over all states of the network."""
    whole = table(network, facts)
    whole /= whole.sum()
    after = 0.0
    for answers in product((0, 1), repeat=len(look.sights)):
        said = whole
        for sight, answer in zip(look.sights, answers, strict=True):
            shape = [1] * whole.ndim
            shape[network.names.index(sight.about)] = 2
            right = (sight.specificity, 1 - sight.sensitivity), (1 - sight.specificity, sight.sensitivity)
            said = said * np.reshape(right[answer], shape)
        if said.sum() > 0:
            after += cheapest(said, network, repairs, stakes)
    return cheapest(whole, network, repairs, stakes) - after


@given(st.integers(0, 2**32))
def test_what_a_look_saves_agrees_with_enumeration_and_is_never_less_than_nothing(seed):
    rng = random.Random(seed)
    network = random_network(rng, causes=4, findings=4)
    facts = random_facts(rng, network)
    assume(table(network, facts).sum() > 0)
    causes = [cause.name for cause in network.causes]
    repairs = [
        Repair(f"r{i}", rng.uniform(1, 300), tuple(rng.sample(causes, rng.randint(1, min(2, len(causes))))))
        for i in range(rng.randint(1, 3))
    ]
    stakes = Stakes(
        {name: rng.uniform(0, 900) for name in causes}, rng.random(), rng.choice([0.0, 30.0]), in_question=tuple(causes)
    )
    about = rng.sample(network.names, min(2, len(network.names)))
    look = Look(
        "look", 7, tuple(Sight(name, rng.choice([1.0, rng.uniform(0.01, 1)]), rng.uniform(0.01, 1)) for name in about)
    )
    told = next_step(Solver(network), facts, [look], repairs, stakes)
    whole = table(network, facts)
    assert told.acting.cost == pytest.approx(cheapest(whole / whole.sum(), network, repairs, stakes), abs=1e-8)
    brute = saving(network, facts, look, repairs, stakes)
    assert brute > -1e-8
    assert told.worths[0].saving == pytest.approx(brute, abs=1e-8)
    assert told.worths[0].net == pytest.approx(brute - 7 * stakes.per_minute, abs=1e-8)
    assert (told.look is look) == (told.worths[0].net > 0)


def test_the_look_that_saves_most_a_minute_comes_first_with_its_reason():
    told = next_step(Solver(OIL), FACTS, [BELL, TOP], REPAIRS, STAKES)
    rate = {worth.look.name: worth.per_minute for worth in told.worths}
    assert [worth.look for worth in told.worths] == sorted((BELL, TOP), key=lambda look: -rate[look.name])
    assert told.look is told.worths[0].look
    assert told.reason.startswith(f"{told.look.name} is expected to save {told.worths[0].saving:,.2f}")
    for worth in told.worths:
        assert worth.saving == pytest.approx(saving(OIL, FACTS, worth.look, REPAIRS, STAKES), abs=1e-9)


def test_acting_now_repairs_the_cheap_together_then_checks_before_the_dear():
    acting = next_step(Solver(OIL), FACTS, [], REPAIRS, STAKES).acting
    assert acting.steps == (Step(("new sump seal", "cover"), True), Step(("new seal",), False))


@pytest.mark.parametrize(
    ("looks", "words"),
    [
        ([], "nothing left to look at"),
        ([replace(BELL, minutes=900)], "is cheaper than looking: the best look, look into"),
    ],
)
def test_it_stops_with_a_reason(looks, words):
    told = next_step(Solver(OIL), FACTS, looks, REPAIRS, STAKES)
    assert told.look is None
    assert words in told.reason


def test_a_look_that_cannot_change_what_is_done_saves_nothing():
    told = next_step(Solver(OIL), FACTS, [TOP], REPAIRS, replace(STAKES, left={}))
    assert told.worths[0].saving == 0
    assert told.acting == looking.Acting(0.0, (), ())


def test_access_counts_until_it_is_paid():
    far = replace(BELL, access_minutes=60, access_cost=35)
    open_, closed = replace(far, access_paid=True), far
    worths = next_step(Solver(OIL), FACTS, [closed, open_], REPAIRS, STAKES).worths
    assert worths[0].look is open_
    assert (worths[0].cost, worths[1].cost) == (15, 15 + 60 + 35)
    assert worths[1].per_minute == pytest.approx(worths[1].net / 75)
    assert worths[0].saving == worths[1].saving


def wide() -> tuple[Network, list[Repair], Stakes]:
    causes = tuple(Cause(f"c{i}", 0.05 + 0.02 * i) for i in range(12))
    findings = tuple(Finding(f"f{i}", 0.02, (Edge(f"c{i}", 0.9), Edge(f"c{(i + 1) % 12}", 0.4))) for i in range(12))
    stakes = Stakes({cause.name: 400.0 for cause in causes}, 1.0, 25.0, tuple(cause.name for cause in causes))
    return Network(causes, findings), [Repair(f"r{i}", 90.0, (f"c{i}",)) for i in range(11)], stakes


def test_faults_beyond_those_weighed_together_decide_each_for_itself():
    network, repairs, stakes = wide()
    solver = Solver(network)
    acting = next_step(solver, [seen("f0")], [], repairs, stakes).acting
    chance = solver.posterior([seen("f0")]).chance
    order = sorted((f"c{i}" for i in range(11)), key=lambda name: -chance[name])
    apart = order[looking.REPAIRS :]
    together = order[: looking.REPAIRS]
    best = best_way(
        solver.joint([seen("f0")], together), np.full(8, 400.0), np.full(8, 90.0), [{i} for i in range(8)], 25.0
    )
    beside = sum(min(90.0, 400 * chance[name]) for name in apart) + 400 * chance["c11"]
    assert acting.cost == pytest.approx(best.cost + beside, rel=1e-12)
    assert acting.beside == tuple(
        f"r{name[1:]}" for name in sorted(apart, key=lambda n: int(n[1:])) if 400 * chance[name] > 90
    )


def test_of_a_look_that_shows_much_the_sights_that_tell_most_are_counted():
    network, repairs, stakes = wide()
    good = tuple(Sight(name, 0.95, 0.95) for name in ("f1", "f11"))
    idle = tuple(Sight(f"f{i}", 0.5, 0.5) for i in range(3, 9))
    telling = tuple(Sight(f"f{i}", 0.9, 0.9) for i in range(1, 8))
    looks = [Look("much", 10, (*idle[:3], *good, *idle[3:])), Look("little", 10, good), Look("all", 10, telling)]
    next_ = next_step(Solver(network), [seen("f0")], looks, repairs, stakes)
    worths = {worth.look.name: worth for worth in next_.worths}
    assert len(worths["all"].sights) == looking.SIGHTS
    assert set(worths["much"].sights) == {"f1", "f11"}  # what tells nothing does not count
    assert worths["much"].saving == pytest.approx(worths["little"].saving)
    assert worths["little"].saving > 0


def test_what_the_complaint_cannot_come_from_decides_for_itself():
    network = Network(
        (*OIL.causes, Cause("chain", 0.3)), (*OIL.findings, Finding("rattle", 0.01, (Edge("chain", 0.9),)))
    )
    repairs = [*REPAIRS, Repair("new chain", 500, ("chain",))]
    stakes = replace(STAKES, left={**STAKES.left, "chain": 1600.0})
    before = next_step(Solver(OIL), FACTS, [], REPAIRS, STAKES).acting
    leave = next_step(Solver(network), FACTS, [], repairs, stakes).acting
    assert (leave.steps, leave.beside) == (before.steps, ())
    assert leave.cost == pytest.approx(before.cost + 0.3 * 1600)
    dear = replace(stakes, left={**STAKES.left, "chain": 2000.0})
    renew = next_step(Solver(network), FACTS, [], repairs, dear).acting
    assert (renew.steps, renew.beside) == (before.steps, ("new chain",))
    assert renew.cost == pytest.approx(before.cost + 500)


def test_where_there_may_be_no_fault_at_all_it_checks_before_it_repairs():
    network = Network((Cause("seal", 0.05),), (Finding("wet", 0.2, (Edge("seal", 0.9),)),))
    stakes = Stakes({"seal": 5000.0}, 1.0, 40.0)
    acting = next_step(Solver(network), [seen("wet")], [], [Repair("new seal", 800, ("seal",))], stakes).acting
    chance = 0.05 * 0.92 / (0.05 * 0.92 + 0.95 * 0.2)
    assert acting.steps == (Step((), True), Step(("new seal",), False))
    assert acting.cost == pytest.approx(40 + chance * 800)


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (lambda: Look("l", 0, ()), TraceError, "look 'l' takes no time"),
        (lambda: Sight("a", 0, 1), TraceError, "look at 'a' has sensitivity 0 and"),
        (lambda: Sight("a", 1, 1.5), TraceError, "specificity 1.5"),
        (lambda: Repair("r", -1, ()), TraceError, "repair 'r' costs -1"),
        (lambda: Stakes({"a": -1.0}, 1, 1), TraceError, "a at -1"),
        (lambda: Stakes({}, float("nan"), 1), TraceError, "a minute at nan"),
        (lambda: next_step(Solver(OIL), [], [], [Repair("r", 1, ("sael",))], STAKES), NameNotKnown, "'sael'"),
        (lambda: next_step(Solver(OIL), [], [], [], Stakes({"wet below": 1}, 1, 1)), NameNotKnown, "'wet below'"),
        (lambda: next_step(Solver(OIL), [], [], [], Stakes({}, 1, 1, ("sael",))), NameNotKnown, "'sael'"),
        (
            lambda: next_step(Solver(OIL), [], [Look("l", 1, (Sight("sael", 1, 1),))], REPAIRS, STAKES),
            NameNotKnown,
            "'sael'",
        ),
    ],
)
def test_what_cannot_be_is_refused(make, error, words):
    with pytest.raises(error, match=words):
        make()
