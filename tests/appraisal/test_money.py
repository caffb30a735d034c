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
from wearlore.appraisal import beyond, even_price, kept_well, over_ages, renewed_saves, standard, states
from wearlore.estimate import Estimate
from wearlore.outlook import courses
from wearlore.renewal import Process, unknown_age
from wearlore.scope import Fault, follow_advice, upkeep
from wearlore.trace import Solver, Told


def care(van, seed=1):
    good = {Fault(unit.name, state.mode): 1e-9 for unit in van.units for state in unit.modes}
    return upkeep(BOOK, van, models, replace(TERMS, probable=good), rng=np.random.default_rng(seed))


@pytest.fixture(scope="module")
def one():
    return case()


def bill_of(one, *there, shown=1.0):
    names = [suspect.name for suspect in one.suspects]
    rows = np.array([[name in each for name in names] for each in there])
    consequence = {id_: mode.consequence.cost for id_, mode in TRACED.modes.items()}
    return standard(care(one.vehicle), one.suspects, rows, dict.fromkeys(names, shown), consequence)


def test_the_way_is_paid_for_once_and_companions_go_with_it(one):
    """60 an hour, 50 a visit. Seal: 5 h of gearbox, 0.5 + 0.2 h, 30 of parts. Clutch: 0.8 h, 20 of hire, 180 and the
    slave with it: 0.3 h, 5 of fluid, 60."""
    way, seal, clutch, slave = 50 + 300, 42 + 30, 48 + 20 + 180, 18 + 5 + 60
    bill = bill_of(one, (), ("seal-leaks",), ("clutch-worn",), ("seal-leaks", "clutch-worn"), ("slave-leaks",))
    together = way + seal + clutch + slave
    assert_allclose(bill.draws, [0, way + seal, way + clutch + slave, together, way + slave])
    assert bill.clear == pytest.approx(1 / 5)
    assert bill.expected == pytest.approx(bill.draws.mean())


def test_a_fault_costs_more_alone_than_beside_others(one):
    bill = bill_of(one, ("clutch-worn",), ())
    assert bill.extra["seal-leaks"] == pytest.approx((72 + 72 + 350) / 2)


def test_what_no_look_shows_brings_its_consequence(one):
    """Of the seal 40: in full where nothing shows it, half where half does."""
    full, half, none = (bill_of(one, ("seal-leaks",), shown=share).draws[0] for share in (0.0, 0.5, 1.0))
    assert (full - none, half - none) == pytest.approx((40, 20))


def test_what_a_cure_saves_later_is_at_most_its_price(one):
    bill = bill_of(one, ())
    kept = care(one.vehicle)
    place = {mode: i for i, item in enumerate(kept.renewables) for mode in item.modes}
    later = np.full(len(kept.renewables), 25.0)
    later[place["stone"]], later[place["valve-sticks"]] = 1e6, -3.0
    saves = renewed_saves(bill, kept, later, one.suspects)
    assert saves["seal-leaks"] == 25.0
    assert saves["stone"] == bill.extra["stone"]
    assert saves["valve-sticks"] == 0.0


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


def test_known_ages_make_one_run_after_another():
    van = vehicle()
    kept = care(van)
    rule = follow_advice(kept)
    found = over_ages(kept, van, rule, rounds=2, seed=3, rng=np.random.default_rng(1))
    plain = courses(kept, rule, runs=found.runs, seed=3)
    assert_allclose(found.cost, plain.cost)
    assert_allclose(found.failures, plain.failures)


def test_unknown_ages_are_met_as_often_as_is_likely(monkeypatch):
    """The ages of the valve over all sets, against the weights that the renewal equation gives them."""
    van = kept_well(vehicle())
    kept = care(van)
    met = []

    def note(aged, rule, **rest):
        met.append(next(item.age[:, 0] for item in aged.renewables if item.unit == "valve"))
        return courses(aged, rule, **rest)

    monkeypatch.setattr("wearlore.appraisal.ages.courses", note)
    over_ages(kept, van, follow_advice(kept), rounds=1, seed=3, rng=np.random.default_rng(1))
    (valve,) = (item for item in kept.renewables if item.unit == "valve")
    one = np.ones(1)
    process = Process(valve.fitted.mu[:1], valve.fitted.sigma[:1], valve.fitted.lognormal, one, one, one)
    spread = unknown_age(process, van.km, 0.0)
    for age, weight in zip(spread.age, spread.weight[0], strict=True):
        assert np.mean(np.concatenate(met) == age) == pytest.approx(weight, abs=0.008)


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
