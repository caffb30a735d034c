"""The renewal equation against closed forms, published digits and simulation."""

from __future__ import annotations

import csv
from math import exp, gamma, log
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm, weibull_min

from wearlore.life.likelihood import LOGNORMAL, WEIBULL
from wearlore.renewal import (
    Draws,
    Process,
    Span,
    cumulative_hazard,
    draw_nodes,
    first_failure,
    renewal_function,
    renewed,
    unknown_age,
    worth_left,
    worth_new,
)

REFERENCE = Path(__file__).parents[1] / "reference"
twins = pytest.mark.parametrize("kernel", [renewed, renewed.py_func], ids=["compiled", "plain"])


def published(name: str) -> list[tuple[float, float]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return [(float(row["t"]), float(row["renewals"])) for row in rows]


def process(*modes: tuple[float, float, bool, float], draws: int = 1) -> Process:
    """Modes given as (mu, sigma, lognormal, cost)."""
    mu, sigma, lognormal, cost = (np.array(column) for column in zip(*modes, strict=True))
    one = np.ones(len(modes))
    return Process(np.tile(mu, (draws, 1)), np.tile(sigma, (draws, 1)), lognormal, cost.astype(float), one, one)


@pytest.mark.parametrize(("t", "expected"), published("renewal_erlang.csv"))
def test_check_4_05_renewals_of_an_erlang_life(t, expected):
    assert renewal_function(lambda x: 1 - (1 + x) * np.exp(-x), t) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize(("t", "expected"), published("renewal_weibull.csv"))
def test_check_4_06_renewals_of_a_weibull_life(t, expected):
    assert renewal_function(lambda x: 1 - np.exp(-(x**2)), t) == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize("shape", [2, 3])
def test_check_4_13_renewals_far_out_are_a_straight_line(shape):
    """Cox (1962): M(t) -> t/mean + second moment / (2 mean^2) - 1."""
    mean, second = gamma(1 + 1 / shape), gamma(1 + 2 / shape)
    line = 6 / mean + second / (2 * mean**2) - 1
    assert renewal_function(lambda x: 1 - np.exp(-(x**shape)), 6.0) == pytest.approx(line, rel=1e-5)


@twins
def test_a_constant_hazard_renews_in_a_straight_line(kernel):
    grid = np.linspace(0, 4, 401)
    p = np.diff(1 - np.exp(-grid), prepend=0.0)
    assert_allclose(kernel(p, p, 1.0), grid, atol=1e-4)


@twins
def test_a_constant_hazard_costs_a_discounted_annuity(kernel):
    """Each failure at rate 1 costs 3, discounted at 0.5: 3 (1 - exp(-t / 2)) / 0.5."""
    grid = np.linspace(0, 4, 401)
    p = np.diff(1 - np.exp(-grid), prepend=0.0)
    assert_allclose(kernel(p, 3 * p, exp(-0.5 * 0.01)), 6 * (1 - np.exp(-grid / 2)), atol=3e-4)


@pytest.mark.parametrize("kernel", [first_failure, first_failure.py_func], ids=["compiled", "plain"])
def test_the_first_failure_of_two_modes_adds_up_and_each_charges_its_own(kernel):
    mu, sigma = np.array([log(90.0), log(120.0)]), np.array([0.4, 0.5])
    age, seen, steps = np.array([60.0, 30.0]), np.array([60.0, 10.0]), 400
    args = (mu, sigma, np.array([False, True]))
    p, q = kernel(*args, np.array([1.0, 0.0]), np.ones(2), np.ones(2), age, seen, 0.25, steps)
    first, second = weibull_min(1 / 0.4, scale=90.0), norm(log(120.0), 0.5)
    end = 60 + 0.25 * steps
    alive = first.sf(end) / first.sf(60) * second.sf(log(30 + 0.25 * steps)) / second.sf(log(10))
    assert p.sum() == pytest.approx(1 - alive, abs=1e-12)
    assert p[0] == pytest.approx(1 - second.sf(log(30)) / second.sf(log(10)), abs=1e-12)
    x = np.linspace(60, end, 20001)
    by_first = first.pdf(x) / first.sf(60) * second.sf(np.log(x - 30)) / second.sf(log(10))
    assert q.sum() == pytest.approx(np.trapezoid(by_first, x), abs=2e-5)


@pytest.mark.parametrize("kernel", [cumulative_hazard, cumulative_hazard.py_func], ids=["compiled", "plain"])
@given(z=st.floats(-8, 40), sigma=st.floats(0.1, 2), lognormal=st.booleans())
def test_the_hazard_is_that_of_the_life_models(kernel, z, sigma, lognormal):
    km = exp(3 + sigma * z)
    expected = -(LOGNORMAL if lognormal else WEIBULL).log_sf(np.array([z]))[0]
    assert kernel(km, 3.0, sigma, lognormal) == pytest.approx(expected, rel=1e-8, abs=1e-300)


def simulated(modes, ages, span: Span, costs, runs: int, rng: np.random.Generator) -> np.ndarray:
    """Discounted cost of each run: draw lives, renew all modes at the first failure, start again."""

    def life(mu, sigma, lognormal, age, u):
        law = norm(mu, sigma) if lognormal else None
        if law:
            return np.exp(law.isf(u * law.sf(np.log(age)) if age else u)) - age
        scale, shape = exp(mu), 1 / sigma
        return scale * ((age / scale) ** shape - np.log(u)) ** (1 / shape) - age

    total, clock, alive = np.zeros(runs), np.zeros(runs), np.ones(runs, bool)
    now = list(ages)
    while alive.any():
        lives = np.array([life(*mode[:3], age, rng.random(runs)) for mode, age in zip(modes, now, strict=True)])
        clock = clock + lives.min(axis=0)
        alive &= clock < span.km
        total += np.where(alive, np.exp(-span.discount * clock) * np.take(costs, lives.argmin(axis=0)), 0.0)
        now = [0.0] * len(modes)
    return total


@pytest.mark.parametrize(
    ("modes", "ages"),
    [
        ([(log(90e3), 0.35, False, 700.0)], [70e3]),
        ([(log(60e3), 1.0, False, 300.0)], [20e3]),
        ([(log(90e3), 0.35, False, 700.0), (log(140e3), 0.6, True, 250.0)], [50e3, 80e3]),
    ],
    ids=["wear", "random", "two modes"],
)
def test_the_cost_of_leaving_a_unit_is_what_simulation_finds(modes, ages):
    span = Span(200e3, log(1.05) / 20e3, 100)
    p = process(*modes)
    age = np.array([ages])
    left = worth_left(p, age, age, worth_new(p, np.zeros(len(modes)), span), span)
    runs = simulated(modes, ages, span, p.cost, 200_000, np.random.default_rng(4))
    assert left.cost[0, 0] == pytest.approx(runs.mean(), abs=4 * runs.std() / np.sqrt(runs.size))
    assert runs.std() / np.sqrt(runs.size) < 0.003 * left.cost[0, 0]


def test_a_hundred_steps_are_enough():
    p = process((log(90e3), 0.3, False, 700.0), (log(140e3), 0.6, True, 250.0))
    age = np.array([[50e3, 80e3]])

    def cost(steps: int) -> float:
        span = Span(100e3, log(1.04) / 20e3, steps)
        return float(worth_left(p, age, age, worth_new(p, np.zeros(2), span), span).cost[0, 0])

    assert cost(100) == pytest.approx(cost(1600), rel=1e-4)


def test_a_guard_on_a_constant_rate_costs_its_share():
    p = process((log(80e3), 1.0, False, 500.0))
    guarded = Process(p.mu, p.sigma, p.lognormal, p.cost, np.array([0.25]), p.speed)
    span = Span(100e3, 0.0, 200)
    whole, quarter = (worth_new(x, np.zeros(1), span)[0, -1] for x in (p, guarded))
    assert whole == pytest.approx(500 * 100 / 80, rel=1e-4)
    assert quarter == pytest.approx(0.25 * whole, rel=1e-4)


def test_ageing_twice_as_fast_is_living_half_as_long():
    p = process((log(80e3), 0.4, False, 500.0))
    fast = Process(p.mu, p.sigma, p.lognormal, p.cost, p.rate, np.array([2.0]))
    short = process((log(40e3), 0.4, False, 500.0))
    span = Span(100e3, 0.0, 200)
    assert_allclose(worth_new(fast, np.zeros(1), span), worth_new(short, np.zeros(1), span), rtol=1e-12)


@pytest.mark.parametrize("at_least", [20e3, 22.5e3, 25e3])
def test_an_unknown_age_is_what_histories_leave_behind(at_least):
    """Simulated renewals up to the odometer give the same share in place so long, and the same mean age of these."""
    p = process((log(60e3), 0.5, False, 0.0))
    rng, odometer = np.random.default_rng(8), 150e3
    last = np.zeros(400_000)
    going = np.ones(last.size, bool)
    while going.any():
        nxt = last + 60e3 * rng.weibull(2.0, last.size)
        going &= nxt < odometer
        last = np.where(going, nxt, last)
    age = odometer - last
    spread = unknown_age(p, odometer, at_least)
    kept = age[age >= at_least]
    assert spread.likelihood[0] == pytest.approx(kept.size / age.size, abs=0.01)
    assert spread.weight[0].sum() == pytest.approx(1.0)
    assert spread.weight[0] @ spread.age == pytest.approx(kept.mean(), rel=0.01)
    assert unknown_age(p, odometer, 0.0, steps=400).likelihood[0] == pytest.approx(1.0, abs=1e-5)


@given(
    st.floats(9, 13),
    st.floats(0.1, 1.2),
    st.booleans(),
    st.floats(0, 4e5),
    st.floats(0, 1),
    st.floats(0, 0.2),
)
@settings(deadline=None)
def test_what_must_hold_of_any_unit(mu, sigma, lognormal, age, known, discount):
    """Discounting never adds cost, not having looked never lowers the chance, and a unit costs no less over longer."""
    p = process((mu, sigma, lognormal, 100.0))
    near, far = Span(5e4, discount / 2e4, 50), Span(1e5, discount / 2e4, 100)
    plain = Span(1e5, 0.0, 100)
    at, seen = np.array([[age]]), np.array([[age * known]])

    def left(span, last):
        return worth_left(p, at, last, worth_new(p, np.zeros(1), span), span)

    assert left(near, at).cost[0, 0] <= left(far, at).cost[0, 0] + 1e-9
    assert left(far, at).cost[0, 0] <= left(plain, at).cost[0, 0] + 1e-9
    assert -1e-12 <= left(far, at).chance[0, 0] <= left(far, seen).chance[0, 0] + 1e-9 <= 1 + 2e-9


def test_draws_stand_for_the_weights():
    weight = np.array([0.1, 0.0, 0.6, 0.3])
    chosen = draw_nodes(weight, Draws.of(1000, rng=np.random.default_rng(1)))
    assert_allclose(np.bincount(chosen, minlength=4) / 1000, weight, atol=0.0011)
    assert (np.diff(chosen) < 0).any()


def test_the_first_few_draws_stand_for_all():
    weight = np.full(64, 1 / 64)
    for seed in range(20):
        chosen = draw_nodes(weight, Draws.of(64, rng=np.random.default_rng(seed)))
        assert sorted(chosen) == list(range(64))
        assert (np.diff(np.sort(chosen[:8])) == 8).all()
