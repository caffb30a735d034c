"""Units that share nothing: simulation, convolution and renewal equation must say the same."""

from __future__ import annotations

from itertools import pairwise

import numba
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import poisson

from wearlore.outlook import independent
from wearlore.outlook.courses import courses
from wearlore.outlook.independent import alone
from wearlore.outlook.spread import cost_spread
from wearlore.renewal import worth_left
from wearlore.renewal.upkeep import Rule

from .pieces import KM, SPAN, several, unit, upkeep_of

RUNS = 40_000


@pytest.fixture(scope="module")
def simulated():
    return alone(several(), KM, runs=RUNS, seed=5)


@pytest.fixture(scope="module")
def exact():
    return cost_spread(several(), KM)


def test_constant_hazard_costs_a_poisson_number_of_failures():
    found = cost_spread([unit("lamp", 40e3, 1.0, cost=100.0)], KM)
    counted = poisson(KM / 40e3)
    assert found.mean == pytest.approx(100 * KM / 40e3, rel=1e-4)
    for failures in range(7):
        assert found.cdf(np.array([100.0 * failures + 50])) == pytest.approx(counted.cdf(failures), abs=2e-4)


def test_the_simulated_distribution_is_the_exact_one(simulated, exact):
    """Kolmogorov-Smirnov at 1 in 1,000; breaks if a lead, an age, a fault or a draw is taken differently."""
    cost = np.sort(simulated.cost)
    apart = np.abs(exact.cdf(cost) - (np.arange(RUNS) + 0.5) / RUNS).max()
    assert apart < 1.95 / np.sqrt(RUNS)
    assert simulated.cost.mean() == pytest.approx(exact.mean, abs=4 * simulated.cost.std() / np.sqrt(RUNS))


def test_a_shorter_life_in_the_exact_one_would_be_seen(simulated):
    """The bound of the test above is no wide one: one belt that lives 10 % longer breaks it."""
    changed = several()
    changed[0] = unit("belt", np.exp(changed[0].fitted.mu) * 1.1, 3.0, age=20e3, cost=300.0)
    cost = np.sort(simulated.cost)
    assert np.abs(cost_spread(changed, KM).cdf(cost) - (np.arange(RUNS) + 0.5) / RUNS).max() > 1.95 / np.sqrt(RUNS)


def test_the_mean_is_that_of_the_renewal_equation():
    """Without leads and faults, which the equation does not know in this form."""
    units = [item for item in several() if not (item.present > 0).any() and not (item.lead > 0).any()]
    expected = sum(
        np.diag(worth_left(item.fitted, item.age, item.seen, item.worth, SPAN).cost) for item in units
    )  # one age for each draw
    assert_allclose(cost_spread(units, KM).means, expected, rtol=2e-4)
    cost = alone(units, KM, runs=RUNS, seed=1).cost
    assert cost.mean() == pytest.approx(expected.mean(), abs=4 * cost.std() / np.sqrt(RUNS))


def test_each_run_is_the_course_of_curing_only_what_failed():
    """The other kernel, written apart, on the same luck."""
    units, runs = several(), 3000
    apart = alone(units, KM, runs=runs, seed=11)
    together = courses(upkeep_of(units), Rule("failed"), runs=runs, seed=11)
    assert_allclose(apart.cost, together.paid[:, 0], rtol=1e-9)
    assert_array_equal(apart.visits > 0, together.visits[:, 0] > 0)


def test_the_compiled_run_is_the_plain_one():
    modes = independent.modes_of(several())
    never = np.zeros_like(modes.mu)  # no short cut: every luck is followed
    for run in range(30):
        seed = np.uint64(3)
        plain = independent._run.py_func(modes, never, KM, seed, run)
        assert plain == pytest.approx(independent._run(modes, never, KM, seed, run))
        assert plain[0] == pytest.approx(alone(several(), KM, runs=run + 1, seed=3).cost[run])


def test_the_same_seed_gives_the_same_runs_whatever_the_threads(simulated):
    before = numba.get_num_threads()
    try:
        for threads in {1, before}:
            numba.set_num_threads(threads)
            again = alone(several(), KM, runs=RUNS, seed=5)
            assert_array_equal(again.cost, simulated.cost)
    finally:
        numba.set_num_threads(before)
    assert (alone(several(), KM, runs=RUNS, seed=6).cost != simulated.cost).any()


def test_a_longer_way_never_costs_less():
    costs = [alone(several(), km, runs=2000, seed=2).cost for km in (1.0, 30e3, 60e3, 100e3)]
    assert all((far >= near).all() for near, far in pairwise(costs))


def test_what_is_found_is_cured_now_and_has_cost_its_consequence_already():
    units = [unit("plug", 1e9, 2.0, cost=130.0, beyond=30.0, present=1.0)]
    assert_allclose(alone(units, KM, runs=50, seed=1).cost, 100.0)
    assert cost_spread(units, KM).mean == pytest.approx(100.0, rel=1e-6)


def test_a_mode_that_this_design_does_not_have_never_comes():
    units = [unit("old", 10e3, 2.0, rate=0.0, age=50e3)]
    assert alone(units, KM, runs=200, seed=1).cost.sum() == 0
    assert cost_spread(units, KM).chance[0] == pytest.approx(1.0)


def test_quantiles_are_in_order_and_chances_add_up(exact):
    found = [exact.quantile(q) for q in (0.01, 0.1, 0.5, 0.9, 0.99)]
    assert found == sorted(found)
    assert exact.chance.sum() == pytest.approx(1.0)
    assert (exact.chance >= 0).all()
    assert exact.means.mean() == pytest.approx(exact.mean, rel=1e-6)


def test_nothing_to_fail_costs_nothing():
    assert alone([], KM, runs=3, seed=1).cost.tolist() == [0, 0, 0]
