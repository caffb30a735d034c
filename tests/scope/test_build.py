"""From book, vehicle and lives to the choice of a visit: every figure worked out by hand or by another route."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from datetime import date
from math import exp, log

import numpy as np
import pytest
from scipy.integrate import quad

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, ScopeError
from wearlore.scope import Fault, Problem, Terms, choose, problem
from wearlore.scope.build import Builder
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

from .family import BOOK, FAMILY, KM, LIVES, TERMS, KnownLife, mode, models, remedy, vehicle


def build(van: Vehicle, terms: Terms = TERMS, lives=models) -> Problem:
    return problem(BOOK, van, lives, terms, rng=np.random.default_rng(1))


def left(case: Problem, unit: str = "") -> float:
    return next(float(c.left.mean()) for c in case.candidates if unit in ("", c.name))


def after(case: Problem, remedy: str, grade: str = "original") -> float:
    return next(float(o.after.mean()) for o in case.options if (o.remedy, o.grade) == (remedy, grade))


def at_random(mode: str, revision: str, grade: str) -> KnownLife:
    return KnownLife(100e3, 1.0)


@pytest.mark.parametrize(
    ("components", "share", "later_visit"),
    [
        # alone on the vehicle every step is its own: 50 + 60 * (5 + 0.5 + 0.2) + 30 + 40
        (["seal"], 0.0, 462.0),
        # beside the slave the gearbox is shared: half of 50 + 60 * 5 stays, 60 * 0.7 + 30 + 40 is its own
        (["seal", "slave"], 0.5, 287.0),
        # with its companion: 50 + 60 * 6.1, hire 20, fluid 5, parts 180 + 60, and 100 beyond
        (["clutch", "slave"], 0.0, 781.0),
        # the gasket is spoiled on the way and bought once: 50 + 60 * 0.6 + 12 + 10
        (["gasket"], 0.0, 108.0),
        # the gasket and one of its two rings are spoiled with the pump: 50 + 60 * 1.4 + 90 + 12 + 2 * 4 + 120
        (["pump"], 0.0, 364.0),
    ],
)
def test_a_later_visit_costs_what_it_takes(components, share, later_visit):
    """At random, undiscounted, over one mean life: exactly one failure is expected, so its cost can be read off."""

    def lives(mode, revision, grade):
        scale = {"clutch-worn": 100e3, "seal-leaks": 100e3, "pump-leaks": 100e3, "gasket-leaks": 100e3}.get(mode, 1e12)
        return KnownLife(scale * (1e-3 if grade == "economy" else 1.0), 1.0)

    case = build(vehicle(*components), replace(TERMS, setup_share=share), lives)
    assert left(case, components[0]) == pytest.approx(later_visit, rel=2e-4)


def test_leaving_a_worn_unit_is_the_integral_over_its_first_failure_and_what_follows():
    case = build(vehicle("mount"), replace(TERMS, discount=0.05))
    cost, rate, life = 50 + 60 * 0.7 + 45 + 20, log(1.05) / 20e3, LIVES["mount-torn"]

    def density(s):
        x = (KM + s) / life.scale
        return life.shape / life.scale * x ** (life.shape - 1) * exp((KM / life.scale) ** 3 - x**3)

    # a second failure of a part 130,000 km long-lived within the rest of 100,000 km: its own integral
    def second(s):
        fresh = lambda t: life.shape / life.scale * (t / life.scale) ** 2 * exp(-((t / life.scale) ** 3) - rate * t)  # noqa: E731
        return cost * quad(fresh, 0, 100e3 - s)[0]

    expected = quad(lambda s: density(s) * exp(-rate * s) * (cost + second(s)), 0, 100e3)[0]
    assert left(case) == pytest.approx(expected, rel=3e-3)  # third failures are left out here
    assert case.candidates[0].chance.mean() == pytest.approx(quad(density, 0, 100e3)[0], rel=1e-6)


def test_a_mode_not_looked_at_may_be_there_already():
    looked, never = (build(vehicle("clutch", seen_good=g)) for g in (KM, 0.0))
    life = LIVES["clutch-worn"]
    alive = exp(-(((KM + 100e3) / life.scale) ** 3))
    assert never.candidates[0].chance.mean() == pytest.approx(1 - alive, rel=1e-6)
    assert looked.candidates[0].chance.mean() == pytest.approx(1 - alive * exp((KM / life.scale) ** 3), rel=1e-6)
    assert left(never) > left(looked)
    assert after(never, "clutch") == pytest.approx(after(looked, "clutch"))


def test_an_unknown_age_stands_between_the_youngest_and_the_oldest_that_it_may_be():
    unknown = build(vehicle("mount", age=None))
    chances = [float(build(vehicle("mount", age=a)).candidates[0].chance.mean()) for a in (20e3, KM)]
    assert chances[0] < unknown.candidates[0].chance.mean() < chances[1]
    assert unknown.candidates[0].age is None
    assert after(unknown, "mount") == pytest.approx(after(build(vehicle("mount")), "mount"))


def test_renewing_fits_the_newest_revision_and_rids_the_unit_of_what_only_the_old_one_has():
    case = build(vehicle("pump"))
    assert {(o.revision, o.grade) for o in case.options if o.remedy == "pump"} == {("B", "original"), ("B", "economy")}
    alone = build(vehicle("pump"), lives=lambda m, r, g: KnownLife(1e9, 1.0) if m == "pump-leaks" else models(m, r, g))
    assert left(alone) > 50
    assert after(alone, "pump") == pytest.approx(0.0, abs=0.1)


def test_the_cheap_part_is_weighed_by_its_shorter_life():
    case = build(vehicle("pump"))
    assert after(case, "pump", "economy") > after(case, "pump")
    pump = next(a for a in choose(case).advice if a.unit == "pump")
    best = min((o for o in case.options if o.remedy == "pump"), key=lambda o: o.money + o.after.mean())
    assert pump.grade == best.grade


def test_cleaning_takes_off_part_of_the_age_and_renewing_all_of_it():
    case = build(vehicle("valve"))
    assert after(case, "valve") < after(case, "valve-clean") < left(case)
    half = build(vehicle("valve", age=KM / 2))
    assert after(case, "valve-clean") == pytest.approx(left(half), rel=1e-6)


def test_a_guard_lowers_the_rate_of_what_comes_from_outside_and_cures_nothing():
    case = build(vehicle("radiator"))
    assert after(case, "radiator") == pytest.approx(left(case), rel=1e-6)  # met at random: a new one is no better
    assert after(case, "mesh") == pytest.approx(0.25 * left(case), rel=1e-3)
    must = replace(TERMS, must=frozenset({Fault("radiator", "stone")}))
    assert [a.remedy for a in choose(build(vehicle("radiator"), must)).chosen] == ["radiator"]


def test_a_fault_that_must_be_cured_brings_what_shares_its_access_and_no_other():
    scope = choose(build(vehicle(), replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}))))
    reasons = {advice.unit: advice.reason for advice in scope.chosen}
    assert reasons["seal"] == "must"
    assert reasons["clutch"] in ("pays-together", "pays-alone")
    assert reasons["slave"] == "companion"
    clutch = next(a for a in scope.advice if a.unit == "clutch")
    assert clutch.hours_shared == pytest.approx(5.0)
    assert clutch.margin > 0
    assert scope.hours < scope.hours_alone


def test_what_is_spoiled_on_the_way_is_renewed_and_paid_once():
    must = replace(TERMS, must=frozenset({Fault("pump", "pump-leaks")}), refuse=frozenset({"valve"}))
    case = build(vehicle("pump", "gasket"), replace(must, refuse=frozenset()))
    scope = choose(case)
    gasket = next(a for a in scope.advice if a.unit == "gasket")
    assert (gasket.chosen, gasket.reason, gasket.because) == (True, "spoiled", ("pump",))
    pump = next(a for a in scope.chosen if a.unit == "pump")
    price = {"original": 90, "economy": 40}[pump.grade]
    assert scope.visit_cost == pytest.approx(50 + 60 * (0.4 + 0.2 + 1.0) + price + 12 + 2 * 4)


def test_the_owners_no_leaves_an_accelerating_fault_at_work():
    leaking = ModeState("seal-leaks", KM, KM, present=True)
    kept = build(vehicle("seal", "mount", seal_leaks=leaking))
    refused = build(vehicle("seal", "mount", seal_leaks=leaking), replace(TERMS, refuse=frozenset({"seal"})))
    assert left(refused, "mount") > 1.2 * left(kept, "mount")
    assert [a.reason for a in choose(refused).advice if a.unit == "seal"] == ["refused"]


def test_a_fault_left_in_place_still_has_to_be_paid_for():
    leaking = ModeState("seal-leaks", KM, KM, present=True)
    case = build(vehicle("seal", seal_leaks=leaking))
    assert case.candidates[0].chance.mean() == 1
    assert left(case) == pytest.approx(462.0 + after(case, "seal"), rel=1e-9)


def test_a_missing_tool_puts_its_remedies_out_and_says_what_it_would_have_saved():
    old = vehicle("seal", "clutch", "slave", seen_good=0.0)
    must = replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}))
    whole, lacking = choose(build(old, must)), choose(build(old, replace(must, missing_tools=frozenset({"aligner"}))))
    assert "clutch" in {a.unit for a in whole.chosen}
    assert [(a.reason, a.because) for a in lacking.advice if a.unit == "clutch"] == [("no-tool", ("aligner",))]
    assert lacking.tools["aligner"] == pytest.approx(lacking.total - whole.total)
    with pytest.raises(ScopeError, match="clutch-worn on clutch must be cured; the tool aligner is missing"):
        choose(
            build(
                old,
                replace(must, must=frozenset({Fault("clutch", "clutch-worn")}), missing_tools=frozenset({"aligner"})),
            )
        )


def test_the_same_question_has_the_same_answer_and_equal_units_equal_ones():
    first, second = (choose(build(vehicle())) for _ in range(2))
    assert [(a.unit, a.chosen, a.margin) for a in first.advice] == [(a.unit, a.chosen, a.margin) for a in second.advice]


def test_the_advice_turns_at_the_distance_it_names():
    """Ask again with the mount's age at either side of the distance named, the others as they are."""
    must = replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}))
    advice = next(a for a in choose(build(vehicle("seal", "mount"), must)).advice if a.unit == "mount")
    assert advice.flip_age is not None

    def chosen(age: float) -> bool:
        van = vehicle("seal", "mount", mount_torn=ModeState("mount-torn", age, age))
        return next(a.chosen for a in choose(build(van, must)).advice if a.unit == "mount")

    away = np.sign(advice.flip_offset) * 3000
    assert chosen(advice.flip_age - away) == advice.chosen
    assert chosen(advice.flip_age + away) != advice.chosen


@pytest.mark.parametrize(
    ("terms", "words"),
    [
        ({"refuse": frozenset({"seel"})}, "seal"),
        ({"must": frozenset({Fault("seal", "seal-leak")})}, "seal-leaks"),
        ({"must": frozenset({Fault("gearbox", "worn")})}, "unit"),
        ({"missing_tools": frozenset({"alligner"})}, "aligner"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(terms, words):
    with pytest.raises(NameNotKnown, match=words):
        build(vehicle(), replace(TERMS, **terms))


def test_a_fault_that_nothing_cures_is_said():
    book = BOOK.model_copy(update={"remedies": {k: r for k, r in BOOK.remedies.items() if k != "mount"}})
    terms = replace(TERMS, must=frozenset({Fault("mount", "mount-torn")}))
    with pytest.raises(ScopeError, match="no remedy in the book cures mount-torn on mount"):
        problem(book, vehicle(), models, terms, rng=np.random.default_rng(1))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"horizon": 0.0}, "horizon is 0. It must be above 0"),
        ({"per_year": -1.0}, "per year is -1"),
        ({"labour_rate": float("nan")}, "labour rate is nan. It must be 0 or more"),
        ({"discount": 1.0}, "discount is 1"),
        ({"setup_share": 1.2}, "setup share is 1.2"),
    ],
)
def test_terms_that_make_no_sense_are_refused(wrong, words):
    with pytest.raises(ScopeError, match=words):
        replace(TERMS, **wrong)


def test_work_at_each_position_is_paid_at_each_and_the_way_there_once():
    data = deepcopy(FAMILY)
    data["components"]["plug"] = {"name": "Plug", "system": "S", "zone": "z", "positions": ["1", "2"]}
    data["components"]["washer"] = {"name": "Washer", "system": "S", "zone": "z", "positions": ["1", "2"]}
    data["modes"] |= {"plug-open": mode("plug"), "washer-leaks": mode("washer")}
    data["operations"]["pull-plug"] = {
        "name": "Plug",
        "hours": 0.3,
        "needs": ["cover-off"],
        "each_position": True,
        "spoils": {"washer": 1},
    }
    data["remedies"] |= {
        "plug": remedy("plug", ["plug-open"], ["pull-plug"], parts={"plug": 1}),
        "washer": remedy("washer", ["washer-leaks"], ["pull-plug"]),
    }
    data["parts"] |= {
        "plug": {"name": "Plug", "component": "plug", "offers": [{"number": "P", "price": 20}]},
        "washer": {"name": "Washer", "component": "washer", "offers": [{"number": "W", "price": 3}]},
    }
    book = Book.model_validate(data)
    units = [
        FittedUnit(component, place, "", "original", KM, (ModeState(found, KM, KM),))
        for component, found in (("plug", "plug-open"), ("washer", "washer-leaks"))
        for place in ("1", "2")
    ]
    van = Vehicle("v", "a", date(2016, 5, 1), KM, (*units, vehicle("gasket").unit("gasket")))

    def advice(*places: str):
        must = frozenset(Fault(f"plug/{place}", "plug-open") for place in places)
        no = frozenset({"plug/1", "plug/2"}) - {f"plug/{place}" for place in places}
        terms = replace(TERMS, must=must, refuse=no)
        long = lambda *key: KnownLife(1e9, 1.0)  # noqa: E731  nothing else is worth doing
        return choose(problem(book, van, long, terms, rng=np.random.default_rng(1)))

    gasket = 0.2 * 60 + 12
    one, two = advice("1"), advice("1", "2")
    assert {a.unit for a in one.chosen} == {"plug/1", "washer/1", "gasket"}
    assert one.visit_cost == pytest.approx(50 + 60 * (0.4 + 0.3) + 20 + 3 + gasket)
    assert two.visit_cost == pytest.approx(50 + 60 * (0.4 + 2 * 0.3) + 2 * (20 + 3) + gasket)


def test_pieces_of_every_position_spoiled_at_once_are_each_paid_once():
    data = deepcopy(FAMILY)
    data["components"]["washer"] = {"name": "Washer", "system": "S", "zone": "z", "positions": ["1", "2"]}
    data["modes"]["washer-leaks"] = mode("washer")
    data["operations"]["rail-off"] = {"name": "Rail off", "hours": 0.5, "spoils": {"washer": 2}}
    data["remedies"]["washer"] = remedy("washer", ["washer-leaks"], ["rail-off"])
    data["parts"]["washer"] = {"name": "Washer", "component": "washer", "offers": [{"number": "W", "price": 3}]}
    modes = (ModeState("washer-leaks", KM, KM),)
    units = tuple(FittedUnit("washer", place, "", "original", KM, modes) for place in ("1", "2"))
    van = Vehicle("v", "a", date(2016, 5, 1), KM, units)
    must = replace(TERMS, must=frozenset({Fault("washer/1", "washer-leaks")}))
    scope = choose(problem(Book.model_validate(data), van, at_random, must, rng=np.random.default_rng(1)))
    assert {a.unit for a in scope.chosen} == {"washer/1", "washer/2"}
    assert scope.visit_cost == pytest.approx(50 + 60 * 0.5 + 2 * 3)


def test_a_later_visit_holds_the_companions_of_companions():
    remedies = dict(BOOK.remedies)
    remedies["slave"] = remedies["slave"].model_copy(update={"companions": ("mount",)})
    book = BOOK.model_copy(update={"remedies": remedies})

    def lives(mode, revision, grade):
        return KnownLife(100e3 if mode == "clutch-worn" else 1e12, 1.0)

    case = problem(book, vehicle("clutch", "slave", "mount"), lives, TERMS, rng=np.random.default_rng(1))
    assert left(case, "clutch") == pytest.approx(781 + 60 * 0.7 + 45, rel=2e-4)


def test_having_lived_so_long_speaks_for_the_longer_life():
    """Two lives as likely as each other when new; at 110,000 km the shorter one has become the less likely."""
    short, long, shape = 80e3, 160e3, 3.0

    def alive(km, scale):
        return exp(-((km / scale) ** shape))

    case = build(vehicle("mount"), lives=lambda *key: KnownLife(short, shape, or_scale=long))
    weight = alive(KM, short) / (alive(KM, short) + alive(KM, long))
    fails = [1 - alive(KM + 100e3, scale) / alive(KM, scale) for scale in (short, long)]
    expected = weight * fails[0] + (1 - weight) * fails[1]
    assert case.candidates[0].chance.mean() == pytest.approx(expected, abs=abs(fails[0] - fails[1]) / 64)
    assert weight < 0.15


def test_looking_ahead_is_standing_there():
    """A hidden mode of unknown age, asked for 15,000 km on: as if the van had come in there."""

    def worth(km, at_least):
        van = vehicle("clutch", age=None, seen_good=5e3)
        unit = replace(van.units[0], at_least=at_least)
        van = replace(van, km=km, units=(unit,))
        return Builder.of(BOOK, van, models, TERMS, rng=np.random.default_rng(1)).worth(unit)

    ahead, there = worth(KM, 20e3).later(None, 15e3), worth(KM + 15e3, 35e3).later()
    np.testing.assert_allclose(ahead, there, rtol=1e-12)
