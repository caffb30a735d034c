"""The one log-likelihood: against scipy and numerical integration, its derivatives, its tails."""

from __future__ import annotations

from math import exp, inf, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import lognorm, weibull_min

from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, log_likelihood
from wearlore.life.likelihood import Terms
from wearlore.lives import Lives

BOTH = pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
EVERY_KIND = Lives(  # exact, good, between, left, and each of them seen late where it can be
    entry=np.array([0, 0, 0, 0, 20e3, 30e3, 10e3]),
    lower=np.array([90e3, 120e3, 60e3, 0, 70e3, 45e3, 10e3]),
    upper=np.array([90e3, inf, 75e3, 40e3, 70e3, inf, 55e3]),
    count=np.array([1.0, 7, 2, 3, 4, 11, 2]),
)


@st.composite
def lives(draw):
    """Up to 12 rows of any kind, counted, within a factor of 20 of 50 000 km."""
    rows = []
    for _ in range(draw(st.integers(1, 12))):
        a, b, c = sorted(draw(st.floats(2500, 1e6)) for _ in range(3))
        late = draw(st.booleans())
        kind = draw(st.sampled_from(["exact", "good", "between", "left"]))
        row = {"exact": (b, b), "good": (b, inf), "between": (b, c), "left": (0, c)}[kind]
        rows.append((a if late and kind != "left" else 0, *row, draw(st.integers(1, 40))))
    return Lives(*np.array(rows, float).T)


def frozen(dist, mu, sigma):
    return lognorm(sigma, scale=exp(mu)) if dist is LOGNORMAL else weibull_min(1 / sigma, scale=exp(mu))


@BOTH
def test_every_kind_of_row_adds_its_chance(dist):
    mu, sigma = log(110e3), 0.45
    known = frozen(dist, mu, sigma)
    expected = 0.0
    for entry, lower, upper, count in zip(
        EVERY_KIND.entry, EVERY_KIND.lower, EVERY_KIND.upper, EVERY_KIND.count, strict=True
    ):
        a, b = max(log(lower), mu - 40 * sigma) if lower else mu - 40 * sigma, min(log(upper), mu + 12 * sigma)
        mass = quad(lambda x: known.pdf(exp(x)) * exp(x), a, b, epsabs=0, epsrel=1e-10, limit=200)[0] if b > a else None
        chance = known.pdf(lower) if mass is None else mass
        expected += count * log(chance / known.sf(entry))
    assert log_likelihood(dist, mu, sigma, EVERY_KIND) == pytest.approx(expected, rel=1e-10)


def test_exponential_is_a_weibull_of_shape_1():
    assert EXPONENTIAL.parameters == 1
    assert log_likelihood(EXPONENTIAL, 11.0, 1.0, EVERY_KIND) == log_likelihood(WEIBULL, 11.0, 1.0, EVERY_KIND)


@BOTH
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_gradient_and_hessian_are_those_of_the_value(dist, data):
    """Fourth-order differences of the value and of the gradient."""
    terms = Terms.of(data.draw(lives()))
    point = np.array([data.draw(st.floats(log(2e4), log(4e5))), data.draw(st.floats(log(0.5), log(3)))])
    at = terms.derivatives(dist, point[0], exp(point[1]))
    h = 1e-3
    for j, direction in enumerate(np.eye(2)):
        steps = [
            terms.derivatives(dist, *(lambda p: (p[0], exp(p[1])))(point + k * h * direction)) for k in (-2, -1, 1, 2)
        ]
        weights = np.array([1, -8, 8, -1]) / (12 * h)
        slope = sum(w * s.value for w, s in zip(weights, steps, strict=True))
        bend = sum(w * s.gradient for w, s in zip(weights, steps, strict=True))
        size = max(1.0, abs(at.value), np.abs(at.gradient).max(), np.abs(at.hessian).max())
        # what the differences leave: h^4 / 30 times a fifth derivative, some powers of (z, 1/sigma) above the second
        assert slope == pytest.approx(at.gradient[j], abs=1e-8 * size)
        assert bend == pytest.approx(at.hessian[j], abs=1e-7 * size)


@BOTH
@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_an_impossible_point_gives_minus_infinity_never_nan(dist, data):
    terms = Terms.of(data.draw(lives()))
    mu, sigma = data.draw(st.floats(-40, 60)), exp(data.draw(st.floats(-7, 5)))
    value = terms.log_likelihood(dist, mu, sigma)
    at = terms.derivatives(dist, mu, sigma)
    assert not np.isnan(value)
    assert value < inf
    assert np.isfinite(at.gradient).all()
    assert np.isfinite(at.hessian).all()


@BOTH
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_counted_row_is_so_many_rows(dist, data):
    whole = data.draw(lives())
    parts = Lives(
        np.repeat(whole.entry, 2),
        np.repeat(whole.lower, 2),
        np.repeat(whole.upper, 2),
        np.column_stack([0.25 * whole.count, 0.75 * whole.count]).ravel(),
    )
    value = log_likelihood(dist, 11.5, 0.7, whole)
    assert log_likelihood(dist, 11.5, 0.7, parts) == pytest.approx(value, rel=1e-12, abs=1e-9)


@BOTH
def test_every_point_of_a_grid_at_once(dist):
    mu, sigma = np.linspace(11, 12, 4)[:, None], np.array([0.3, 0.5, 1.2])
    grid = Terms.of(EVERY_KIND).log_likelihood(dist, mu, sigma)
    one_by_one = [[log_likelihood(dist, m, s, EVERY_KIND) for s in sigma] for m in mu[:, 0]]
    assert grid == pytest.approx(np.array(one_by_one), rel=1e-13)


@BOTH
@pytest.mark.parametrize("width", [1e-3, 2e-5, 5e-6, 1e-9])
def test_a_narrow_interval_is_its_density_times_its_width(dist, width):
    """On both sides of the width where the computation changes."""
    mu, sigma, t = log(100e3), 0.4, 80e3
    lives = Lives(np.zeros(1), np.array([t * exp(-width / 2)]), np.array([t * exp(width / 2)]), np.ones(1))
    expected = log(frozen(dist, mu, sigma).pdf(t) * t) + log(log(lives.upper[0] / lives.lower[0]))
    terms = Terms.of(lives)
    assert terms.log_likelihood(dist, mu, sigma) == pytest.approx(expected, rel=max(width**2, 1e-10))
    exact = Terms.of(Lives.of([t])).derivatives(dist, mu, sigma)
    at = terms.derivatives(dist, mu, sigma)
    # near the change-over the two densities at the ends cancel: 2e-16 / width of each, squared for the Hessian
    assert at.gradient == pytest.approx(exact.gradient, rel=1e-5)
    assert at.hessian == pytest.approx(exact.hessian, rel=1e-4)


def test_tails_keep_their_digits():
    """Closed forms where naive differences of survival are 0 or 1 - 1."""
    early = Lives(np.zeros(1), np.array([1.0]), np.array([2.0]), np.ones(1))  # cumulative hazard 1e-25 and 4e-25
    assert log_likelihood(WEIBULL, log(10**12.5), 0.5, early) == pytest.approx(log(3e-25), rel=1e-12)
    late = Lives(np.zeros(1), np.array([40.0]), np.array([50.0]), np.ones(1))  # cumulative hazard 1600 and 2500
    assert log_likelihood(WEIBULL, 0.0, 0.5, late) == pytest.approx(-1600, rel=1e-15)
    found = Lives(np.zeros(1), np.zeros(1), np.array([1.0]), np.ones(1))  # F = 1e-40
    assert log_likelihood(WEIBULL, 40 * log(10), 1.0, found) == pytest.approx(-40 * log(10), rel=1e-12)
    assert log_likelihood(LOGNORMAL, 30.0, 1.0, found) == pytest.approx(lognorm(1, scale=exp(30)).logcdf(1), rel=1e-12)
    between = Lives(np.zeros(1), np.array([exp(20.0)]), np.array([exp(20.1)]), np.ones(1))
    mass = quad(lambda z: exp(-z * z / 2 + 200), 20, 20.1, epsabs=0, epsrel=1e-12)[0] / np.sqrt(2 * np.pi)
    assert log_likelihood(LOGNORMAL, 0.0, 1.0, between) == pytest.approx(log(mass) - 200, rel=1e-11)
