"""The one log-likelihood: against scipy and numerical integration, its derivatives, its tails."""

from __future__ import annotations

from math import exp, inf, log, pi, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import wofz
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


def ln_sf(dist, z):
    """ln S of a complex z, to the last digits in both tails."""
    if dist is WEIBULL:
        return -np.exp(z)
    upper = z.real > 0
    far, near = np.where(upper, z, 1), np.where(upper, -1, z)
    return np.where(
        upper,
        np.log(wofz(1j * far / sqrt(2)) / 2) - far**2 / 2,
        np.log1p(-wofz(-1j * near / sqrt(2)) * np.exp(-(near**2) / 2) / 2),
    )


def ln_failed(dist, a, b):
    """ln(F(b) - F(a)) of complex a and b, without cancellation."""
    if dist is WEIBULL:
        fallen = np.exp(a) - np.exp(b) if (b - a).real > 1 else np.exp(b) * np.expm1(a - b)
        return -np.exp(a) + (np.log(-np.expm1(fallen)) if abs(fallen) > 1e-300 else b + np.log(-np.expm1(a - b)))
    if b.real < 0:
        a, b = -b, -a
    if a.real > 0:
        return ln_sf(dist, a) + np.log(-np.expm1(ln_sf(dist, b) - ln_sf(dist, a)))
    return np.log1p(-np.exp(ln_sf(dist, b)) - np.exp(ln_sf(dist, -a)))


def by_row(dist, mu, ln_sigma, lives):
    """The log-likelihood of each row, and what its entry takes off, for complex mu and ln sigma."""
    sigma, rows = np.exp(ln_sigma), []
    for entry, lower, upper, count in zip(lives.entry, lives.lower, lives.upper, lives.count, strict=True):
        a, b = ((log(t) - mu) / sigma if 0 < t < inf else None for t in (lower, upper))
        if lower == upper:
            density = a - np.exp(a) if dist is WEIBULL else -a * a / 2 - log(2 * pi) / 2
            row = density - ln_sigma - log(lower)
        elif upper == inf:
            row = ln_sf(dist, a)
        elif lower == 0:
            row = ln_sf(dist, -b) if dist is LOGNORMAL else np.log(-np.expm1(-np.exp(b))) if b.real > -30 else b
        else:
            row = ln_failed(dist, a, b)
        rows += [count * row, -count * ln_sf(dist, (log(entry) - mu) / sigma) if entry else 0j]
    return np.array(rows)


SIXTH = np.array([[-3, -2, -1, 1, 2, 3], [-1 / 60, 3 / 20, -3 / 4, 3 / 4, -3 / 20, 1 / 60]])  # offsets and weights


@BOTH
@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_gradient_and_hessian_are_those_of_the_value(dist, data):
    """Gradient by complex step, which is exact; Hessian by sixth-order differences of that; shapes from 0.3 to 20.

    Step d: 0.005 of the distance over which a term changes (sigma in mu, 1 / z in ln sigma). What is left is d^6 / 140
    times a seventh derivative (up to 877 for exp(exp x) at 0) and a few 1e-16 / d, near 1e-13 of the sum of the rows'
    sizes. An interval loses (sigma / width)^2 of its digits. (At one life good at 18,894 km, mu 9.9375, sigma 0.0546875
    the difference itself is off by 1.3e-9; in 50 digits the Hessian is right to 6e-12.)
    """
    lives_seen = data.draw(lives())
    between = lives_seen.where(lives_seen.between & (lives_seen.lower > 0))
    width = np.append(between.upper / between.lower - 1, 1.0)
    assume((width > 2e-3).all())
    point = np.array([data.draw(st.floats(log(2e4), log(4e5))), log(data.draw(st.floats(0.05, 3)))])
    sigma = exp(point[1])
    at = Terms.of(lives_seen).derivatives(dist, point[0], sigma)
    edges = np.array([lives_seen.entry, lives_seen.lower, lives_seen.upper])
    farthest = max(1.0, np.abs((np.log(edges[(edges > 0) & (edges < inf)]) - point[0]) / sigma).max())
    value = by_row(dist, *(point + 0j), lives_seen).real
    tolerance = 2e-12 * (1 + farthest**2) * max(1.0, sigma / width.min()) ** 2

    def slopes(where):
        return np.array([by_row(dist, *(where + 1e-40j * axis), lives_seen).imag / 1e-40 for axis in np.eye(2)])

    assert at.value == pytest.approx(value.sum(), abs=tolerance * (1 + np.abs(value).sum()))
    slope = slopes(point)
    size = 1 + np.abs(value).sum() + np.abs(slope).sum()
    assert at.gradient == pytest.approx(slope.sum(axis=1), abs=tolerance * size)
    for j, step in enumerate((0.005 * sigma, 0.005 / farthest)):
        bend = sum(w * slopes(point + k * step * np.eye(2)[j]) for k, w in SIXTH.T) / step
        assert at.hessian[j] == pytest.approx(bend.sum(axis=1), abs=tolerance * (size + np.abs(bend).sum()))


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
@pytest.mark.parametrize("width", [1e-3, 2e-5, 5e-6, 1e-9, 2e-16])
def test_a_narrow_interval_is_its_density_times_its_width(dist, width):
    """On both sides of the width where the computation changes."""
    mu, sigma, t = log(100e3), 0.4, 80e3
    lives = Lives(np.zeros(1), np.array([t * exp(-width / 2)]), np.array([t * exp(width / 2)]), np.ones(1))
    expected = log(frozen(dist, mu, sigma).pdf(t) * t) + log(np.log1p((lives.upper - lives.lower) / lives.lower)[0])
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
    rare = log_likelihood(WEIBULL, log(10**6), 0.5, early)  # 1e-12 and 4e-12: exp(-1e-12) - exp(-4e-12)
    assert rare == pytest.approx(log(3e-12 - 7.5e-24), rel=1e-13)
    late = Lives(np.zeros(1), np.array([40.0]), np.array([50.0]), np.ones(1))  # cumulative hazard 1600 and 2500
    assert log_likelihood(WEIBULL, 0.0, 0.5, late) == pytest.approx(-1600, rel=1e-15)
    found = Lives(np.zeros(1), np.zeros(1), np.array([1.0]), np.ones(1))  # F = 1e-40
    assert log_likelihood(WEIBULL, 40 * log(10), 1.0, found) == pytest.approx(-40 * log(10), rel=1e-12)
    assert log_likelihood(LOGNORMAL, 30.0, 1.0, found) == pytest.approx(lognorm(1, scale=exp(30)).logcdf(1), rel=1e-12)
    between = Lives(np.zeros(1), np.array([exp(20.0)]), np.array([exp(20.1)]), np.ones(1))
    mass = quad(lambda z: exp(-z * z / 2 + 200), 20, 20.1, epsabs=0, epsrel=1e-12)[0] / np.sqrt(2 * np.pi)
    assert log_likelihood(LOGNORMAL, 0.0, 1.0, between) == pytest.approx(log(mass) - 200, rel=1e-11)
    far = Lives(np.zeros(1), np.array([1.0]), np.array([2.0]), np.ones(1))  # survival of both is 1 but for e^-750
    assert log_likelihood(WEIBULL, 750.0, 1.0, far) == pytest.approx(log(2 - 1) - 750, rel=1e-13)
    mills = -(100**2) / 2 - log(100 * sqrt(2 * pi)) - 1e-4  # ln F(-100) to 1e-8; F(-100.7) is e^-70 of it
    assert log_likelihood(LOGNORMAL, 100 + log(2), 1.0, far) == pytest.approx(mills, abs=1e-6)


@BOTH
def test_a_failure_certain_from_entry_on_says_nothing(dist):
    """A hundred thousand that outlived 10 000 km where next to none does, and failed by 20 000 km: chance 1, not noise
    of the large hazards that cancel."""
    lives = Lives(np.array([1e4]), np.array([1e4]), np.array([2e4]), np.array([1e5]))
    at = Terms.of(lives).derivatives(dist, log(1e4) - 5.0, 0.05)
    assert (at.value, *at.gradient, *at.hessian.ravel()) == pytest.approx((0.0,) * 7, abs=1e-200)


@BOTH
@settings(max_examples=60, deadline=None)
@given(data=st.data(), sigma=st.floats(0.05, 2))
def test_condensed_distances_give_the_same_likelihood(dist, data, sigma):
    """To (1/4)^4 / 4320 of the fourth derivatives, which are under 10 (lognormal) or the hazards (Weibull)."""
    rng = np.random.default_rng(data.draw(st.integers(0, 10**6)))
    km = np.round(rng.uniform(1e3, 1e5, (3, 400)), -2)
    entry, end, count = np.minimum(*km[:2]), np.maximum(*km[:2]), rng.integers(1, 9, 400).astype(float)
    kind = rng.integers(0, 4, 400)
    lower = np.select([kind == 0, kind == 1, kind == 2], [end, end, end], 0.0)
    upper = np.select([kind == 0, kind == 1, kind == 2], [end, inf, end + 5e3], end)
    terms = Terms.of(Lives(np.where(kind < 3, entry, 0.0), lower, upper, count))
    small = terms.condensed(sigma / 4)
    assert small.survived.size < terms.survived.size
    mu = log(data.draw(st.floats(3e4, 3e5)))
    z = (np.log(np.maximum(end, entry)) - mu) / sigma
    fourth = (count * (10 + np.exp(np.minimum(z, 300)) if dist is WEIBULL else 10 * count)).sum()
    value = float(terms.log_likelihood(dist, mu, sigma))
    assert float(small.log_likelihood(dist, mu, sigma)) == pytest.approx(value, abs=1e-6 * fourth, rel=1e-14)
