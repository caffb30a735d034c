"""Forecasts together, and the recipe of a coverage test (check 12.11)."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binom, poisson

from wearlore.book.model import Belief, Quantile
from wearlore.hindsight import Pieces, counted, off, poisson_binomial, tally, verdict
from wearlore.hindsight.scores import held, pit
from wearlore.life import WEIBULL, fit, prior_of
from wearlore.life.posterior import posterior
from wearlore.lives import Lives

ACCEPT = (0.0005, 0.9995)  # of the binomial


def accepted(share: float, level: float, cases: int) -> bool:
    """Whether so many of ``cases`` intervals may have held, were the level right (check 12.11)."""
    low, high = binom.ppf(ACCEPT, cases, level)
    return bool(low <= share * cases <= high)


@pytest.mark.parametrize(
    ("cases", "level", "ends"),
    [(400, 0.5, (167, 233)), (400, 0.9, (339, 378)), (1_000, 0.5, (448, 552)), (1_000, 0.9, (868, 930))],
)
def test_the_ends_of_the_recipe(cases, level, ends):
    assert tuple(binom.ppf(ACCEPT, cases, level)) == ends


def drawn(cases: int, seed: int, wrong: float = 1.0):
    """Forecasts of pieces with chances of their own, and outcomes drawn from chances ``wrong`` times as high."""
    rng = np.random.default_rng(seed)
    for _ in range(cases):
        chance = rng.uniform(0, 0.3, rng.integers(5, 120))
        yield tally(poisson_binomial(chance), int((rng.random(chance.size) < wrong * chance).sum()))


def test_what_is_drawn_from_the_forecasts_themselves_is_held_and_what_is_not_is_refused():
    right, low = (verdict(list(drawn(400, 3, wrong))) for wrong in (1.0, 1.3))
    for coverage in (right.half, right.most):
        assert accepted(coverage.held.value, coverage.level, 400)
        assert abs(coverage.whole - coverage.whole_expected) < 3.3 * np.sqrt(400 * 0.25)
        assert coverage.whole_expected / 400 > coverage.level
    assert not accepted(low.most.held.value, 0.9, 400)
    assert right.sum.off > 0.05 > low.sum.off
    assert sum(right.bins) == pytest.approx(400)
    ends = right.bins_by_chance
    assert all(ends[0] - 10 <= number <= ends[1] + 10 for number in right.bins)
    assert low.bins[-1] > 2 * low.bins_by_chance[1]


def test_a_true_80_percent_passed_off_as_90_is_refused():
    """Outcomes wider than the forecast, so that its 90 % interval holds 80 %."""
    pmf = poisson.pmf(np.arange(200), 50)
    rng = np.random.default_rng(5)
    wide = [int(k) for k in np.maximum(0, np.rint(rng.normal(50, np.sqrt(50) * 1.645 / 1.2816, 1_000)))]
    share = np.mean([held(pit(pmf, k), 0.9) for k in wide])
    assert share == pytest.approx(0.8, abs=0.03)
    assert not accepted(float(share), 0.9, 1_000)


@pytest.mark.slow
def test_a_plug_in_covers_too_little_and_the_posterior_does_not():
    """Lives whose parameters are drawn from a belief, six of them on record, and 80 pieces ahead (check 12.11)."""
    belief = Belief(
        quantiles=(
            Quantile(share=0.1, at=60e3, between=(35e3, 100e3)),
            Quantile(share=0.5, at=140e3, between=(85e3, 230e3)),
        )
    )
    prior, rng = prior_of(belief, WEIBULL), np.random.default_rng(12)
    since, until = np.full(80, 90e3), np.full(80, 130e3)
    shares = {"plug-in": [], "posterior": []}
    for _ in range(400):
        apart = prior.spread * rng.normal()
        mu, sigma = prior.location + prior.slope * apart + prior.error * rng.normal(), np.exp(prior.centre + apart)
        life = np.exp(mu + sigma * np.log(rng.exponential(size=6)))
        lives = Lives.of(failed=life[life < 150e3], good=[150e3] * int((life >= 150e3).sum()))
        ahead = 1 - np.exp(WEIBULL.log_sf((np.log(130e3) - mu) / sigma) - WEIBULL.log_sf((np.log(90e3) - mu) / sigma))
        happened = int(rng.binomial(80, ahead))
        models = {"posterior": posterior(lives, WEIBULL, prior)}
        if lives.failures > 1:
            likely = fit(lives, WEIBULL)
            models["plug-in"] = SimpleNamespace(nodes=(np.array([likely.mu]), np.array([likely.sigma]), np.ones(1)))
        for name, model in models.items():
            pieces = Pieces(SimpleNamespace(dist=WEIBULL, nodes=model.nodes), since, until)
            shares[name].append(held(pit(counted([pieces]).pmf, happened), 0.9))
    assert accepted(float(np.mean(shares["posterior"])), 0.9, 400)
    assert np.mean(shares["plug-in"]) < 0.6


def test_what_is_off_among_many_is_judged_for_their_number():
    """One in twenty of right forecasts is below 0.05: forty with one at 0.04 have none off, at 0.0004 one."""
    told = [SimpleNamespace(off=value) for value in np.linspace(0.06, 1, 39)]
    assert off([*told, SimpleNamespace(off=0.04)]) == [False] * 40
    assert off([*told, SimpleNamespace(off=0.0004)]) == [False] * 39 + [True]


def test_a_verdict_wants_a_forecast():
    with pytest.raises(ValueError, match="at least one"):
        verdict([])


def test_the_sum_adds_up_and_a_hit_is_within():
    told = [tally(poisson_binomial(np.full(n, 0.2)), n // 5) for n in (10, 40)]
    whole = verdict(told).sum
    assert (whole.expected, whole.happened) == (pytest.approx(10), 10)
    assert whole.within
    assert all(one.half[0] >= one.most[0] and one.half[1] <= one.most[1] for one in [whole, *told])
