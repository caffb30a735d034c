"""To standard, over the ages that units may have, and the even price: against sums by hand and other routes."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm

from tests.scope.family import BOOK, TERMS, models, vehicle
from tests.trace.family import BOOK as TRACED
from tests.trace.family import case
from wearlore.appraisal import Bills, beyond, even_price, kept_well, over_ages, standard, states
from wearlore.estimate import Estimate
from wearlore.outlook import courses
from wearlore.outlook.improve import learn_share
from wearlore.renewal import Process, unknown_age
from wearlore.scope import Fault, follow_advice, upkeep
from wearlore.trace import Solver, Told


def judged(van):
    return {Fault(unit.name, state.mode): 1e-9 for unit in van.units for state in unit.modes}


def care(van, seed=1):
    return upkeep(BOOK, van, models, replace(TERMS, probable=judged(van)), rng=np.random.default_rng(seed))


def aged(unit, km):
    return replace(unit, at_least=km, modes=tuple(replace(s, age=km, seen_good=km) for s in unit.modes))


@pytest.fixture(scope="module")
def one():
    return case()


def bill_of(one, *there, shown=1.0, saves=0.0):
    names = [suspect.name for suspect in one.suspects]
    rows = np.array([[name in each for name in names] for each in there])
    consequence = {id_: mode.consequence.cost for id_, mode in TRACED.modes.items()}
    kept = care(one.vehicle)
    later = np.full(len(kept.renewables), saves) if np.isscalar(saves) else saves
    return standard(Bills(kept, later, one.suspects), rows, dict.fromkeys(names, shown), consequence)


WAY, SEAL, CLUTCH, SLAVE = 50 + 300, 42 + 30, 48 + 20 + 180, 18 + 5 + 60


def test_the_way_is_paid_for_once_and_companions_go_with_it(one):
    """60 an hour, 50 a visit, 5 h of gearbox. Seal: 0.5 + 0.2 h, 30 of parts. Clutch: 0.8 h, 20 of hire, 180 and the
    slave with it: 0.3 h, 5 of fluid, 60."""
    bill = bill_of(one, (), ("seal-leaks",), ("clutch-worn",), ("seal-leaks", "clutch-worn"), ("slave-leaks",))
    together = WAY + SEAL + CLUTCH + SLAVE
    expected = [0, WAY + SEAL, WAY + CLUTCH + SLAVE, together, WAY + SLAVE]
    assert_allclose(bill.bill, expected)
    assert_allclose(bill.beyond, expected)  # nothing is saved later
    assert bill.clear == pytest.approx(1 / 5)
    assert bill.alone["clutch-worn"] == pytest.approx(WAY + CLUTCH + SLAVE)
    assert bill.anyway == frozenset()


def test_a_fault_costs_more_alone_than_beside_others(one):
    bill = bill_of(one, ("clutch-worn",), ())
    assert bill.costs["seal-leaks"] == pytest.approx((SEAL + WAY + SEAL) / 2)


def test_what_no_look_shows_brings_its_consequence(one):
    """Of the seal 40: in full where nothing shows it, half where half does."""
    full, half, none = (bill_of(one, ("seal-leaks",), shown=share).beyond[0] for share in (0.0, 0.5, 1.0))
    assert (full - none, half - none) == pytest.approx((40, 20))


def test_what_a_new_piece_saves_later_comes_off(one):
    bill = bill_of(one, ("seal-leaks",), saves=25.0)
    assert bill.beyond[0] == pytest.approx(WAY + SEAL - 25)
    assert bill.bill[0] == pytest.approx(WAY + SEAL)


def test_what_is_renewed_anyway_costs_nothing_when_it_is_there(one):
    """A seal that saves 1000 is renewed with the gearbox out; a slave fault then adds itself alone."""
    kept = care(one.vehicle)
    place = {mode: i for i, item in enumerate(kept.renewables) for mode in item.modes}
    saves = np.zeros(len(kept.renewables))
    saves[place["seal-leaks"]] = 1000.0
    bill = bill_of(one, (), ("seal-leaks",), ("slave-leaks",), saves=saves)
    assert bill.anyway == {"seal-leaks"}
    assert_allclose(bill.beyond, [0, 0, SLAVE])
    assert bill.costs["seal-leaks"] == pytest.approx(0)


@pytest.mark.parametrize("km", [60e3, 110e3])
def test_what_is_added_is_what_simulating_the_found_fault_adds(one, km):
    """The advice followed with the fault found, and with nothing there, on the same luck; bills are 80 to 681."""
    van = replace(one.vehicle, km=km, units=tuple(aged(unit, km) for unit in one.vehicle.units))
    good = care(van)
    rule = learn_share(good, seed=5)[1]
    assert rule.savings is not None
    base = courses(good, rule, runs=2000, seed=3).cost
    names, free = [suspect.name for suspect in one.suspects], dict.fromkeys(BOOK.modes, 0.0)
    for suspect in one.suspects:
        probable = {fault: chance for fault, chance in judged(van).items() if fault.mode != suspect.mode}
        terms = replace(TERMS, probable=probable, must=frozenset({Fault(suspect.unit, suspect.mode)}))
        ill = upkeep(BOOK, van, models, terms, rng=np.random.default_rng(1))
        more = courses(ill, rule, runs=2000, seed=3).cost - base
        row = np.array([[name == suspect.name for name in names]])
        bill = standard(Bills(good, rule.savings.unseen, one.suspects), row, dict.fromkeys(names, 1.0), free)
        assert bill.beyond[0] == pytest.approx(more.mean(), abs=75), suspect.name


def test_what_is_there_is_drawn_as_it_hangs_together(one):
    """Oil at the back without any on top speaks for seal or gasket: one explains the other away."""
    solver, facts = Solver(one.network), one.facts([Told("oil-sump")])
    names = [suspect.name for suspect in one.suspects]
    drawn = states(solver, facts, names, 40_000, rng=np.random.default_rng(5))
    chance = solver.posterior(facts).chance
    assert_allclose(drawn.mean(axis=0), [chance[name] for name in names], atol=0.012)
    pair = ["seal-leaks", "gasket-leaks"]
    joint = solver.joint(facts, pair)
    for state in product((0, 1), repeat=2):
        share = np.all([drawn[:, names.index(n)] == s for n, s in zip(pair, state, strict=True)], axis=0).mean()
        assert share == pytest.approx(joint[state], abs=0.012)
    assert abs(joint[1, 1] - chance[pair[0]] * chance[pair[1]]) > 0.02


@pytest.mark.parametrize("known", [False, True])
def test_ages_on_record_make_one_run_after_another(known):
    van = vehicle()
    kept = care(van)
    found = over_ages(kept, van, follow_advice, known=known, rounds=2, seed=3, rng=np.random.default_rng(1))
    plain = courses(kept, follow_advice(kept), runs=found.runs, seed=3)
    assert_allclose(found.cost, plain.cost)
    assert_allclose(found.failures, plain.failures)


@pytest.mark.parametrize("known", [False, True])
def test_unknown_ages_are_met_as_often_as_is_likely(monkeypatch, known):
    """The ages of the valve over all sets, against the weights that the renewal equation gives them."""
    van = kept_well(vehicle())
    kept = care(van)
    met, advised = [], []

    def note(aged, rule, **rest):
        met.append(next(item.age[:, 0] for item in aged.renewables if item.unit == "valve"))
        return courses(aged, rule, **rest)

    def advise(aged):
        advised.append(aged)
        return follow_advice(aged)

    monkeypatch.setattr("wearlore.appraisal.ages.courses", note)
    over_ages(kept, van, advise, known=known, rounds=1, seed=3, rng=np.random.default_rng(1))
    assert len(advised) == (len(met) if known else 1)
    assert not known or all(np.ptp(ages) == 0 for ages in met)
    (valve,) = (item for item in kept.renewables if item.unit == "valve")
    one = np.ones(1)
    process = Process(valve.fitted.mu[:1], valve.fitted.sigma[:1], valve.fitted.lognormal, one, one, one)
    spread = unknown_age(process, van.km, 0.0)
    order = np.argsort(spread.age)
    ages = np.concatenate(met)
    for age, below in zip(spread.age[order], np.cumsum(spread.weight[0][order]), strict=True):
        assert np.mean(ages <= age) == pytest.approx(below, abs=1 / 16 if known else 0.01)


def test_even_price_by_hand():
    """9000 less 600 more; both intervals 2 sd each side; nothing open of what is there."""
    told = even_price(Estimate(9e3, 8.7e3, 9.3e3), Estimate(600.0, 200.0, 1000.0), np.array([5.0]), 8e3)
    assert (told.even.value, told.even.low, told.even.high) == pytest.approx((8400, 7900, 8900))
    sd = 500 / 1.959963984540054
    assert told.sure == pytest.approx(norm.cdf(400 / sd))
    assert told.offer == pytest.approx(8400 - norm.ppf(0.9) * sd, abs=0.1)


def test_what_may_be_there_lowers_the_offer_and_not_the_even_price():
    sharp, more = Estimate(9e3, 9e3, 9e3), Estimate(0.0, 0.0, 0.0)
    there = np.repeat([0.0, 1000.0], [80, 20])  # mean 200
    told = even_price(sharp, more, there, 9_100.0)
    assert told.even.value == 9e3
    assert told.offer == pytest.approx(8_200, abs=0.1)  # with one chance in five it is worth 1000 less than else
    assert told.sure == pytest.approx(0.8)  # 9200 with the other four


@given(st.floats(100, 2e4), st.floats(1.01, 2.0))
def test_the_dearer_the_less_sure(price, factor):
    rng = np.random.default_rng(1)
    there = rng.gamma(2.0, 300.0, 50)
    cheap, dear = (
        even_price(Estimate(9e3, 8e3, 1e4), Estimate(500.0, 300.0, 900.0), there, at) for at in (price, price * factor)
    )
    assert cheap.sure >= dear.sure
    assert cheap.offer == dear.offer
    assert cheap.offer < cheap.even.value


def test_beyond_sets_the_luck_of_runs_apart_from_what_is_not_known():
    """Sixty-four draws with a spread of 100 between them, runs with one of 1000 about these: the interval is of the
    100, with the error of the mean of all runs."""
    rng = np.random.default_rng(11)
    draws, runs = 64, 400
    per_draw = 100 * norm.ppf((np.arange(draws) + 0.5) / draws)
    luck = rng.normal(0, 1000, (runs, draws))
    base = rng.normal(8000, 3000, (runs, draws))  # the same luck on both
    here, there = (base + luck + per_draw + 250).ravel(), base.ravel()
    found = beyond(here, there, draws, np.zeros(draws))
    assert found.value == pytest.approx((here - there).mean())
    assert found.value == pytest.approx(250, abs=20)
    assert found.high - found.value == pytest.approx(196, rel=0.25)
    only_luck = beyond((base + luck).ravel(), there, draws, np.zeros(draws))
    assert only_luck.high - only_luck.low < 0.35 * (found.high - found.low)


def test_beyond_carries_what_is_not_known_of_what_is_there_now():
    shifts = np.linspace(0, 900, 64)
    flat = np.zeros(64 * 4)
    found = beyond(flat, flat, 64, shifts)
    assert found.value == 0
    assert (found.low, found.high) == pytest.approx((-0.95 * 450, 0.95 * 450), rel=0.01)
