"""Hazard: the model's by its posterior, the records' by failures over distance at risk."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import poisson

from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, life_model
from wearlore.life.hazard import hazard, hazard_curve, record_rates
from wearlore.lives import Lives

FLEET = Lives.of(failed=np.linspace(60e3, 160e3, 40), good=np.full(60, 170e3))


def test_constant_hazard_is_one_over_the_mean_life():
    """Exponential: the hazard's quantiles are those of 1 / mean, turned round; the mean is the 63.2 % quantile."""
    model = life_model("burst", Lives.of(failed=np.linspace(1e4, 9e4, 12), good=np.full(20, 9e4)), dist=EXPONENTIAL)
    curve = hazard_curve(model, np.array([1e3, 5e4, 2e5]), 0.9)
    mean = model.quantile(1 - np.exp(-1), 0.9)
    assert_allclose(curve.rate, 1 / mean.value, rtol=5e-3)
    assert_allclose(curve.low, 1 / mean.high, rtol=5e-3)
    assert_allclose(curve.high, 1 / mean.low, rtol=5e-3)


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
def test_much_record_gives_the_hazard_of_the_likeliest_life(dist):
    """-d ln S / d km of the fit, by a small difference."""
    many = Lives(FLEET.entry, FLEET.lower, FLEET.upper, 500 * FLEET.count)
    model = life_model("leak", many, dist=dist)
    km = np.array([5e4, 1e5, 1.6e5])
    slope = np.log(model.fit.sf(km - 1) / model.fit.sf(km + 1)) / 2
    curve = hazard_curve(model, km)
    assert_allclose(curve.rate, slope, rtol=5e-3)
    assert ((curve.low < curve.rate) & (curve.rate < curve.high)).all()
    assert (curve.high / curve.low < 1.2).all()


def test_rates_by_hand():
    """Failed at 5 and 15, one good at 12, one seen from 8 to 20: 1 in 5 + 10 + 10 + 2 km, then 1 in 5 + 2 + 10."""
    lives = Lives(np.array([0, 0, 0, 8.0]), np.array([5, 15, 12, 20.0]), np.array([5, 15, inf, inf]), np.ones(4))
    first, second = record_rates(lives, np.array([0, 10, 20.0]))
    assert (first.failures, first.at_risk, second.failures, second.at_risk) == pytest.approx((1, 27, 1, 17))
    assert second.rate.value == pytest.approx(1 / 17)


@pytest.mark.parametrize("failures", [0, 1, 7])
def test_limits_are_exact_for_a_poisson_count(failures):
    """Garwood (1936): at each limit the count seen, or one beyond it, has a chance of 2.5 %."""
    lives = Lives.of(failed=np.full(failures, 50.0), good=np.full(40, 100.0))
    (only,) = record_rates(lives, np.array([0, 100.0]))
    assert poisson.cdf(failures, only.rate.high * only.at_risk) == pytest.approx(0.025)
    if failures:
        assert poisson.sf(failures - 1, only.rate.low * only.at_risk) == pytest.approx(0.025)
    else:
        assert only.rate.low == 0


def test_failures_between_two_looks_are_spread_evenly_inside_their_cell():
    """Three between 0 and 20, six still good at 50: half of them by 10, having run 10 x 9 - 1.5 x 5 km."""
    lives = Lives(np.zeros(2), np.array([0.0, 50]), np.array([20, inf]), np.array([3.0, 6]))
    first, second, rest = record_rates(lives, np.array([0, 10, 20, 50.0]))
    assert (first.failures, second.failures, rest.failures) == pytest.approx((1.5, 1.5, 0))
    assert (first.at_risk, second.at_risk, rest.at_risk) == pytest.approx((90 - 7.5, 75 - 7.5, 180))


@st.composite
def any_lives(draw):
    rows = []
    for _ in range(draw(st.integers(1, 12))):
        a, b, c = sorted(draw(st.tuples(*[st.integers(0, 12)] * 3)))
        rows.append(draw(st.sampled_from([(a, b + 1, b + 1), (a, b + 1, inf), (a, b + 1, c + 2), (0, 0, c + 1)])))
    return Lives(*np.array(rows, float).T, np.ones(len(rows)))


@settings(max_examples=60, deadline=None)
@given(lives=any_lives(), step=st.sampled_from([1.0, 2.5, 20.0]))
def test_classes_add_up_to_the_records(lives, step):
    rates = record_rates(lives, np.arange(0, 40, step))
    assert sum(one.failures for one in rates) == pytest.approx(lives.failures)
    exact = Lives(lives.entry, lives.lower, np.where(lives.between, inf, lives.upper), lives.count)
    longest = Lives(lives.entry, np.where(lives.between, lives.upper, lives.lower), lives.upper, lives.count)
    assert exact.at_risk - 1e-9 <= sum(one.at_risk for one in rates) <= longest.at_risk + 1e-9


def test_classes_are_round_and_reach_the_furthest_life():
    model = life_model("leak", FLEET)
    both = hazard(model, FLEET)
    assert [one.begin for one in both.classes] == [0, 25e3, 50e3, 75e3, 100e3, 125e3, 150e3]
    assert both.classes[-1].end == both.model.km[-1] == 175e3
    assert both.classes[-1].rate.low < both.model.rate[-1] < both.classes[-1].rate.high


def test_judgement_alone_has_a_hazard_and_no_classes():
    model = life_model("leak", FLEET)
    alone = hazard(model, Lives.of())
    assert alone.classes == ()
    assert alone.model.km[-1] == pytest.approx(model.quantile(0.5).value)
