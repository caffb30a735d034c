"""The lower bound: below every rule that can be simulated and below exact optima, close where it must be close."""

from __future__ import annotations

from dataclasses import replace
from math import log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlore.estimate import Estimate
from wearlore.outlook import Courses, courses, mean_of
from wearlore.outlook.bound import ZONES, Bound, _charges, _covered, best_possible, bound_at, visit_cost
from wearlore.outlook.improve import SHARES, learn_share
from wearlore.renewal import Process, Span, worth_new
from wearlore.renewal.decision import wiring
from wearlore.renewal.upkeep import Renewable, Rule, Schedule, Upkeep, savings
from wearlore.scope import Fault, follow_advice, upkeep

from .family import BOOK, TERMS, models, vehicle
from .test_optimum import Trio, optimum, trios

RUNS = 1024
FAR = 4.0  # standard errors by which chance may put the mean of courses below what they cannot fall below


def life(scale, shape, lognormal=False):
    """One mode, its parameters as likely to be either of two."""
    mu, sigma = np.log([[0.9 * scale], [1.1 * scale]]), np.full((2, 1), 1 / shape)
    return Process(mu, sigma, np.array([lognormal]), np.zeros(1), np.ones(1), np.ones(1))


def unit(number, span, needs, *, fresh, fitted=None, money=100.0, beyond=0.0, age=0.0, seen=None, **rest):
    """A renewable of one mode; ``rest``: start, present, lead (km, sigma), hidden."""
    age = np.full((2, 1), float(age))
    start = np.array([float(rest.get("start", 0.0))])
    priced = replace(fresh, cost=np.array([money + 300.0 + beyond]))
    return Renewable(
        f"u{number}",
        ("m",),
        "renew",
        replace(fitted or fresh, cost=priced.cost),
        priced,
        np.array([float(beyond)]),
        age,
        age if seen is None else np.full((2, 1), float(seen)),
        start,
        worth_new(priced, start, span),
        money,
        frozenset(needs),
        np.array([float(rest.get("present", 0.0))]),
        np.array([rest.get("lead", (0.0, 0.0))], float),
        np.array([bool(rest.get("hidden", False))]),
        np.zeros(1),
        np.zeros(1, bool),
    )


def whole(units, price, span, brings=()):
    mask = np.zeros((len(units), len(units)), bool)
    for i, j in brings:
        mask[i, j] = True
    return Upkeep(tuple(units), price, dict(price), mask, span)


def standard_error(made: Courses) -> float:
    return float(made.cost.std(ddof=1) / np.sqrt(made.runs))


def rules_for(care: Upkeep, rng: np.random.Generator):
    """The habits, the advice with several shares, and renewals planned by age."""
    yield Rule("failed")
    yield Rule("reach")
    for share in SHARES[::2]:
        yield learn_share(care, seed=1, runs=2, shares=(share,))[1]
    ages = rng.uniform(0.3, 1.5, len(care.renewables)) * 100e3
    yield Rule("failed", None, Schedule(20e3, 10e3, ages))
    yield Rule("worth", savings(care), Schedule(15e3, 5e3, ages * 1.5))


@st.composite
def vehicles(draw):
    """A few units that share steps, with every kind of life and knowledge that a vehicle can have."""
    span = Span(draw(st.sampled_from([60e3, 150e3])), draw(st.sampled_from([0.0, 2e-6])), 60)
    steps = {"visit": 80.0, "gearbox": 400.0, "cover": 120.0, "drain": 60.0}
    units = []
    for number in range(draw(st.integers(1, 5))):
        shape = draw(st.sampled_from([0.8, 1.5, 3.0, 5.0]))
        fresh = life(draw(st.floats(30e3, 300e3)), shape, draw(st.booleans()))
        hidden = draw(st.booleans())
        age = draw(st.floats(0, 150e3))
        units.append(
            unit(
                number,
                span,
                {"visit", *draw(st.sets(st.sampled_from(["gearbox", "cover", "drain"])))},
                fresh=fresh,
                money=draw(st.floats(5, 500)),
                beyond=draw(st.sampled_from([0.0, 50.0, 800.0])),
                age=age,
                seen=draw(st.floats(0, 1)) * age if hidden else age,
                start=draw(st.sampled_from([0.0, 0.0, 30e3])),
                present=draw(st.sampled_from([0.0, 0.0, 0.0, 0.4, 1.0])),
                lead=draw(st.sampled_from([(0.0, 0.0), (8e3, 0.5)])),
                hidden=hidden,
            )
        )
    brings = [(0, 1)] if len(units) > 1 and draw(st.booleans()) else []
    return whole(units, steps, span, brings)


@settings(max_examples=8)
@given(vehicles(), st.integers(0, 2**32))
def test_no_rule_falls_below_the_bound(care, seed):
    """Breaks if a price is paid twice or a charge is too high, or if cells, leads, or faults there already are not on
    the safe side."""
    bound = best_possible(care, rounds=30).cost
    for rule in rules_for(care, np.random.default_rng(seed)):
        made = courses(care, rule, runs=RUNS, seed=seed)
        assert bound <= made.cost.mean() + FAR * standard_error(made) + 1e-6


@settings(max_examples=12)
@given(vehicles(), st.integers(0, 2**32))
def test_whatever_the_prices_the_bound_holds(care, seed):
    rng = np.random.default_rng(seed)
    prices = rng.uniform(0, 900, (len(care.renewables), ZONES.size))
    bound = bound_at(care, prices).cost
    made = courses(care, follow_advice(care), runs=RUNS, seed=seed)
    assert bound <= made.cost.mean() + FAR * standard_error(made) + 1e-6
    assert bound <= best_possible(care, rounds=120).cost * 1.02 + 1  # the search finds no worse than a guess


@settings(max_examples=25)
@given(vehicles(), st.integers(0, 2**32))
def test_in_no_visit_the_units_pay_more_than_it_costs(care, seed):
    """All that the bound rests on, over every set that a visit can renew, whichever of it failed."""
    wired, n = wiring(care), len(care.renewables)
    along = _covered(wired, np.random.default_rng(seed).uniform(0, 600, (n, 2)))
    charge, _ = _charges(wired, along)
    tight = np.full((n, 2), np.inf)
    for number in range(1, 2**n):
        done = np.array([bool(number >> i & 1) for i in range(n)])
        if care.brings[done].any(axis=0)[~done].any():
            continue  # not closed
        left = visit_cost(wired, done) - along[done].sum(axis=0)
        assert (left >= -1e-6).all()
        for j in np.flatnonzero(done):
            spare = left + along[j] - charge[j]
            assert (spare >= -1e-6).all()
            tight[j] = np.minimum(tight[j], spare)
    assert tight.max() < 1e-3  # and a failure is charged no less than that


def test_units_that_share_nothing_and_never_pay_early_cost_what_the_renewal_equation_says():
    """There the bound is exact but for its cells: nothing is gained by renewing what fails at a constant rate."""
    span = Span(150e3, 2e-6, 300)
    units = [unit(k, span, {f"s{k}"}, fresh=life(60e3 * (k + 1), 1.0), money=100.0) for k in range(3)]
    care = whole(units, {f"s{k}": 300.0 for k in range(3)}, span)
    exact = sum(float(item.worth[:, -1].mean()) for item in units)
    found = best_possible(care).cost
    assert 0.985 * exact < found <= exact


def test_one_unit_renewed_at_its_best_age():
    """Planned visits are among the rules: the best of many ages, simulated, is close above the bound."""
    span = Span(300e3, 0.0, 300)
    care = whole([unit(0, span, {"visit"}, fresh=life(60e3, 5.0), money=200.0, beyond=3000.0)], {"visit": 100.0}, span)
    found = best_possible(care).cost
    made = [
        courses(care, Rule("failed", None, Schedule(2e3, 2e3, np.array([age]))), runs=RUNS, seed=2)
        for age in np.arange(24e3, 48e3, 4e3)
    ]
    best = min(made, key=lambda one: one.cost.mean())
    assert best.cost.mean() < 0.7 * courses(care, Rule("failed"), runs=RUNS, seed=2).cost.mean()
    assert 0.88 * best.cost.mean() < found <= best.cost.mean() + FAR * standard_error(best)


def as_upkeep(trio: Trio) -> Upkeep:
    """A trio in distance that runs on, over forty lives; 1 km for a cell."""
    span = Span(400.0, trio.discount, 400)
    units = []
    for i in range(3):
        one = np.ones(1)
        cost = np.array([trio.setup + trio.own[i] + trio.beyond[i]])
        p = Process(np.array([[log(trio.scale[i])]]), np.array([[1 / trio.shape[i]]]), one < 0, cost, one, one)
        zero = np.zeros((1, 1))
        units.append(
            replace(
                unit(i, span, {"set-up"}, fresh=life(1.0, 1.0), money=float(trio.own[i]), beyond=trio.beyond[i]),
                fitted=p,
                fresh=p,
                age=zero,
                seen=zero,
                worth=worth_new(p, np.zeros(1), span),
            )
        )
    return whole(units, {"set-up": float(trio.setup)}, span)


@pytest.mark.slow
def test_the_bound_is_below_the_exact_optimum_of_three_units(monkeypatch):
    """On 50 problems. The optimum is that of cells of a tenth of a life, in which failures fall together that else
    would not: lower than the one the bound is of. Found: 17 % below it on the mean, 9 to 37 %. With three units a visit
    is a rare chance; the bound lets each unit take it when it likes."""
    monkeypatch.setattr("wearlore.outlook.bound.COARSE", 400)
    monkeypatch.setattr("wearlore.outlook.bound.FINE", 800)
    share = np.array([best_possible(as_upkeep(t), rounds=40).cost / optimum(t)[0, 0, 0] for t in trios(50)])
    assert share.max() < 1
    assert share.mean() > 0.8


def test_the_visit_now_is_part_of_the_bound():
    """A fault found is cured now, in any case: a horizon with nothing else in it costs just that visit."""
    must = replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}), horizon=10.0)
    care = upkeep(BOOK, vehicle(), models, must, rng=np.random.default_rng(1))
    made = courses(care, follow_advice(care), runs=64, seed=1)
    found = best_possible(care, rounds=20).cost
    assert 0.99 * made.cost.mean() < found < 1.01 * made.cost.mean()


def test_the_advice_is_close_to_the_bound_where_much_is_shared():
    must = replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}), discount=0.04)
    care = upkeep(BOOK, vehicle(seen_good=60e3), models, must, rng=np.random.default_rng(1))
    made = courses(care, learn_share(care, seed=1)[1], runs=4096, seed=5)
    within = best_possible(care).within(mean_of(made.cost))
    assert 0 <= within.low <= within.value <= within.high < 0.2


def test_the_share_still_to_be_gained_carries_the_interval_of_the_costs():
    cost, nothing = Estimate(1000.0, 980.0, 1020.0, 0.95), np.zeros((1, 1))
    within = Bound(950.0, nothing).within(cost)
    assert (within.value, within.level) == (pytest.approx(0.05), 0.95)
    assert within.low == pytest.approx(1 - 950 / 980)
    assert within.high == pytest.approx(1 - 950 / 1020)
    assert Bound(2000.0, nothing).within(cost).value == 0
    assert Bound(0.0, nothing).within(Estimate(0.0, 0.0, 0.0)).value == 0  # nothing to pay
