"""Looking: published closed forms, plain simulation, and limits."""

from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar

from tests.plan.lives import Uniform, known, rows
from wearlore.plan import Even, Lead, Never, aged, looked_at, renewed_at

WORN, LEAD = known(150e3, 3), Lead(25e3, 0.5)
leads = st.builds(Lead, st.floats(5e3, 80e3), st.floats(0.2, 1.2))


@pytest.mark.parametrize("case", rows("plan_looks.csv"), ids=lambda case: f"{case['what']} {case['argument']}")
def test_published(case):
    argument, value = float(case["argument"]), float(case["value"])
    match case["what"]:
        case "until":

            def cost(x):
                events = looked_at(known(1.0, 1), Never(), np.array([x]), 1.0, hidden=True)
                return argument * events.looks[0, 0] * events.length[0, 0] + (events.unnoticed * events.length)[0, 0]

            best = minimize_scalar(cost, bounds=(value / 2, value * 2), method="bounded", options={"xatol": 1e-10}).x
            slope = [cost(best * f) for f in (0.999, 1.001)]
            assert best == pytest.approx(value, rel=1e-5)
            assert min(slope) > cost(best)
        case "hidden":
            events = looked_at(known(1.0, 1), Never(), np.array([argument]), 1.0, hidden=True)
            assert events.unnoticed[0, 0] == pytest.approx(value, rel=1e-6)
        case "delay":  # defects come evenly; of a multiple of the looks
            for hidden in (True, False):
                life = Uniform(600.0)
                events = looked_at(life, Even(20.0), np.array([argument]), 1.0, hidden=hidden)
                late = (events.failed * events.length)[0, 0]
                if hidden:
                    assert late == pytest.approx(value, abs=1e-7)
                else:  # no look before the first interval
                    first = argument / 600.0
                    assert late == pytest.approx(value * (1 - first) + first, abs=1e-6)


def simulated(every: float, sensitivity: float, hidden: bool, runs: int = 200_000):
    rng = np.random.default_rng(7)
    life = 150e3 * rng.weibull(3, runs)
    lead = LEAD.median * np.exp(LEAD.sigma * rng.standard_normal(runs))
    there = life if hidden else np.maximum(life - lead, 0.0)
    failure = life + lead if hidden else life
    look = (np.maximum(np.ceil(there / every), 1) + rng.geometric(sensitivity, runs) - 1) * every
    found = look < failure
    length = np.where(found, look, failure)
    looks = np.where(found, look / every, np.floor(failure / every))
    unnoticed = (length - there).mean() / length.mean() if hidden else 0.0
    return found.mean(), length.mean(), looks.mean(), unnoticed


@pytest.mark.parametrize("hidden", [True, False], ids=["hidden", "evident"])
@pytest.mark.parametrize(("every", "sensitivity"), [(10e3, 0.9), (20e3, 0.5), (60e3, 1.0)])
def test_cycle_as_in_a_plain_simulation(hidden, every, sensitivity):
    found, length, looks, unnoticed = simulated(every, sensitivity, hidden)
    events = looked_at(WORN, LEAD, np.array([every]), sensitivity, hidden=hidden)
    cycle = events.length[0, 0]
    assert events.renewed[0, 0] * cycle == pytest.approx(found, abs=0.005)
    assert cycle == pytest.approx(length, rel=0.003)
    assert events.looks[0, 0] * cycle == pytest.approx(looks, rel=0.005)
    assert events.unnoticed[0, 0] == pytest.approx(unnoticed, abs=0.003)


@pytest.mark.parametrize("every", [100e3, 150e3, inf])
def test_hidden_failure_before_a_renewal_as_in_a_plain_simulation(every):
    rng = np.random.default_rng(3)
    life = 150e3 * rng.weibull(3, 200_000)
    failure = life + LEAD.median * np.exp(LEAD.sigma * rng.standard_normal(life.size))
    events = aged(WORN, LEAD, np.array([every]), hidden=True)
    end = np.minimum(failure, every)
    assert events.length[0, 0] == pytest.approx(end.mean(), rel=0.003)
    assert (events.failed * events.length)[0, 0] == pytest.approx((failure < every).mean(), abs=0.005)
    assert events.unnoticed[0, 0] == pytest.approx(np.clip(end - life, 0, None).mean() / end.mean(), abs=0.003)


@given(leads, st.booleans())
def test_renewed_and_failed_add_up_to_a_cycle(lead, hidden):
    events = looked_at(WORN, lead, np.array([15e3, 90e3]), 0.7, hidden=hidden)
    assert_allclose((events.renewed + events.failed) * events.length, 1, rtol=1e-9)


@given(leads, st.booleans(), st.floats(0.3, 0.9))
def test_a_better_look_lets_fewer_fail(lead, hidden, sensitivity):
    worse, better = (
        looked_at(WORN, lead, np.array([20e3]), s, hidden=hidden).failed[0, 0] for s in (sensitivity, sensitivity + 0.1)
    )
    assert better < worse


@given(leads, st.booleans())
def test_looking_more_often_lets_fewer_fail(lead, hidden):
    seldom, often = (looked_at(WORN, lead, np.array([km]), 1.0, hidden=hidden) for km in (40e3, 20e3))
    assert often.failed[0, 0] < seldom.failed[0, 0]
    assert often.looks[0, 0] > seldom.looks[0, 0]


def test_looking_all_the_time_at_what_lasts_lets_nothing_fail():
    events = looked_at(WORN, Lead(50e3, 0.1), np.array([2e3]), 1.0, hidden=True)
    assert events.failed[0, 0] < 1e-12
    assert events.unnoticed[0, 0] < 0.01


def test_looking_farther_apart_than_any_life_is_running_to_failure():
    far = looked_at(WORN, LEAD, np.array([1e6]), 1.0, hidden=False)
    assert_allclose(far.failed, renewed_at(WORN, np.array([inf])).failed, rtol=1e-3)


@given(st.floats(0.01, 100), st.booleans())
def test_distance_in_another_unit_only_scales(c, hidden):
    here = looked_at(WORN, LEAD, np.array([20e3]), 0.8, hidden=hidden)
    there = looked_at(known(150e3 * c, 3), Lead(25e3 * c, 0.5), np.array([20e3 * c]), 0.8, hidden=hidden)
    assert_allclose(there.failed * c, here.failed, rtol=1e-9)
    assert_allclose(there.unnoticed, here.unnoticed, rtol=1e-9)


def test_without_a_lead_renewal_is_as_of_any_life():
    every = np.array([80e3, inf])
    for hidden in (True, False):
        assert_allclose(aged(WORN, None, every, hidden=hidden).failed, renewed_at(WORN, every).failed)
