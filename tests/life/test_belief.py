"""Quantile statements as a prior."""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import spearmanr

from wearlore.book.model import Belief
from wearlore.errors import FitError
from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, prior_of, reference_prior
from wearlore.lives import Lives

BOTH = pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)


def belief(*statements, life="weibull"):
    return Belief.model_validate(
        {"life": life, "quantiles": [{"share": p, "at": at, "between": (a, b)} for p, at, a, b in statements]}
    )


CHAIN = belief((0.1, 90e3, 60e3, 135e3), (0.5, 160e3, 120e3, 160e3**2 / 120e3))  # ranges symmetric on the log scale


def draws(prior, n=400_000):
    rng = np.random.default_rng(11)
    apart = prior.spread * rng.standard_normal(n)
    return prior.location + prior.slope * apart + prior.error * rng.standard_normal(n), np.exp(prior.centre + apart)


@BOTH
def test_drawn_from_the_prior_the_statements_come_back(dist):
    """By simulation of (mu, sigma), not by the prior's own quantile function."""
    mu, sigma = draws(prior_of(CHAIN, dist))
    for statement in CHAIN.quantiles:
        km = np.exp(mu + float(dist.z(statement.share)) * sigma)
        low, middle, high = np.quantile(km, [0.05, 0.5, 0.95])
        assert middle == pytest.approx(statement.at, rel=4e-3)
        assert high / low == pytest.approx(statement.between[1] / statement.between[0], rel=1e-2)
        assert low == pytest.approx(statement.between[0], rel=0.06)  # a normal prior keeps the width; its skew moves it


@BOTH
@settings(max_examples=30, deadline=None)
@given(
    at=st.floats(1e4, 2e5),
    ratio=st.floats(1.5, 4),
    width=st.floats(1.3, 3),
    unlike=st.floats(0.85, 1.2),
    share=st.sampled_from([0.01, 0.05, 0.1]),
)
def test_median_and_width_are_exact(dist, at, ratio, width, unlike, share):
    second = (width * unlike) ** 0.5
    stated = belief(
        (share, at, at / width**0.5, at * width**0.5), (0.5, at * ratio, at * ratio / second, at * ratio * second)
    )
    prior = prior_of(stated, dist)
    for statement in stated.quantiles:
        implied = prior.quantile(statement.share)
        assert implied.value == pytest.approx(statement.at, rel=1e-6)
        assert implied.high / implied.low == pytest.approx(statement.between[1] / statement.between[0], rel=1e-6)


@BOTH
def test_order_of_the_statements_does_not_matter(dist):
    assert prior_of(belief(*[(q.share, q.at, *q.between) for q in CHAIN.quantiles[::-1]]), dist) == prior_of(
        CHAIN, dist
    )


@BOTH
def test_errors_of_the_two_statements_share_half_their_variance(dist):
    mu, sigma = draws(prior_of(CHAIN, dist))
    first, second = (mu + float(dist.z(p)) * sigma for p in (0.1, 0.5))
    assert np.corrcoef(first, second)[0, 1] == pytest.approx(0.5, abs=0.01)
    assert spearmanr(first[:20000], second[:20000]).statistic == pytest.approx(0.48, abs=0.05)


@BOTH
def test_variance_of_a_quantile(dist):
    prior = prior_of(CHAIN, dist)
    mu, sigma = draws(prior)
    for share in (0.01, 0.1, 0.9):
        assert prior.log_variance(share) == pytest.approx((mu + float(dist.z(share)) * sigma).var(), rel=0.01)


@BOTH
def test_vague_statements_do_not_free_the_shape(dist):
    """Both 90 % ranges are wide and near to each other: as independent errors they would leave the shape open."""
    prior = prior_of(belief((0.1, 90e3, 30e3, 270e3), (0.5, 120e3, 40e3, 360e3)), dist)
    assert prior.spread == pytest.approx(0.7, rel=1e-3)
    assert prior.quantile(0.1).value == pytest.approx(90e3, rel=1e-5)


@BOTH
def test_statements_that_cannot_both_hold_are_met_as_nearly_as_can_be(dist):
    """B10 known to a fifth, B50 not at all: no normal prior does that; the medians stay near."""
    prior = prior_of(belief((0.1, 50e3, 40e3, 62e3), (0.5, 100e3, 20e3, 500e3)), dist)
    assert prior.quantile(0.1).value == pytest.approx(50e3, rel=0.2)
    assert prior.quantile(0.5).value == pytest.approx(100e3, rel=0.2)


def test_derivatives_of_the_density():
    prior, h = prior_of(CHAIN, WEIBULL), 1e-5
    point = np.array([12.2, -0.9])
    at = prior.derivatives(*point)
    assert at.value == pytest.approx(float(prior.log_density(*point)))
    for j, direction in enumerate(h * np.eye(2)):
        up, down = prior.derivatives(*(point + direction)), prior.derivatives(*(point - direction))
        assert (up.value - down.value) / (2 * h) == pytest.approx(at.gradient[j], rel=1e-6)
        assert (up.gradient - down.gradient) / (2 * h) == pytest.approx(at.hessian[j], rel=1e-6)


def test_exponential_prior_is_the_prior_given_shape_1():
    """Along sigma = 1 both densities differ by a constant."""
    free, fixed = prior_of(CHAIN, WEIBULL), prior_of(CHAIN, EXPONENTIAL)
    mu = np.linspace(11, 13, 5)
    difference = free.log_density(mu, 0.0) - fixed.log_density(mu, 0.0)
    assert difference == pytest.approx(np.full(5, difference[0]), rel=1e-9)
    assert (fixed.spread, exp(fixed.centre)) == (0, 1)


def test_a_ratio_of_lives_moves_every_quantile():
    prior = prior_of(CHAIN, LOGNORMAL)
    longer = prior.scaled(1.6)
    for share in (0.1, 0.5):
        assert longer.quantile(share).low == pytest.approx(1.6 * prior.quantile(share).low, rel=1e-9)


@pytest.mark.parametrize(
    ("statements", "problem"),
    [
        (((0.1, 90e3, 60e3, 120e3), (0.5, 80e3, 60e3, 120e3)), "cross"),
        (((0.5, 90e3, 60e3, 120e3), (0.5, 95e3, 60e3, 120e3)), "cross"),
        (((0.1, 90e3, 90e3, 90e3), (0.5, 150e3, 120e3, 190e3)), "range without width"),
        (((0.1, 90e3, 120e3, 60e3), (0.5, 150e3, 120e3, 190e3)), "range without width"),
    ],
)
def test_statements_that_contradict_themselves(statements, problem):
    with pytest.raises(FitError, match=problem):
        prior_of(belief(*statements), WEIBULL)


def test_reference_prior_knows_no_unit():
    """It is set by how far the records reach, so miles and km give the same answer."""
    km = reference_prior(Lives.of(good=[50e3, 100e3]), WEIBULL)
    miles = reference_prior(Lives.of(good=[50e3 / 1.609344, 100e3 / 1.609344]), WEIBULL)
    assert km.location - miles.location == pytest.approx(log(1.609344))
    assert km.location == pytest.approx(log(300e3))
    with pytest.raises(FitError, match="neither a belief nor a record"):
        reference_prior(Lives.of(), WEIBULL)


@BOTH
def test_reference_prior_is_as_wide_as_documented(dist):
    """Median scale three times the longest distance seen, within a factor of 12 (90 %); shape 1.7, factor 2.7."""
    mu, sigma = draws(reference_prior(Lives.of([20e3], [50e3, 100e3]), dist))
    assert np.quantile(np.exp(mu) / 100e3, [0.05, 0.5, 0.95]) == pytest.approx([3 / 12, 3, 3 * 12], rel=0.03)
    assert np.quantile(1 / sigma, [0.05, 0.5, 0.95]) == pytest.approx([1.7 / 2.7, 1.7, 1.7 * 2.7], rel=0.03)
