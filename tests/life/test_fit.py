"""Laws of the fit and of its profile-likelihood intervals; its hard ends."""

from __future__ import annotations

import pickle
from dataclasses import replace
from math import exp, inf, log, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, bound, fit, log_likelihood, profile_interval, rank
from wearlore.lives import Lives
from wearlore.units import Units

BOTH = pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
FEW = settings(max_examples=40, deadline=None)


@st.composite
def lives_with_failures(draw):
    """3 to 12 failures at distinct distances and as many lives of other kinds, some seen late: always a maximum."""
    failed = draw(st.lists(st.integers(20, 2000), min_size=3, max_size=12, unique=True))
    rows = [(0, 100 * t, 100 * t, draw(st.integers(1, 3))) for t in failed]
    for t in draw(st.lists(st.integers(20, 2000), min_size=1, max_size=12)):
        kind = draw(st.sampled_from(["good", "between", "left"]))
        row = {"good": (100 * t, inf), "between": (100 * t, 130 * t), "left": (0, 100 * t)}[kind]
        rows.append((50 * t if kind != "left" and draw(st.booleans()) else 0, *row, draw(st.integers(1, 3))))
    return Lives(*np.array(rows, float).T)


def fitted_or_skipped(lives, dist):
    try:
        return fit(lives, dist)
    except FitError:
        assume(False)


@BOTH
@FEW
@given(data=st.data())
def test_nothing_near_is_likelier(dist, data):
    lives = data.draw(lives_with_failures())
    best = fitted_or_skipped(lives, dist)
    step = data.draw(st.sampled_from([1e-4, 1e-2, 0.3]))
    angle = data.draw(st.floats(0, 6.3))
    mu, sigma = best.mu + step * np.cos(angle), best.sigma * exp(step * np.sin(angle))
    assert log_likelihood(dist, mu, sigma, lives) <= best.log_likelihood + 1e-9


@BOTH
@FEW
@given(data=st.data(), c=st.floats(0.01, 100))
def test_changing_km_to_another_unit_only_moves_mu(dist, data, c):
    """Breaks if a bound, start or tolerance is secretly in km."""
    lives = data.draw(lives_with_failures())
    a = fitted_or_skipped(lives, dist)
    b = fit(Lives(c * lives.entry, c * lives.lower, c * lives.upper, lives.count), dist)
    assert (b.mu - a.mu, b.sigma) == pytest.approx((log(c), a.sigma), rel=1e-5, abs=1e-6)
    assert b.interval("scale").low / c == pytest.approx(a.interval("scale").low, rel=1e-5)


@BOTH
@FEW
@given(data=st.data())
def test_a_counted_row_is_so_many_rows(dist, data):
    lives = data.draw(lives_with_failures())
    split = np.repeat(np.arange(len(lives)), lives.count.astype(int))
    one_by_one = replace(lives.where(split), count=np.ones(split.size))
    a, b = fitted_or_skipped(lives, dist), fit(one_by_one, dist)
    assert (b.mu, b.sigma, b.log_likelihood) == pytest.approx((a.mu, a.sigma, a.log_likelihood), rel=1e-8)


@BOTH
@FEW
@given(data=st.data(), at=st.floats(1e3, 3e5))
def test_one_more_life_still_good_never_raises_the_likelihood(dist, data, at):
    lives = data.draw(lives_with_failures())
    more = Lives(
        np.append(lives.entry, 0), np.append(lives.lower, at), np.append(lives.upper, inf), np.append(lives.count, 1)
    )
    assert fit(more, dist).log_likelihood <= fitted_or_skipped(lives, dist).log_likelihood + 1e-9


@FEW
@given(lives=lives_with_failures(), at=st.floats(1e3, 3e5))
def test_one_more_life_still_good_lengthens_the_mean(lives, at):
    more = Lives(
        np.append(lives.entry, 0), np.append(lives.lower, at), np.append(lives.upper, inf), np.append(lives.count, 1)
    )
    assert fit(more, EXPONENTIAL).scale >= fitted_or_skipped(lives, EXPONENTIAL).scale * (1 - 1e-9)


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, EXPONENTIAL], ids=lambda d: d.name)
@FEW
@given(data=st.data())
def test_profile_intervals_hold_the_estimate_and_nest(dist, data):
    best = fitted_or_skipped(data.draw(lives_with_failures()), dist)
    what, at = data.draw(
        st.sampled_from([("scale", 0), ("shape", 0), ("sigma", 0), ("quantile", 0.1), ("quantile", 0.5)])
        | st.tuples(st.just("survival"), st.floats(5e3, 2e5))
    )
    half, most = best.interval(what, at, 0.5), best.interval(what, at, 0.95)
    assert most.low <= half.low <= half.value <= half.high <= most.high
    estimates = {
        "scale": lambda: best.scale,
        "shape": lambda: best.shape,
        "sigma": lambda: best.sigma,
        "quantile": lambda: best.quantile(at),
        "survival": lambda: float(best.sf(at)),
    }
    assert half.value == pytest.approx(estimates[what](), rel=1e-9)


def test_every_life_survives_no_distance():
    assert fit(Lives.of([1e4, 2e4], [3e4]), WEIBULL).interval("survival", 0.0) == Estimate(1.0, 1.0, 1.0)


@BOTH
@FEW
@given(data=st.data(), km=st.floats(1e4, 1.5e5))
def test_limits_of_survival_and_of_its_quantile_are_one_statement(dist, data, km):
    """S(km) >= s and "a share 1 - s has failed by km or later" bound the same parameters."""
    best = fitted_or_skipped(data.draw(lives_with_failures()), dist)
    low = best.interval("survival", km).low
    assume(1e-6 < low < 1 - 1e-6)
    assert best.interval("quantile", 1 - low).low == pytest.approx(km, rel=1e-6)


@BOTH
@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.8])
def test_quantile_limits_by_brute_force(data, dist, side, share):
    """Bisection over a bounded one-dimensional search, using nothing but the likelihood."""
    lives = data("d2_shock_absorbers")
    best, z = fit(lives, dist), float(dist.z(share))

    def profile(y):
        def loss(t):
            return -log_likelihood(dist, y - z * exp(t), exp(t), lives)

        return -minimize_scalar(loss, bounds=(log(best.sigma) - 2, log(best.sigma) + 2), options={"xatol": 1e-11}).fun

    def excess(y):
        return 2 * (best.log_likelihood - profile(y)) - chi2.ppf(0.95, 1)

    y0 = log(best.quantile(share))
    expected = exp(brentq(excess, y0, y0 + side * 2.5, xtol=1e-12))
    interval = profile_interval(lives, best, "quantile", share)
    assert (interval.low if side < 0 else interval.high) == pytest.approx(expected, rel=1e-6)


def test_exponential_limits_are_those_of_the_closed_form():
    """Fewer than 12 failures in 344 440 h: r ln(m) + T/m - r - r ln(T/r) = chi2 / 2."""
    lives = Lives.of(failed=[10_000.0, 20_000.0, 50_000.0], good=[70_000.0] * 4)
    total, r = 360_000.0, 3
    interval = fit(lives, EXPONENTIAL).interval("scale")
    for mean in (interval.low, interval.high):
        assert 2 * (r * log(mean * r / total) + total / mean - r) == pytest.approx(chi2.ppf(0.95, 1), rel=1e-8)
    assert fit(lives, EXPONENTIAL).interval("shape").low == 1


def test_wald_and_profile_meet_in_large_samples():
    rng = np.random.default_rng(5)
    best = fit(Lives.of(failed=rng.weibull(2.0, 40_000) * 1e5), WEIBULL)
    reach = 1.959964 * sqrt(best.covariance[1][1])
    shape = best.interval("shape")
    assert (shape.low, shape.high) == pytest.approx((best.shape * exp(-reach), best.shape * exp(reach)), rel=1e-4)


UNDETERMINED = {
    "one life, failed": Lives.of([50e3]),
    "all at one distance": Lives.of([50e3, 50e3, 50e3], [30e3]),
    "all failed before the first look": Lives(np.zeros(2), np.zeros(2), np.array([5e4, 6e4]), np.ones(2)),
    "one interval that every life shares": Lives(np.zeros(1), np.array([4e4]), np.array([5e4]), np.array([9.0])),
}


@BOTH
@pytest.mark.parametrize("lives", UNDETERMINED.values(), ids=UNDETERMINED)
def test_lives_that_determine_nothing_end_in_a_clear_error(dist, lives):
    with pytest.raises(FitError, match=r"no maximum.*belief"):
        fit(lives, dist)
    assert dist not in [f.dist for f in rank(lives)]


def test_nothing_failed_points_to_the_bound():
    with pytest.raises(FitError, match="bound"):
        fit(Lives.of(good=[1e5] * 3), WEIBULL)
    with pytest.raises(FitError, match="without a failure"):
        bound(Lives.of([1e5]))
    with pytest.raises(FitError, match="no distance"):
        bound(Lives.of())
    with pytest.raises(FitError, match="no distance"):
        bound(Lives.of(good=[0.0, 0.0]))


def test_one_failure_among_lives_that_outran_it_has_a_fit_with_open_ends():
    best = fit(Lives.of([30e3], [40e3] * 9), WEIBULL)
    scale = best.interval("scale")
    assert scale.low < best.scale < scale.high
    assert best.interval("quantile", 0.1).low < best.quantile(0.1)
    assert "1 failure in 10 lives" in str(best)


def test_an_end_that_nothing_bounds_is_open():
    """One look each: 1 of 3 failed by 30 000 km, 2 of 3 by 60 000 km. A constant share (shape 0) is not ruled out:
    its likelihood is 6 ln(1/2) against 2 ln(1/3) + 4 ln(2/3), a drop of 0.34 where 1.92 is needed."""
    lives = Lives(np.zeros(4), np.array([0, 3e4, 0, 6e4]), np.array([3e4, inf, 6e4, inf]), np.array([1.0, 2, 2, 1]))
    best = fit(lives, WEIBULL)
    assert best.log_likelihood == pytest.approx(2 * log(1 / 3) + 4 * log(2 / 3), rel=1e-12)
    assert best.interval("shape").low == 0
    assert (best.interval("scale").low, best.interval("scale").high) == (0, inf)
    assert "over" in str(best)


def test_families_are_ranked_by_aicc(data):
    """AICc with n lives: 2k - 2 ln L + 2k(k+1)/(n-k-1) (Hurvich & Tsai 1989)."""
    ranked = rank(data("d2_shock_absorbers"))
    assert [f.dist.name for f in ranked] == ["Weibull", "lognormal", "exponential"]
    assert ranked[0].aicc == pytest.approx(4 - 2 * -123.99536 + 12 / 35, abs=1e-4)
    assert ranked[2].aicc == pytest.approx(2 - 2 * -131.42373 + 4 / 36, abs=1e-4)
    assert fit(Lives.of([1e4, 2e4]), WEIBULL).aicc == inf


def test_a_fit_reads_like_the_mathematics_in_any_unit(data):
    best = fit(data("d2_shock_absorbers"), WEIBULL)
    assert str(best) == ("Weibull: scale 27,700 km (23,300 to 38,000), shape 3.2 (1.9 to 4.8); 11 failures in 38 lives")
    assert best.show(Units("miles")).startswith("Weibull: scale 17,200 miles (14,500 to 23,600), shape 3.2")
    assert str(fit(data("d2_shock_absorbers"), LOGNORMAL)).startswith("lognormal: median 25,500 km")


def test_a_fit_travels_to_a_worker_process(data):
    best = fit(data("d2_shock_absorbers"), LOGNORMAL)
    assert pickle.loads(pickle.dumps(best)).quantile(0.1) == best.quantile(0.1)


def test_a_million_lives_cost_what_their_rows_cost():
    """Counts, not copies: the estimate is that of the same rows, its interval a thousand times narrower."""
    rows = Lives.of([2e4, 5e4, 9e4, 1.1e5], [1.2e5])
    many = replace(rows, count=1e6 * rows.count)
    a, b = fit(rows, WEIBULL), fit(many, WEIBULL)
    assert b.scale == pytest.approx(a.scale, rel=1e-7)
    assert b.covariance[0][0] == pytest.approx(a.covariance[0][0] * 1e-6, rel=1e-4)
    interval = b.interval("scale")
    assert log(interval.high / interval.low) == pytest.approx(2 * 1.959964 * sqrt(b.covariance[0][0]), rel=1e-3)


def test_a_quantile_far_from_what_two_looks_saw_has_an_interval():
    """Breaks if the profile's curvature, taken along a drift that is cut off, comes out below 0."""
    lower, upper = np.array([0, 80e3, 80e3]), np.array([80e3, 160e3, np.inf])
    two_looks = Lives(np.zeros(3), lower, upper, np.array([11.0, 14.0, 15.0]))
    model = fit(two_looks, WEIBULL)
    for share in (0.1, 0.5):
        estimate = profile_interval(two_looks, model, "quantile", share)
        assert estimate.low < model.quantile(share) < estimate.high
