"""Renewal at an age and at fixed distances: published values, closed forms, and laws."""

from math import exp, gamma, inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from tests.plan.lives import Erlang, Uniform, known, rows, weekly
from wearlore.life import LOGNORMAL
from wearlore.plan import best_ages, best_fixed, fixed_cost, renewed_at

LIVES = {"uniform": Uniform(40_000), "weibull": known(1000, 2.5), "erlang": Erlang()}
LONG = np.array([inf])
shapes, dearer = st.floats(1.2, 8), st.floats(1.2, 50)


@pytest.mark.parametrize("case", rows("plan_ages.csv"), ids=lambda case: case["check"])
def test_published_optimum(case):
    planned, failure = float(case["planned"]), float(case["failure"])
    if case["life"] == "minimal":
        found = best_fixed(lambda km: (km / 1000) ** 2.5, planned, failure, among=np.linspace(50, 2000, 40))
        best, cost = found.every, found.cost
    else:
        (best,), (cost,) = best_ages(LIVES[case["life"]], planned, failure)
    assert best == pytest.approx(float(case["best"]), rel=1e-6)
    assert cost == pytest.approx(float(case["cost"]), rel=1e-6)


def test_published_uniform_life():
    table = rows("plan_uniform.csv")
    every = np.array([float(row["every"]) for row in table])
    found = renewed_at(LIVES["uniform"], every).cost(100, 200)[0]
    assert_allclose(found, [float(row["cost"]) for row in table], atol=5e-5)
    assert every[found.argmin()] == 30_000


def test_published_block_replacement():
    for row in rows("plan_block.csv"):
        weeks = int(row["weeks"])
        assert weekly(weeks) == pytest.approx(float(row["renewals"]), abs=6e-5)
        assert fixed_cost(lambda km: weekly(round(km)), weeks, 5, 10) == pytest.approx(float(row["cost"]), abs=6e-4)
    costs = [fixed_cost(lambda km: weekly(round(km)), weeks, 5, 10) for weeks in range(1, 9)]
    assert int(np.argmin(costs)) + 1 == 4


def test_run_to_failure_costs_a_failure_per_mean_life():
    weibull, lognormal = known(1000, 2.5), known(1000, 2, LOGNORMAL)
    assert renewed_at(weibull, LONG).length[0, 0] == pytest.approx(1000 * gamma(1.4), rel=1e-7)
    assert renewed_at(lognormal, LONG).length[0, 0] == pytest.approx(1000 * exp(1 / 8), rel=1e-7)
    assert renewed_at(Erlang(), LONG).length[0, 0] == pytest.approx(2, rel=1e-7)
    assert renewed_at(weibull, LONG).cost(1, 5)[0, 0] == pytest.approx(5 / (1000 * gamma(1.4)), rel=1e-7)


def test_age_replacement_of_an_exponential_life_in_closed_form():
    every = np.array([0.1, 0.7, 3.0]) * 1000
    found = renewed_at(known(1000, 1), every)
    good = np.exp(-every / 1000)
    assert_allclose(found.length[0], 1000 * (1 - good), rtol=1e-8)
    assert_allclose(found.failed[0], 1e-3, rtol=1e-8)


@settings(max_examples=40)
@given(st.floats(0.4, 1.0), dearer)
def test_a_hazard_that_never_rises_is_run_to_failure(shape, failure):
    (best,), (cost,) = best_ages(known(1000, shape), 1, failure)
    assert best == inf
    assert cost == pytest.approx(renewed_at(known(1000, shape), LONG).cost(1, failure)[0, 0])


@settings(max_examples=40)
@given(shapes, dearer, st.floats(0.01, 100))
def test_distance_in_another_unit_only_scales(shape, failure, c):
    (a,), (cost_a,) = best_ages(known(1000, shape), 1, failure)
    (b,), (cost_b,) = best_ages(known(1000 * c, shape), 1, failure)
    assert (b, cost_b) == pytest.approx((a * c, cost_a / c), rel=1e-6)


@settings(max_examples=40)
@given(shapes, dearer, st.floats(1.01, 5))
def test_a_dearer_failure_never_lengthens_the_age(shape, failure, more):
    (a,), _ = best_ages(known(1000, shape), 1, failure)
    (b,), _ = best_ages(known(1000, shape), 1, failure * more)
    assert b <= a * (1 + 1e-9) or (a == inf)


@settings(max_examples=40)
@given(shapes, dearer, st.floats(0.05, 5))
def test_no_age_costs_less_than_the_best(shape, failure, other):
    life = known(1000, shape)
    _, (cost,) = best_ages(life, 1, failure)
    assert renewed_at(life, np.array([other * 1000])).cost(1, failure)[0, 0] >= cost * (1 - 1e-9)


def test_planned_as_dear_as_a_failure_is_run_to_failure():
    assert best_ages(known(1000, 4), 5, 5)[0] == inf


def test_a_lognormal_whose_hazard_falls_late_still_has_its_age():
    """The hazard rises and falls: the first rise of the optimality equation is the least cost."""
    life = known(1000, 2.5, LOGNORMAL)
    (best,), (cost,) = best_ages(life, 1, 20)
    every = np.linspace(20, 3000, 600)
    costs = renewed_at(life, every).cost(1, 20)[0]
    assert best == pytest.approx(every[costs.argmin()], rel=0.02)
    assert cost == pytest.approx(costs.min(), rel=1e-4)


def test_beyond_what_records_tell_the_hazard_stays():
    from dataclasses import replace

    long = known(2e6, 0.8)
    flat = replace(long, flat=400e3)
    assert_allclose(flat.sf(np.array([100e3, 400e3])), long.sf(np.array([100e3, 400e3])))
    assert_allclose(flat.hazard(np.array([1e6])), long.hazard(np.array([400e3])))
    slope = -np.log(flat.sf(np.array([1e6]))) + np.log(flat.sf(np.array([9e5])))
    assert_allclose(slope / 1e5, long.hazard(np.array([400e3])), rtol=1e-9)
    assert flat.sf(flat.longest)[0, 0] == pytest.approx(1e-9, rel=1e-6)
    assert renewed_at(flat, LONG).length[0, 0] < renewed_at(long, LONG).length[0, 0]


def test_a_clean_begins_at_the_age_it_leaves():
    from dataclasses import replace

    part = replace(known(1000, 3), start=np.array([400.0]))
    new = known(1000, 3)
    assert_allclose(part.sf(np.array([300.0])), new.sf(np.array([700.0])) / new.sf(np.array([400.0])))
    assert_allclose(part.hazard(np.array([300.0])), new.hazard(np.array([700.0])))
