"""Probability paper: lives of a family lie on a line, and the line is the fit with its limits."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.special import ndtri
from scipy.stats import linregress

from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, fit, profile_interval, rank
from wearlore.life.paper import papers, probability_plot
from wearlore.life.turnbull import record_curve
from wearlore.lives import Lives


def test_plotting_positions_are_the_middles_of_the_steps():
    """Meeker & Escobar (1998), section 6.4: (i - 1/2) / n of a complete sample, on either paper."""
    lives = Lives.of([10.0, 20, 40, 80])
    curve = record_curve(lives)
    shares = np.array([1, 3, 5, 7]) / 8
    for dist, z in ((WEIBULL, np.log(-np.log(1 - shares))), (LOGNORMAL, ndtri(shares))):
        plot = probability_plot(curve, fit(lives, dist))
        assert_allclose(plot.points.failed, shares)
        assert_allclose(plot.points.z, z)
        assert_allclose(plot.points.x, np.log([10, 20, 40, 80]))
        assert plot.straightness == pytest.approx(linregress(plot.points.x, z).rvalue ** 2)


def test_failures_between_two_looks_stand_at_the_end_of_their_cell():
    lives = Lives(np.zeros(3), np.array([0.0, 3, 5]), np.array([3, 5, inf]), np.array([2.0, 3, 5]))
    plot = probability_plot(record_curve(lives), fit(lives, WEIBULL))
    assert_allclose(plot.points.km, [3, 5])
    assert_allclose(plot.points.failed, [0.2, 0.5])
    assert_allclose(plot.weight, [2, 3])
    assert plot.straightness is None  # two points are always straight


def test_an_end_at_which_all_failed_has_no_place():
    lives = Lives(np.zeros(3), np.array([0.0, 3, 5]), np.array([3.0, 5, 9]), np.ones(3))
    plot = probability_plot(record_curve(lives), fit(lives, WEIBULL))
    assert_allclose(plot.points.km, [3, 5])
    assert np.isfinite(plot.points.z).all()


def test_limits_of_points_are_the_curves(data):
    lives = data("d2_shock_absorbers")
    curve = record_curve(lives)
    points = probability_plot(curve, fit(lives, WEIBULL)).points
    assert_allclose(points.low, 1 - curve.high)
    assert_allclose(points.high, 1 - curve.low)
    assert_allclose(points.z_low, np.log(-np.log(curve.high)))
    assert ((points.low <= points.failed) & (points.failed <= points.high)).all()


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, EXPONENTIAL], ids=lambda d: d.name)
def test_line_is_the_fit_and_straight(data, dist):
    lives = data("d2_shock_absorbers")
    fitted = fit(lives, dist)
    line = probability_plot(record_curve(lives), fitted, level=0.9).line
    assert_allclose(line.z, (line.x - fitted.mu) / fitted.sigma, rtol=1e-8, atol=1e-10)
    alive = profile_interval(lives, fitted, "survival", float(line.km[20]), 0.9)
    assert (line.low[20], line.high[20]) == pytest.approx((1 - alive.high, 1 - alive.low))
    assert ((line.z_low < line.z) & (line.z < line.z_high)).all()


def test_late_points_start_on_the_line(data):
    """The curve is given that a man is alive at 816 months; the paper is not."""
    men = data("channing_men")
    fitted = fit(men, WEIBULL)
    curve = record_curve(men, since=816)
    points = probability_plot(curve, fitted).points
    middle = 0.5 * (np.concatenate([[1.0], curve.survival[:-1]]) + curve.survival)
    assert_allclose(1 - points.failed, float(fitted.sf(816)) * middle)


@settings(max_examples=6, deadline=None)
@given(mu=st.floats(9, 13), sigma=st.floats(0.1, 1.5), dist=st.sampled_from([WEIBULL, LOGNORMAL]))
def test_lives_on_the_quantiles_of_a_family_are_straight_on_its_paper(mu, sigma, dist):
    shares = (np.arange(30) + 0.5) / 30
    lives = Lives.of(np.exp(mu + sigma * dist.z(shares)))
    drawn = papers(record_curve(lives), rank(lives))
    assert drawn.plots[0].dist is dist
    assert drawn.plots[0].straightness == pytest.approx(1, abs=1e-9)
    assert drawn.plots[1].straightness < 0.99
    assert drawn.verdict.startswith(f"Straighter on {dist.name} paper (1.000) than on ")
    assert f"every life, {dist.name} is better by" in drawn.verdict
    assert "is no test" in drawn.verdict


def test_few_failures_are_said_to_look_straight_anyway():
    lives = Lives.of([10.0, 20, 30, 50], [60.0] * 5)
    assert "any paper looks straight" in papers(record_curve(lives), rank(lives)).verdict


def test_nothing_is_said_of_too_few_points():
    lives = Lives.of([10.0, 20], [60.0] * 5)
    assert papers(record_curve(lives), rank(lives)).verdict.startswith("Too few")


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, EXPONENTIAL], ids=lambda d: d.name)
def test_limits_of_many_lives_are_those_of_each_distance(dist):
    """Of so many distances the lives are condensed; to a thousandth of the width nothing is lost."""
    rng = np.random.default_rng(4)
    life, entry, until = 120e3 * rng.weibull(2, 8000), rng.integers(0, 2, 8000) * 2e4, 2e4 + 150e3 * rng.random(8000)
    seen, upper = life > entry, np.where(life < until, life, inf)
    lives = Lives(*(column[seen] for column in (entry, np.minimum(life, until), upper, np.ones(8000))))
    best, at = fit(lives, dist), np.array([1e3, 2e4, 1e5, 3e5])
    for km, ours in zip(at.tolist(), best.survivals(at), strict=True):
        plain = profile_interval(lives, best, "survival", km)
        for end in ("low", "value", "high"):
            assert getattr(ours, end) == pytest.approx(getattr(plain, end), abs=1e-3 * (plain.high - plain.low))
