"""The factor of acceleration: against plain formulas, two groups, brute force; its hard ends and its coverage."""

from __future__ import annotations

from importlib import import_module
from math import exp, inf, log, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import WeibullAFTFitter
from scipy import stats
from scipy.optimize import brentq, minimize

from wearlore.book.model import Belief
from wearlore.errors import LivesError
from wearlore.life import LOGNORMAL, WEIBULL, reference_prior
from wearlore.life.acceleration import acceleration
from wearlore.lives import Exposure, Lives

module = import_module("wearlore.life.acceleration")  # the package gives its function that name
FREE = {"Weibull": lambda mu, sigma: stats.weibull_min(1 / sigma, scale=exp(mu)), "lognormal": None}
FREE["lognormal"] = lambda mu, sigma: stats.lognorm(sigma, scale=exp(mu))
BELIEF = Belief.model_validate(
    {
        "quantiles": [
            {"share": 0.1, "at": 50_000, "between": [30_000, 80_000]},
            {"share": 0.5, "at": 100_000, "between": [70_000, 140_000]},
        ]
    }
)


def fleet(rng, n, factor, *, hidden=False, sigma=0.4, late=0.3):
    """Units of which half meet the other fault at some distance and are rid of it later; ages in plain words."""
    rows, exposures = [], []
    for _ in range(n):
        onset, stays = rng.uniform(10e3, 150e3), rng.exponential(60e3)
        if rng.random() < 0.5:
            onset = inf

        def exposed(t, onset=onset, stays=stays):
            return min(max(t - onset, 0.0), stays)

        ripe = 100e3 * rng.standard_exponential() ** sigma  # the effective age at which it fails
        if ripe <= onset:
            life = ripe
        elif ripe <= onset + factor * stays:
            life = onset + (ripe - onset) / factor
        else:
            life = ripe - (factor - 1) * stays
        until = rng.uniform(20e3, 200e3)
        entry = rng.uniform(0, 60e3) if rng.random() < late and not hidden else 0.0
        if hidden:
            looks = np.arange(rng.uniform(0, 20e3), until, 20e3)
            seen_good, found = looks[looks < life], looks[looks >= life]
            lower, upper = seen_good.max(initial=0.0), found.min(initial=inf)
            if upper == inf and lower == 0:
                continue
        else:
            lower, upper = (life, life) if life <= until else (until, inf)
            if lower <= entry:
                continue
        rows.append((entry, lower, upper, 1.0))
        there = lower == upper and onset < life < onset + stays
        exposures.append((exposed(entry), exposed(lower), exposed(upper if upper < inf else lower), there))
    e = np.array(exposures, float)
    return Lives(*np.array(rows, float).T), Exposure(e[:, 0], e[:, 1], e[:, 2], e[:, 3] > 0)


def plain(lives, exposure, dist, ln_factor, mu, ln_sigma):
    """The log-likelihood in effective ages, by scipy's distributions."""
    life, factor = FREE[dist.name](mu, exp(ln_sigma)), exp(ln_factor)
    a, b, exact = (
        lives.entry + (factor - 1) * exposure.at_entry,
        lives.lower + (factor - 1) * exposure.at_lower,
        lives.exact,
    )
    c, between = lives.upper + (factor - 1) * exposure.at_upper, ~exact & (lives.upper < inf)
    value = life.logsf(b)
    value[exact] = life.logpdf(b[exact]) + ln_factor * exposure.present[exact]
    value[between] = np.log(life.sf(b[between]) - life.sf(c[between]))
    return float(lives.count @ (value - life.logsf(a)))


@pytest.fixture(scope="module", params=[False, True], ids=["evident", "hidden"])
def case(request):
    return fleet(np.random.default_rng(7), 90, 2.0, hidden=request.param)


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
def test_it_is_the_likeliest_factor_by_a_plain_formula(case, dist):
    found = acceleration(*case, families=(dist,)).families[0]
    best = minimize(
        lambda x: -plain(*case, dist, *x),
        [0.3, log(100e3), -0.8],
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-8, "maxiter": 4000, "initial_simplex": _simplex([0.3, log(100e3), -0.8])},
    )
    assert found.log_likelihood == pytest.approx(-best.fun, abs=1e-5)
    assert found.factor.value == pytest.approx(exp(best.x[0]), rel=2e-3)
    assert (found.mu, log(found.sigma)) == pytest.approx(tuple(best.x[1:]), abs=2e-3)
    without = minimize(lambda x: -plain(*case, dist, 0.0, *x), best.x[1:], method="Nelder-Mead")
    assert found.without == pytest.approx(-without.fun, abs=1e-5)
    assert found.p_value == pytest.approx(stats.chi2.sf(2 * (without.fun - best.fun), 1), rel=1e-3)

    def profile(ln_factor):
        at = minimize(lambda x: -plain(*case, dist, ln_factor, *x), best.x[1:], method="Nelder-Mead")
        return -at.fun + best.fun + 0.5 * stats.chi2.ppf(0.95, 1)

    low, high = (brentq(profile, best.x[0], best.x[0] + side, xtol=1e-4) for side in (-1.5, 1.5))
    assert (log(found.factor.low), log(found.factor.high)) == pytest.approx((low, high), abs=2e-3)


def _simplex(start):
    return np.array([start, *(np.array(start) + step for step in np.eye(3) * 0.2)])


def test_two_groups_one_always_exposed_are_the_ratio_of_lives():
    """With the fault present from new in half of the units, the factor is one over accelerated-failure-time's ratio."""
    rng = np.random.default_rng(3)
    n = 80
    exposed = np.arange(n) % 2 == 1
    life = 100e3 * rng.standard_exponential(n) ** 0.4 / np.where(exposed, 1.8, 1.0)
    until = rng.uniform(40e3, 160e3, n)
    km, failed = np.minimum(life, until), life <= until
    lives = Lives(np.zeros(n), km, np.where(failed, km, inf), np.ones(n))
    e = np.where(exposed, km, 0.0)
    found = acceleration(lives, Exposure(np.zeros(n), e, e, exposed & failed), families=(WEIBULL,))
    import pandas as pd

    table = pd.DataFrame({"km": km / 1e5, "failed": failed.astype(int), "exposed": exposed.astype(float)})
    peer = WeibullAFTFitter().fit(table, "km", "failed")
    ratio = float(peer.params_["lambda_"]["exposed"])
    assert log(found.record.value) == pytest.approx(-ratio, abs=1e-3)
    error = float(peer.standard_errors_["lambda_"]["exposed"])
    assert log(found.record.high / found.record.low) == pytest.approx(2 * 1.96 * error, rel=0.05)
    assert (found.exposed_failures, found.unexposed_failures) == ((exposed & failed).sum(), (~exposed & failed).sum())
    assert (found.exposed, found.unexposed) == pytest.approx((e.sum(), km[~exposed].sum()))


def test_the_posterior_is_prior_times_integrated_likelihood():
    lives, exposure = fleet(np.random.default_rng(11), 25, 2.0)
    found = acceleration(lives, exposure, 1.5, BELIEF, families=(WEIBULL,))
    prior, sd = module.prior_of(BELIEF, WEIBULL), log(2) / stats.norm.ppf(0.95)
    mu, ln_sigma = np.meshgrid(np.linspace(log(50e3), log(260e3), 61), np.linspace(-2.4, 0.6, 61))
    supposed = prior.log_density(mu, ln_sigma)

    def weight(x):
        """A Weibull written out, summed over mu and ln sigma."""
        moved = [t + (exp(x) - 1) * e for t, e in ((lives.entry, exposure.at_entry), (lives.lower, exposure.at_lower))]
        hazard = [(np.maximum(t, 1e-9) / np.exp(mu[..., None])) ** np.exp(-ln_sigma[..., None]) for t in moved]
        failed = np.log(hazard[1]) - np.log(moved[1]) - ln_sigma[..., None] + x * exposure.present
        total = (hazard[0] - hazard[1]).sum(axis=-1) + failed[..., lives.exact].sum(axis=-1)
        return np.exp(total + supposed + 230).sum()

    grid = np.linspace(-1.2, 2.0, 17)
    by_hand = np.log([weight(x) for x in grid]) - 0.5 * ((grid - log(1.5)) / sd) ** 2
    mine = np.log(np.interp(grid, found.ln_factor, found.density))
    apart = mine - by_hand
    heavy = by_hand > by_hand.max() - 4
    assert np.ptp(apart[heavy]) < 0.05


def test_counts_are_rows():
    lives, exposure = fleet(np.random.default_rng(5), 40, 2.0)
    twice = Lives(*(np.tile(c, 2) for c in (lives.entry, lives.lower, lives.upper, lives.count)))
    both = Exposure(
        *(np.tile(c, 2) for c in (exposure.at_entry, exposure.at_lower, exposure.at_upper, exposure.present))
    )
    counted = Lives(lives.entry, lives.lower, lives.upper, 2 * lives.count)
    a, b = acceleration(twice, both), acceleration(counted, exposure)
    assert a.record.value == pytest.approx(b.record.value, rel=1e-6)
    assert (a.exposed, a.exposed_failures) == pytest.approx((b.exposed, b.exposed_failures))
    assert a.together.high == pytest.approx(b.together.high, rel=1e-6)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000), c=st.floats(0.01, 100))
def test_the_factor_knows_no_unit_of_distance(seed, c):
    lives, exposure = fleet(np.random.default_rng(seed), 30, 2.0)
    scaled = Lives(c * lives.entry, c * lives.lower, c * lives.upper, lives.count)
    moved = Exposure(c * exposure.at_entry, c * exposure.at_lower, c * exposure.at_upper, exposure.present)
    a, b = acceleration(lives, exposure, families=(WEIBULL,)), acceleration(scaled, moved, families=(WEIBULL,))
    assert (a.record is None) == (b.record is None)
    if a.record is not None and 0.1 < a.record.value < 10:
        assert b.record.value == pytest.approx(a.record.value, rel=1e-3)
    assert b.together.value == pytest.approx(a.together.value, rel=1e-3)


def test_folding_many_rows_moves_nothing(monkeypatch):
    lives, exposure = fleet(np.random.default_rng(2), 3000, 2.0)
    a = acceleration(lives, exposure, families=(WEIBULL,))
    monkeypatch.setattr(module, "MANY", 100)
    b = acceleration(lives, exposure, families=(WEIBULL,))
    error = log(a.record.high / a.record.low) / 3.92
    assert log(b.record.value / a.record.value) == pytest.approx(0, abs=0.02 * error)
    assert b.record.value != a.record.value  # they were folded


# hard ends


def rows(*lives_and_exposures):
    """(lower, upper, exposed at lower, present)."""
    a = np.array(lives_and_exposures, float).reshape(-1, 4)
    zero, end = np.zeros(len(a)), np.where(np.isinf(a[:, 1]), a[:, 0], a[:, 1])
    share = np.divide(a[:, 2], a[:, 0], out=np.ones(len(a)), where=a[:, 0] > 0)
    return Lives(zero, a[:, 0], a[:, 1], np.ones(len(a))), Exposure(zero, a[:, 2], share * end, a[:, 3] > 0)


GOOD = [(60e3, inf, 0, 0), (90e3, inf, 0, 0), (80e3, inf, 40e3, 0), (120e3, inf, 30e3, 0), (150e3, inf, 0, 0)]
FAILED = [(70e3, 70e3, 20e3, 1), (110e3, 110e3, 0, 0), (95e3, 95e3, 30e3, 1)]


@pytest.mark.parametrize(
    ("case", "reason"),
    [
        (rows(), "no lives on record"),
        (rows((60e3, 60e3, 0, 0), (70e3, 70e3, 0, 0), (90e3, inf, 0, 0)), "no distance was run"),
        (rows(*GOOD), "nothing has failed"),
        (rows((60e3, 60e3, 60e3, 1), (70e3, 70e3, 70e3, 1), (90e3, inf, 90e3, 0), (9e3, 9e3, 9e3, 1)), "all the time"),
    ],
    ids=["no lives", "no exposure", "no failure", "always exposed"],
)
def test_where_records_are_mute_the_prior_stands(case, reason):
    found = acceleration(*case, 2.0, BELIEF)
    assert reason in found.reason
    assert found.record is None
    assert found.p_value is None
    assert found.families == ()
    assert found.verdict == "open"
    assert found.record_share == 0
    ends = [(e.low, e.value, e.high) for e in (found.together, found.judged)]
    assert ends[0] == pytest.approx(ends[1], rel=1e-4)
    assert found.judged.value == pytest.approx(2.0)
    assert stats.norm.cdf(1, scale=log(found.judged.high / 2) / 1.96 / log(2)) == pytest.approx(0.95, abs=1e-3)


@pytest.mark.parametrize("failures", [1, 2, 3])
@pytest.mark.parametrize("belief", [None, BELIEF], ids=["no belief", "belief"])
def test_few_failures_give_a_wide_answer_and_no_claim(failures, belief):
    found = acceleration(*rows(*GOOD, *FAILED[:failures]), 2.0, belief)
    assert (found.record is None) == (failures < module.FEWEST)
    assert ("fewer than 3" in found.reason) == (failures < module.FEWEST)
    assert 0 < found.together.low < found.together.value < found.together.high < inf
    assert 0 <= found.record_share < 0.7
    assert found.verdict == "open"
    if found.record:
        assert found.needed >= 1
        assert "more failures" in found.sentence


def test_exposed_without_a_failure_bounds_the_factor_from_above_only():
    found = acceleration(*rows(*GOOD, *GOOD, (70e3, 70e3, 0, 0), (110e3, 110e3, 0, 0), (95e3, 95e3, 0, 0)), 3.0)
    assert found.exposed_failures == 0
    assert found.record.low == 0
    assert 0 < found.record.high < inf
    assert found.together.value < 3.0


def test_failures_only_under_exposure_bound_it_from_below_only():
    good = [(t, inf, 0, 0) for t in range(60_000, 160_000, 5_000)]
    failed = [(t + 80e3, t + 80e3, t, 1) for t in (5e3, 9e3, 14e3, 20e3)]
    found = acceleration(*rows(*good, *failed), 2.0)
    assert found.record.low > 1
    assert found.record.high == inf
    assert found.verdict == "shortens"
    assert found.together.high < inf


@pytest.mark.parametrize("lower", [0.0, 0.8], ids=["left", "interval"])
def test_lives_without_an_exact_failure(lower):
    rng = np.random.default_rng(4)
    at, under = rng.uniform(30e3, 150e3, 120), np.arange(120) % 2 == 1
    life = 100e3 * rng.standard_exponential(120) ** 0.4 / np.where(under, 2.0, 1.0)
    failed, before = life <= at, life <= lower * at
    start = np.where(failed, np.where(before, 0.0, lower * at), at)
    end = np.where(before, lower * at, at)
    exposed, zero = np.where(under, 1.0, 0.0), np.zeros(120)
    lives = Lives(zero, start, np.where(failed, end, inf), np.ones(120))
    found = acceleration(lives, Exposure(zero, exposed * start, exposed * end, zero > 0), 1.0)
    assert found.record.low < 2.0 < found.record.high
    assert found.exposed_failures == (failed & (exposed > 0)).sum()


def test_a_factor_under_1_is_no_acceleration():
    lives, exposure = fleet(np.random.default_rng(8), 300, 0.5)
    found = acceleration(lives, exposure, 2.0)
    assert found.record.high < 1
    assert found.verdict == "no sign"
    assert "no sign" in found.sentence


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ((Lives.of([10.0]), Exposure(*np.zeros((3, 2)), np.zeros(2, bool))), "an exposure for every life"),
        ((Lives.of([10.0]), Exposure(*np.array([[0.0], [11], [11]]), np.ones(1, bool))), "no more distance"),
        ((Lives.of([], [10.0]), Exposure(*np.array([[0.0], [5], [5]]), np.ones(1, bool))), "at an exact failure"),
    ],
)
def test_exposures_that_contradict_the_lives_are_refused(case, expected):
    with pytest.raises(LivesError, match=expected):
        acceleration(*case)


@pytest.mark.parametrize("wrong", [{"judged": 0.0}, {"judged": inf}, {"within": 1.0}])
def test_a_judged_factor_must_make_sense(wrong):
    with pytest.raises(ValueError):
        acceleration(*rows(*GOOD), **wrong)


def test_more_records_share_more_of_the_knowledge():
    few, many = (acceleration(*fleet(np.random.default_rng(6), n, 2.0), 2.0) for n in (40, 400))
    assert few.record_share < many.record_share < 1
    v0 = (log(2) / stats.norm.ppf(0.95)) ** 2
    v = (log(many.together.high / many.together.low) / 3.92) ** 2
    assert many.record_share == pytest.approx(1 - v / v0, abs=0.02)


# by simulation


@pytest.mark.slow
@pytest.mark.parametrize(("factor", "hidden"), [(1.0, False), (2.0, True)], ids=["none, evident", "2, hidden"])
def test_intervals_cover_and_claims_are_rarely_false(factor, hidden):
    runs, covered, claimed = 120, 0, 0
    for seed in range(runs):
        found = acceleration(*fleet(np.random.default_rng(seed), 120, factor, hidden=hidden), families=(WEIBULL,))
        covered += found.record.low <= factor <= found.record.high
        claimed += found.verdict == "shortens"
    assert covered >= stats.binom.ppf(0.005, runs, 0.95)
    if factor == 1:
        assert claimed <= stats.binom.ppf(0.995, runs, 0.05)
    else:
        assert claimed > 0.8 * runs


@pytest.mark.slow
def test_a_million_rows():
    rng = np.random.default_rng(1)
    n = 1_000_000
    onset = np.where(rng.random(n) < 0.5, rng.uniform(10e3, 150e3, n), inf)
    ripe = 100e3 * rng.standard_exponential(n) ** 0.4
    life = np.minimum(ripe, 0.5 * (ripe + np.minimum(onset, ripe)))
    until = rng.uniform(20e3, 200e3, n)
    km, failed = np.minimum(life, until), life <= until
    e = np.clip(km - onset, 0, None)
    lives = Lives(np.zeros(n), km, np.where(failed, km, inf), np.ones(n))
    found = acceleration(lives, Exposure(np.zeros(n), e, e, failed & (e > 0)))
    assert found.record.low < 2 < found.record.high
    assert log(found.record.high / found.record.low) < 0.02
    assert found.families[0].dist is WEIBULL
    assert found.record_share > 0.999
    assert sqrt(found.together.low * found.together.high) == pytest.approx(2, rel=0.01)


def test_without_a_belief_the_reference_prior_is_used():
    lives, exposure = fleet(np.random.default_rng(9), 12, 2.0)
    found = acceleration(lives, exposure, 2.0, families=(WEIBULL,))
    assert reference_prior(lives, WEIBULL).kind == "reference"
    assert found.together != acceleration(lives, exposure, 2.0, BELIEF, families=(WEIBULL,)).together
