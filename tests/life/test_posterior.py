"""The posterior on its grid: against closed forms, and against brute-force integration with scipy's distributions."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import gamma, gumbel_l, nct, norm
from scipy.stats import t as student

from wearlore.book.model import Belief
from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, Prior, fit, posterior, prior_of, reference_prior
from wearlore.life.likelihood import Terms
from wearlore.lives import Lives

BOTH = pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
BELIEF = Belief.model_validate(
    {
        "quantiles": [
            {"share": 0.1, "at": 20e3, "between": [12e3, 33e3]},
            {"share": 0.5, "at": 45e3, "between": [30e3, 67e3]},
        ]
    }
)
CASES = {
    "no failure": Lives.of(good=[20e3] * 30),
    "one failure": Lives.of([30e3], [40e3] * 9),
    "one life, failed": Lives.of([5e4]),
    "failed at the first look": Lives(np.zeros(2), np.zeros(2), np.array([5e4, 6e4]), np.ones(2)),
    "seen late": Lives(
        np.array([2e4, 3e4, 0]), np.array([6e4, 5e4, 4e4]), np.array([6e4, inf, inf]), np.array([3.0, 4, 9])
    ),
    "every kind": Lives(
        np.array([0, 0, 0, 0, 2e4]),
        np.array([9e4, 1.2e5, 6e4, 0, 7e4]),
        np.array([9e4, inf, 7.5e4, 4e4, 7e4]),
        np.array([1.0, 7, 2, 3, 4]),
    ),
    "a thousand": Lives(np.zeros(3), np.array([5e4, 8e4, 1e5]), np.array([5e4, 8e4, inf]), np.array([100.0, 300, 600])),
}
VAGUE = Prior(LOGNORMAL, "reference", 11.0, 0.0, 1e4, 0.0, 1e3)  # flat in (mu, ln sigma)


def brute(lives, dist, prior):
    """Weights on a dense, plain grid of (mu, ln sigma), trimmed to where there is density; formulas written out."""
    mu, tau = np.linspace(4, 24, 400), np.linspace(-4.5, 3.5, 160)[:, None]
    density = log_density(lives, dist, prior, mu, tau)
    alive = density > density.max() - 17
    mu = np.linspace(*mu[alive.any(axis=0)][[0, -1]], 450)
    tau = np.linspace(*tau[alive.any(axis=1), 0][[0, -1]], 350)[:, None]
    density = log_density(lives, dist, prior, mu, tau)
    weight = np.exp(density - density.max())
    return mu, np.exp(tau), weight / weight.sum()


def log_density(lives, dist, prior, mu, tau):
    sigma = np.exp(tau)

    def log_sf(t):
        if dist is LOGNORMAL:
            return norm.logsf((log(t) - mu) / sigma)
        return -np.exp(np.minimum((log(t) - mu) / sigma, 600))

    def log_pdf(t):
        if dist is LOGNORMAL:
            return norm.logpdf((log(t) - mu) / sigma) - np.log(sigma * t)
        return -np.log(sigma) - mu / sigma + (1 / sigma - 1) * log(t) + log_sf(t)

    density = prior.log_density(mu, tau)
    for entry, lower, upper, count in zip(lives.entry, lives.lower, lives.upper, lives.count, strict=True):
        with np.errstate(divide="ignore"):  # an interval of no chance at some far point of the grid
            row = log_pdf(lower) if lower == upper else log_sf(lower) if lower else 0.0
            if lower < upper < inf:
                row = np.log(np.exp(row) - np.exp(log_sf(upper)))
        density = density + count * (row - (log_sf(entry) if entry else 0.0))
    return density


def quantiles(values, weight, shares):
    order = np.argsort(values, axis=None)
    sorted_weight = weight.ravel()[order]
    return np.interp(shares, np.cumsum(sorted_weight) - sorted_weight / 2, values.ravel()[order])


@BOTH
@pytest.mark.parametrize("believed", [True, False], ids=["belief", "reference"])
@pytest.mark.parametrize("case", CASES)
def test_posterior_by_brute_force(dist, believed, case):
    lives = CASES[case]
    prior = prior_of(BELIEF, dist) if believed else reference_prior(lives, dist)
    ours = posterior(lives, dist, prior)
    mu, sigma, weight = brute(lives, dist, prior)
    for share in (0.1, 0.6):  # at 0.5 ln of a lognormal's quantile is mu: all on the brute grid's few columns
        estimate = ours.quantile(share)
        expected = np.exp(quantiles(mu + float(dist.z(share)) * sigma, weight, [0.025, 0.5, 0.975]))
        coarse = max(5e-3, float(mu[1] - mu[0]))  # in ln km: the brute grid's own step
        assert (estimate.low, estimate.value, estimate.high) == pytest.approx(tuple(expected), rel=coarse)
    shape = ours.shape()
    expected = quantiles(1 / (sigma + 0 * mu), weight, [0.025, 0.5, 0.975])
    # the brute-force grid has one line per sigma: its quantiles are that coarse
    coarse = 2 * float(sigma[1, 0] / sigma[0, 0] - 1)
    assert (shape.low, shape.value, shape.high) == pytest.approx(tuple(expected), rel=coarse)
    km = np.array([1e3, 1e4, 4e4, 1e5, 2e5])
    known = np.array([(dist.sf(t, mu, sigma) * weight).sum() for t in km])
    assert ours.sf(km) == pytest.approx(known, abs=5e-4)
    survival = ours.survival(4e4)
    expected = quantiles(dist.sf(4e4, mu, sigma), weight, [0.025, 0.5, 0.975])
    assert (survival.low, survival.value, survival.high) == pytest.approx(tuple(expected), abs=2e-3)


@pytest.mark.parametrize("n", [4, 12, 60])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_lognormal_and_flat_prior_give_student_and_noncentral_t(n, share):
    """Complete lives: ln of a quantile is mean + s/sqrt(n) times a noncentral t (Owen 1968)."""
    y = 11 + 0.5 * np.random.default_rng(n).standard_normal(n)
    ours = posterior(Lives.of(np.exp(y)), LOGNORMAL, VAGUE).quantile(share, level=0.9)
    z = float(LOGNORMAL.z(share))
    law = nct(n - 1, sqrt(n) * z) if share != 0.5 else student(n - 1)
    expected = np.exp(y.mean() + y.std(ddof=1) / sqrt(n) * law.ppf([0.05, 0.5, 0.95]))
    assert (ours.low, ours.value, ours.high) == pytest.approx(tuple(expected), rel=4e-3)


@pytest.mark.parametrize("failures", [1, 3, 40])
def test_exponential_and_flat_prior_give_the_inverse_gamma(failures):
    """Distance run / mean life is gamma with as many degrees as failures (conjugate)."""
    lives = Lives(np.array([0, 1e4]), np.array([5e4, 6e4]), np.array([5e4, inf]), np.array([failures, 7.0]))
    run = failures * 5e4 + 7 * 5e4
    flat = Prior(EXPONENTIAL, "reference", 11.0, 0.0, 1e4, 0.0, 0.0)
    ours = posterior(lives, EXPONENTIAL, flat)
    mean = ours.quantile(1 - exp(-1), level=0.9)
    expected = run / gamma(failures).ppf([0.95, 0.5, 0.05])
    assert (mean.low, mean.value, mean.high) == pytest.approx(tuple(expected), rel=1e-3)
    assert ours.sf(3e4) == pytest.approx((1 + 3e4 / run) ** -failures, abs=1e-4)  # Lomax
    assert ours.shape().high == 1


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, EXPONENTIAL], ids=lambda d: d.name)
def test_without_records_the_posterior_is_the_prior(dist):
    prior = prior_of(BELIEF, dist)
    ours = posterior(Lives.of(), dist, prior)
    assert ours.record_share == 0
    assert ours.judgement_share == 1
    for share in (0.1, 0.5):
        a, b = prior.quantile(share, 0.9), ours.quantile(share, 0.9)
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=2e-4)


@BOTH
def test_many_records_drown_a_belief(dist, data):
    lives = data("d2_shock_absorbers")
    many = replace(lives, count=3000 * lives.count)
    best = fit(many, dist)
    ours = posterior(many, dist, prior_of(BELIEF, dist))
    assert ours.record_share > 0.999
    for share in (0.1, 0.5):
        known, believed = best.interval("quantile", share), ours.quantile(share)
        assert believed.value == pytest.approx(known.value, rel=2e-3)
        assert believed.high / believed.low == pytest.approx(known.high / known.low, rel=1e-3)


@BOTH
def test_the_share_of_the_record_grows_with_the_record(dist):
    prior, lives = prior_of(BELIEF, dist), CASES["every kind"]
    shares = [posterior(replace(lives, count=n * lives.count), dist, prior).record_share for n in (0.1, 1, 10, 100)]
    assert shares == sorted(shares)
    assert 0 <= shares[0] < 0.5 < shares[-1] < 1


def test_records_that_contradict_a_belief_still_count():
    """They widen B10's interval, and yet move it: a share of none would be false."""
    ours = posterior(CASES["every kind"], WEIBULL, prior_of(BELIEF, WEIBULL).scaled(6))
    assert ours.quantile(0.1).value < 0.8 * 6 * 20e3
    assert ours.record_share > 0.2


@BOTH
@pytest.mark.parametrize("believed", [True, False], ids=["belief", "reference"])
@pytest.mark.parametrize("case", CASES)
def test_few_nodes_stand_for_the_posterior(dist, believed, case):
    lives = CASES[case]
    ours = posterior(lives, dist, prior_of(BELIEF, dist) if believed else reference_prior(lives, dist))
    mu, sigma, weight = ours.nodes
    assert mu.shape == sigma.shape == weight.shape
    assert weight.size <= 256
    assert weight.sum() == pytest.approx(1)
    for share in (0.1, 0.5):
        z = float(dist.z(share))
        whole = ours.centre + ours.stretch[:, None] * ours.place + (z - ours.lean) * np.exp(ours.ln_spread)[:, None]
        mean = (whole * ours.weight).sum()
        spread = sqrt((np.square(whole - mean) * ours.weight).sum())
        few = (mu + z * sigma) @ weight
        assert few == pytest.approx(mean, abs=0.01 * spread)
        assert sqrt(np.square(mu + z * sigma - few) @ weight) == pytest.approx(spread, rel=0.01)


@BOTH
def test_a_ratio_of_lives_moves_the_posterior(dist):
    ours = posterior(CASES["every kind"], dist, prior_of(BELIEF, dist))
    longer = ours.scaled(1.7)
    assert longer.quantile(0.1).high == pytest.approx(1.7 * ours.quantile(0.1).high, rel=1e-9)
    assert longer.sf(1.7 * 3e4) == pytest.approx(ours.sf(3e4), rel=1e-12)
    assert longer.prior.quantile(0.1).value == pytest.approx(1.7 * ours.prior.quantile(0.1).value, rel=1e-9)


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, EXPONENTIAL], ids=lambda d: d.name)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_lives_have_a_posterior(dist, data):
    """No kind of row, however few or many, crashes it: all at one distance, failed where records begin, contradictions.
    Survival falls with distance and the intervals hold their value."""
    rows = []
    distance = st.sampled_from([1e4, 2e4, 2.01e4, 9e4]) | st.floats(1e3, 5e5)
    for _ in range(data.draw(st.integers(1, 8))):
        a, b, c = sorted(data.draw(distance) for _ in range(3))
        kinds = [(a, b, b), (b, b, b), (0, b, b), (a, b, inf), (a, b, c), (0, 0, c), (0, b, inf)]
        rows.append((*data.draw(st.sampled_from(kinds)), data.draw(st.integers(1, 5) | st.integers(1, 3000))))
    lives = Lives(*np.array(rows, float).T)
    prior = data.draw(st.sampled_from([prior_of(BELIEF, dist), reference_prior(lives, dist)]))
    ours = posterior(lives, dist, prior)
    survival = ours.sf(np.geomspace(1, 1e7, 30))
    assert (np.diff(survival) <= 1e-12).all()
    assert survival[0] <= 1 + 1e-12
    assert 0 <= ours.record_share <= 1
    b10, b50 = ours.quantile(0.1), ours.quantile(0.5)
    assert b10.low <= b10.value <= b10.high
    assert b10.value <= b50.value
    at = ours.survival(b10.value)
    assert at.value == pytest.approx(0.9, abs=1e-6)
    assert at.low <= at.value <= at.high


@BOTH
@pytest.mark.parametrize("failures", [12, 400])
def test_failures_all_at_one_distance_are_known_to_one_per_cent(dist, failures):
    """Against the plain integral with each failure as an interval of 1 %: no density that grows without limit."""
    lives = Lives(np.zeros(2), np.array([5e4, 3e4]), np.array([5e4, inf]), np.array([float(failures), 40]))
    prior = reference_prior(lives, dist)
    ours = posterior(lives, dist, prior)
    tau = np.linspace(-8.5, -1.5, 500)[:, None]
    mu = np.linspace(-1, 1, 1501) * np.maximum(0.02, 4 * np.exp(tau)) + log(5e4)  # a step of its own for each sigma
    step = np.maximum(0.02, 4 * np.exp(tau))
    z = [(log(t) - mu) / np.exp(tau) for t in (5e4 * exp(-0.005), 5e4 * exp(0.005), 3e4)]
    law = norm if dist is LOGNORMAL else gumbel_l
    with np.errstate(divide="ignore"):
        density = failures * np.log(law.cdf(z[1]) - law.cdf(z[0])) + 40 * law.logsf(z[2])
    density = density + prior.log_density(mu, tau) + np.log(step)
    weight = np.exp(density - density.max())
    weight /= weight.sum()
    for share in (0.1, 0.6):
        estimate = ours.quantile(share)
        expected = np.exp(quantiles(mu + float(dist.z(share)) * np.exp(tau), weight, [0.025, 0.5, 0.975]))
        assert (estimate.low, estimate.value, estimate.high) == pytest.approx(tuple(expected), rel=2e-4)
    shape = ours.shape()
    expected = quantiles(np.exp(-tau) + 0 * mu, weight, [0.025, 0.5, 0.975])
    assert (shape.low, shape.value, shape.high) == pytest.approx(tuple(expected), rel=0.03)
    assert ours.quantile(0.5).value == pytest.approx(5e4, rel=0.01)


def test_a_failure_where_its_records_begin_is_known_to_one_per_cent():
    """A hazard grows without limit as sigma goes to 0; the chance to fail within 1 % of the first sight cannot."""
    lives = Lives(np.array([5e4, 0]), np.array([5e4, 4e4]), np.array([5e4, inf]), np.array([1.0, 9]))
    prior = reference_prior(lives, WEIBULL)
    ours = posterior(lives, WEIBULL, prior)
    mu, tau = np.linspace(7.5, 19, 2000), np.linspace(-5, 2.6, 700)[:, None]
    hazard = [np.exp(np.minimum((log(t) - mu) / np.exp(tau), 600)) for t in (5e4, 5e4 * exp(0.005), 4e4)]
    with np.errstate(divide="ignore"):
        density = np.log(-np.expm1(hazard[0] - hazard[1])) - 9 * hazard[2] + prior.log_density(mu, tau)
    weight = np.exp(density - density.max())
    weight /= weight.sum()
    for share in (0.1, 0.6):
        estimate = ours.quantile(share)
        expected = np.exp(quantiles(mu + float(WEIBULL.z(share)) * np.exp(tau), weight, [0.025, 0.5, 0.975]))
        assert (estimate.low, estimate.value, estimate.high) == pytest.approx(tuple(expected), rel=0.01)


def test_ordinary_lives_do_not_feel_the_rounding():
    """Sigma at 0.2: failures as densities, and the same with each as its interval of 1 %, are one posterior."""
    km = 5e4 * np.exp(0.2 * np.random.default_rng(8).standard_normal(60))
    cells = Lives(np.zeros(60), km * exp(-0.005), km * exp(0.005), np.ones(60))
    a, b = (posterior(x, LOGNORMAL, reference_prior(Lives.of(km), LOGNORMAL)) for x in (Lives.of(km), cells))
    for share in (0.1, 0.5):
        assert a.quantile(share).low == pytest.approx(b.quantile(share).low, rel=2e-4)
        assert a.quantile(share).high == pytest.approx(b.quantile(share).high, rel=2e-4)


@BOTH
@pytest.mark.parametrize("case", ["every kind", "all at one distance"])
def test_another_unit_of_distance_only_moves_the_posterior(dist, case):
    """Breaks if the rounding, a bin, a bound or a start is secretly in km."""
    lives = CASES.get(case, Lives.of([5e4] * 30))
    miles = Lives(lives.entry / 1.609344, lives.lower / 1.609344, lives.upper / 1.609344, lives.count)
    a, b = (posterior(x, dist, reference_prior(x, dist)).quantile(0.1) for x in (lives, miles))
    assert (a.low, a.value, a.high) == pytest.approx(tuple(1.609344 * x for x in (b.low, b.value, b.high)), rel=1e-5)


@BOTH
def test_survival_at_no_distance_is_certain(dist):
    at = posterior(CASES["one failure"], dist, prior_of(BELIEF, dist)).survival(0.0)
    assert (at.low, at.value, at.high) == (1, 1, 1)


@BOTH
def test_thousands_of_rows_are_condensed_without_a_trace(dist, monkeypatch):
    """One failure among thousands of grouped rows: the grid of all their distances, and that of the condensed ones."""
    rng = np.random.default_rng(2)
    end = np.round(rng.uniform(2e4, 2e5, 1500), -2)
    lives = Lives.of([4e4], end)
    prior = prior_of(BELIEF, dist)
    condensed = posterior(lives, dist, prior)
    monkeypatch.setattr(Terms, "condensed", lambda terms, width: terms)
    whole = posterior(lives, dist, prior)
    for share in (0.1, 0.5):
        a, b = condensed.quantile(share), whole.quantile(share)
        assert (a.low, a.value, a.high) == pytest.approx((b.low, b.value, b.high), rel=1e-4)
    assert condensed.record_share == whole.record_share
