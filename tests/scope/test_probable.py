"""A fault of which it is not certain whether it is there: weighed by its chance, exactly."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product
from math import exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from wearlore import outlook
from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, ScopeError
from wearlore.renewal import there_now
from wearlore.renewal.decision import decide
from wearlore.renewal.upkeep import Moment, Rule, Upkeep, savings
from wearlore.scope import Fault, Problem, Terms, choose, follow_advice, problem, upkeep
from wearlore.vehicle import ModeState, Vehicle

from .family import BOOK, KM, LIVES, TERMS, models, vehicle
from .test_demo_family import van

SEAL, CLUTCH, MOUNT = Fault("seal", "seal-leaks"), Fault("clutch", "clutch-worn"), Fault("mount", "mount-torn")
LEAKS, CRACKS = Fault("pump", "pump-leaks"), Fault("pump", "pump-cracks")
CHANCES = st.floats(1e-3, 1 - 1e-3)
PUMP = BOOK.parts["pump"]
ONE_GRADE = BOOK.model_copy(  # so that the same pump cures both of its modes
    update={"parts": {**BOOK.parts, "pump": PUMP.model_copy(update={"offers": PUMP.offers[:2]})}}
)
FAULTS = [SEAL, CLUTCH, MOUNT, LEAKS, CRACKS, Fault("valve", "valve-sticks"), Fault("radiator", "stone")]


def build(vehicle: Vehicle, terms: Terms = TERMS, book: Book = BOOK) -> Problem:
    return problem(book, vehicle, models, terms, rng=np.random.default_rng(1))


def probable(chances: dict[Fault, float], terms: Terms = TERMS) -> Terms:
    return replace(terms, probable=chances)


def known(states: dict[Fault, bool], *components: str, age: float = KM, seen_good: float | None = None) -> Vehicle:
    """Each fault found (last seen absent at ``seen_good``), or looked at and absent."""
    last = age if seen_good is None else seen_good
    said = {
        fault.mode.replace("-", "_"): ModeState(fault.mode, age, last if there else age, present=there)
        for fault, there in states.items()
    }
    return vehicle(*components, age=age, seen_good=seen_good, **said)


def figures(case: Problem) -> np.ndarray:
    """All that the choice rests on: every unit left, the chance of needing a cure, and after each option."""
    of_units = [figure.mean() for unit in case.candidates for figure in (unit.left, unit.chance)]
    return np.array([*of_units, *(option.after.mean() for option in case.options)])


# what is expected ----------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.floats(0, 1e4), st.floats(0, 1)), max_size=5))
def test_the_dearest_of_the_modes_that_are_there_is_paid_once(modes):
    cost, chance = np.array([c for c, _ in modes]), np.array([p for _, p in modes])
    expected, none = 0.0, 0.0
    for there in product([False, True], repeat=len(modes)):
        weight = np.prod([p if on else 1 - p for on, p in zip(there, chance, strict=True)])
        expected += weight * max((c for on, c in zip(there, cost, strict=True) if on), default=0.0)
        none += 0.0 if any(there) else weight
    assert there_now(cost, chance) == (pytest.approx(expected, abs=1e-9), pytest.approx(none, abs=1e-12))


def test_what_is_certain_is_counted_to_the_last_bit():
    cost = np.array([0.1, 0.7, 0.3])
    assert there_now(cost, np.array([1.0, 0.0, 1.0])) == (0.3, 0.0)
    assert there_now(cost, np.zeros(3)) == (0.0, 1.0)


@given(
    fault=st.sampled_from(FAULTS),
    chance=CHANCES,
    age=st.floats(1e3, 3e5),
    seen=st.floats(0, 1),
    discount=st.floats(0, 0.1),
    share=st.floats(0, 0.9),
)
@settings(deadline=None, max_examples=60)
def test_a_chance_lies_between_there_and_not_there(fault, chance, age, seen, discount, share):
    """Every figure, left and after each remedy, is linear in the chance; absent means known to be so."""
    terms = replace(TERMS, discount=discount, setup_share=share)
    at = {"age": age, "seen_good": seen * age}
    there, absent = (figures(build(known({fault: is_there}, **at), terms)) for is_there in (True, False))
    found = figures(build(vehicle(**at), probable({fault: chance}, terms)))
    assert_allclose(found, chance * there + (1 - chance) * absent, rtol=1e-9, atol=1e-9)


@given(first=CHANCES, second=CHANCES, age=st.floats(1e4, 3e5))
@settings(deadline=None, max_examples=20)
def test_two_modes_that_one_cure_renews_are_weighed_over_all_four_ways(first, second, age):
    def case(vehicle, terms=TERMS):
        case = build(vehicle, terms, ONE_GRADE)
        assert {o.grade for o in case.options} == {"original"}
        return case

    expected = sum(
        (first if leaks else 1 - first)
        * (second if cracks else 1 - second)
        * figures(case(known({LEAKS: leaks, CRACKS: cracks}, "pump", "gasket", age=age)))
        for leaks, cracks in product([False, True], repeat=2)
    )
    found = figures(case(vehicle("pump", "gasket", age=age), probable({LEAKS: first, CRACKS: second})))
    assert_allclose(found, expected, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.mode)
def test_the_limits_are_what_is_known(fault):
    at = {"seen_good": 40e3}
    for chance, there in ((1e-10, False), (1 - 1e-10, True)):
        found = figures(build(vehicle(**at), probable({fault: chance})))
        assert_allclose(found, figures(build(known({fault: there}, **at))), rtol=1e-6, atol=1e-5)


def test_one_mode_may_be_certain_and_the_other_probable():
    """The unit needs its cure anyhow; the crack is the dearer one by 180."""
    certain = replace(TERMS, must=frozenset({LEAKS}))

    def left(terms):
        return build(vehicle("pump", "gasket"), terms, ONE_GRADE).candidates[0].left.mean()

    assert left(probable({CRACKS: 0.25}, certain)) - left(certain) == pytest.approx(0.25 * 180)


def test_a_chance_stands_before_what_the_records_hold():
    found = vehicle(seal_leaks=ModeState("seal-leaks", KM, KM, present=True))
    said = probable({SEAL: 0.3})
    assert_allclose(figures(build(found, said)), figures(build(vehicle(), said)))


def test_a_probable_fault_that_the_owner_will_not_have_cured_ages_others_by_its_chance():
    def mount(terms):
        return build(vehicle("seal", "mount"), replace(terms, refuse=frozenset({"seal"}))).candidates[1].chance.mean()

    life, speed = LIVES["mount-torn"], 1 + 0.5 * (2.0 - 1)  # the seal's leak ages it twice as fast
    aged = exp((KM / life.scale) ** 3 - ((KM + speed * 100e3) / life.scale) ** 3)
    assert mount(probable({SEAL: 0.5})) == pytest.approx(1 - aged, rel=1e-9)


# what is advised -----------------------------------------------------------------------------------------------------


@given(fault=st.sampled_from(FAULTS), age=st.floats(2e4, 2.5e5), must=st.sampled_from([None, *FAULTS]))
@settings(deadline=None, max_examples=25)
def test_a_greater_chance_never_speaks_against_doing(fault, age, must):
    terms = replace(TERMS, must=frozenset({must} - {None, fault}))
    speaks = []
    for chance in (0.02, 0.3, 0.6, 0.98):
        case = build(vehicle(age=age, seen_good=0.5 * age), probable({fault: chance}, terms))
        advice = next(a for a in choose(case).advice if a.unit == fault.unit)
        speaks.append(advice.margin if advice.chosen else -advice.margin)
    assert all(later >= sooner - 1e-6 for sooner, later in pairwise(speaks))


@pytest.mark.parametrize(
    ("fault", "leave"),
    [(("radiator-stone", "radiator"), True), (("high-pressure-pump-wear", "high-pressure-pump"), True)],
    ids=lambda fault: fault[0] if isinstance(fault, tuple) else "",
)
def test_an_unlikely_fault_is_left_and_a_likely_one_cured(book, judged, fault, leave):
    vehicle = van(book, "m118", known=True)

    def advice(chance):
        terms = replace(Terms.of(book.economics), probable={Fault(fault[1], fault[0]): chance})
        case = problem(book, vehicle, lambda mode, r, g: judged[mode], terms, rng=np.random.default_rng(1))
        return next(a for a in choose(case).advice if a.unit == fault[1])

    unlikely, likely = advice(0.1), advice(0.9)
    assert (unlikely.chosen, unlikely.reason, unlikely.flip_offset) == (not leave, "doubtful", None)
    assert (likely.chosen, likely.flip_offset) == (leave, None)
    assert unlikely.margin > 30
    assert likely.margin > 30
    assert unlikely.chance.value < likely.chance.value
    assert likely.chance.value > 0.9


def test_no_remedy_is_demanded_of_a_probable_fault():
    """It will cost what it does, 20 beyond a cure, once, and nothing can be done about it."""
    remedies = {name: remedy for name, remedy in BOOK.remedies.items() if name != "mount"}
    bare = BOOK.model_copy(update={"remedies": remedies})
    case = problem(bare, vehicle("mount"), models, probable({MOUNT: 1 - 1e-9}), rng=np.random.default_rng(1))
    assert case.candidates[0].left.mean() == pytest.approx(20.0, rel=1e-6)
    assert choose(case).advice[0].reason == "no-remedy"


@pytest.mark.parametrize("chance", [0.0, 1.0, -0.2, 1.2, float("nan")])
def test_a_chance_lies_above_0_and_below_1(chance):
    with pytest.raises(ScopeError, match=r"the chance of seal-leaks on seal is .*above 0 and below 1.*--fault"):
        probable({SEAL: chance})


def test_a_fault_is_to_be_cured_or_probable():
    with pytest.raises(ScopeError, match=r"seal-leaks on seal is to be cured and also only probable\. Say one"):
        probable({SEAL: 0.5}, replace(TERMS, must=frozenset({SEAL})))


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault("seal", "seal-leak"), "seal-leaks"),
        (Fault("seel", "seal-leaks"), "seal"),
        (Fault("pump", "pump-cracks"), "pump-leaks"),  # the pump fitted is of the revision that no longer cracks
    ],
)
def test_names_that_do_not_exist_are_refused(fault, words):
    pump = vehicle("pump").units[0]
    units = (vehicle("seal").units[0], replace(pump, revision="B", modes=pump.modes[:1]))
    with pytest.raises(NameNotKnown, match=words):
        build(replace(vehicle(), units=units), probable({fault: 0.5}))


# what is simulated ---------------------------------------------------------------------------------------------------

RUNS = 20_000


def kept(vehicle: Vehicle, terms: Terms, book: Book = BOOK) -> Upkeep:
    return upkeep(book, vehicle, models, terms, rng=np.random.default_rng(1))


def failed_by(care: Upkeep, km: float, runs: int = RUNS) -> np.ndarray:
    """Which modes have failed by so far, (runs, modes)."""
    end = np.full(runs, max(km, 1e-6))
    return outlook.courses(care, Rule("failed"), runs=runs, seed=2, end=end).failures > 0


def simulated(care: Upkeep, runs: int = 400) -> dict:
    policies = {"advice": follow_advice, "failed": outlook.only_failed, "reach": outlook.all_in_reach}
    return outlook.simulate([care], policies, runs=runs, rng=np.random.default_rng(2)).policies


@pytest.mark.parametrize("chance", [0.2, 0.7])
def test_so_many_have_failed_already_and_the_others_live_on(chance):
    """The clutch was never looked at: of those not there the life starts at its age, known to be good."""
    care = kept(vehicle("clutch", seen_good=0.0), probable({CLUTCH: chance}))
    now = failed_by(care, 0.0)[:, 0]
    assert now.mean() == pytest.approx(chance, abs=4 * np.sqrt(chance * (1 - chance) / RUNS))
    given = LIVES["clutch-worn"]
    for km in (5e3, 20e3, 60e3):
        on = failed_by(care, km)[~now, 0]
        expected = 1 - exp((KM / given.scale) ** 3 - ((KM + km) / given.scale) ** 3)
        assert on.mean() == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / on.size))


def test_of_two_that_are_there_the_dearest_is_met():
    care = kept(vehicle("pump"), probable({LEAKS: 0.6, CRACKS: 0.5}), ONE_GRADE)
    there = failed_by(care, 0.0)
    assert there.any(axis=1).mean() == pytest.approx(0.8, abs=0.015)
    assert there[:, care.renewables[0].modes.index("pump-cracks")].mean() == pytest.approx(0.5, abs=0.015)


def test_rivals_meet_the_same_luck():
    """A greater chance makes some fail now that lived before, and moves nothing of any other unit."""
    cares = [kept(vehicle("seal", "mount"), probable({SEAL: chance})) for chance in (0.2, 0.6)]
    for km in (0.0, 30e3):
        few, many = (failed_by(care, km, 500) for care in cares)
        assert (many[:, 0] >= few[:, 0]).all()
        np.testing.assert_array_equal(few[:, 1], many[:, 1])
    assert many[:, 0].sum() > few[:, 0].sum()


@pytest.mark.parametrize("fault", [MOUNT, Fault("slave", "slave-leaks")], ids=lambda fault: fault.mode)
@pytest.mark.parametrize("chance", [0.15, 0.8])
def test_leaving_costs_in_simulation_what_the_scope_says(fault, chance):
    van, terms = vehicle(fault.unit), probable({fault: chance}, replace(TERMS, discount=0.04))
    care = kept(van, terms)
    found = simulated(care, 50_000)["failed"].cost
    assert found.low - 1 < build(van, terms).candidates[0].left.mean() < found.high + 1
    assert found.high - found.low < 0.04 * found.value


def ten_km(chances: dict[Fault, float], *components: str, **terms: object) -> Upkeep:
    """Nothing but what is there now can happen in so short a span; the leaking seal brings the van in."""
    said = {"horizon": 10.0, "must": frozenset({SEAL})} | terms
    return kept(vehicle(*components), probable(chances, replace(TERMS, **said)))


def test_what_is_renewed_now_does_not_fail_and_what_is_left_comes_back_at_once():
    """The slave lies behind the same gearbox: renewed with the seal it adds 60 * 0.3 + 5 + 60 to the visit; left, it
    brings the van in again for 50 + 60 * 5.3 + 5 + 60, and 150 beyond."""
    care = ten_km({Fault("slave", "slave-leaks"): 0.5}, "seal", "slave")
    found = simulated(care)
    there = found["failed"].visits - 1
    assert there == pytest.approx(0.5, abs=0.1)
    seal = 50 + 60 * 5.7 + 30
    assert found["failed"].cost.value == pytest.approx(seal + there * (50 + 60 * 5.3 + 65 + 150))
    for name in ("advice", "reach"):
        assert found[name].cost.value == pytest.approx(seal + 60 * 0.3 + 65)
        assert found[name].visits == 1


@pytest.mark.parametrize("fixed", [50.0, 0.0])
def test_a_fault_that_is_only_probable_is_reason_enough_for_a_visit(fixed):
    """The advice renews, for 60 * 5.3 + 5 + 60, before it is met; the habits wait until it is, for 150 beyond."""
    care = ten_km({Fault("slave", "slave-leaks"): 0.9}, "slave", must=frozenset(), visit_fixed=fixed)
    found = simulated(care)
    there, renewing = found["failed"].visits, fixed + 60 * 5.3 + 65
    assert there == pytest.approx(0.9, abs=0.06)
    assert (found["advice"].visits, found["advice"].cost.value) == (1, pytest.approx(renewing))
    for name in ("failed", "reach"):
        assert found[name].visits == pytest.approx(there)
        assert found[name].cost.value == pytest.approx(there * (renewing + 150))


def test_the_policy_weighs_now_what_the_scope_weighs():
    """And at a later visit, at the same distance even, what has not shown itself is known to be good."""
    chances = {Fault("slave", "slave-leaks"): 0.5, MOUNT: 0.02}
    terms = probable(chances, replace(TERMS, must=frozenset({SEAL})))
    van = vehicle("seal", "slave", "mount")
    care, case = kept(van, terms), build(van, terms)
    table = savings(care)
    place = {item.unit: n for n, item in enumerate(care.renewables)}
    for unit in ("slave", "mount"):
        option = next(o for o, option in enumerate(case.options) if option.remedy == unit)
        assert table.unseen[place[unit]] == pytest.approx(case.saving(option), rel=1e-6)
    absent = build(known(dict.fromkeys(chances, False), "seal", "slave", "mount"), replace(terms, probable={}))
    good = table.at(np.zeros(3), TERMS.horizon, np.ones(3, bool))
    for unit in ("slave", "mount"):
        option = next(o for o, option in enumerate(absent.options) if option.remedy == unit)
        assert good[place[unit]] == pytest.approx(absent.saving(option), rel=1e-6)

    short = ten_km({Fault("slave", "slave-leaks"): 0.9}, "seal", "slave", "mount")
    at = {item.unit: n for n, item in enumerate(short.renewables)}
    seal, slave, mount = at["seal"], at["slave"], at["mount"]
    rule, start = follow_advice(short), np.zeros(3)
    first = decide(short, rule, Moment(np.arange(3) == seal, start, np.ones(3, bool), 10.0))
    assert first[[seal, slave, mount]].tolist() == [True, True, False]
    second = decide(short, rule, Moment(np.arange(3) == mount, start, np.arange(3) != seal, 10.0))
    assert second[[seal, slave, mount]].tolist() == [False, False, True]
