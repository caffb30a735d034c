"""The same fits by independent libraries: lifelines and surpyval."""

from __future__ import annotations

import lifelines
import numpy as np
import pytest
import surpyval

from wearlore.life import LOGNORMAL, WEIBULL, fit, kaplan_meier
from wearlore.lives import Lives

FAMILIES = {
    "Weibull": (WEIBULL, surpyval.Weibull, lifelines.WeibullFitter),
    "lognormal": (LOGNORMAL, surpyval.LogNormal, lifelines.LogNormalFitter),
}


def fleet(seed: int, *, entry: bool, looks: bool) -> Lives:
    """Lives of a Weibull (shape 2.5, 150 000 km); ``looks``: failures found up to 15 000 km late or at first look."""
    rng = np.random.default_rng(seed)
    failed = rng.weibull(2.5, 400) * 150e3
    since = np.where(rng.random(400) < 0.5, 0, rng.random(400) * 60e3) if entry else np.zeros(400)
    seen = failed > since
    failed, since = failed[seen], since[seen]
    until = since + rng.random(failed.size) * 150e3
    lower = np.where(failed < until, failed, until)
    if looks:
        lower = np.where(failed < until, np.maximum(failed - 15e3 * rng.random(failed.size), since), lower)
        lower[: failed.size // 10] = np.where(failed < until, since, lower)[: failed.size // 10]
    upper = np.where(failed < until, failed, np.inf)
    return Lives(since, lower, upper, rng.integers(1, 5, failed.size).astype(float))


CASES = {
    "exact and right": fleet(1, entry=False, looks=False),
    "delayed entry": fleet(2, entry=True, looks=False),
    "interval, left and right": fleet(3, entry=False, looks=True),
    "all of them": fleet(4, entry=True, looks=True),
}


def parameters(fitted):
    return (fitted.scale, fitted.shape) if fitted.dist is WEIBULL else (fitted.mu, fitted.sigma)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("case", CASES)
def test_surpyval_finds_the_same_parameters(case, family):
    lives, (dist, theirs, _) = CASES[case], FAMILIES[family]
    right = lives.right
    x = np.column_stack([lives.lower, np.where(right, lives.lower, lives.upper)])
    censoring = np.select([right, lives.exact, lives.lower == 0], [1, 0, -1], 2)
    x[censoring == -1] = lives.upper[censoring == -1, None]
    truncation = lives.entry if lives.entry.any() else None
    theirs = theirs.fit(
        x=[list(pair) if kind == 2 else pair[1] for pair, kind in zip(x, censoring, strict=True)],
        c=censoring,
        n=lives.count.astype(int),
        tl=truncation,
    )
    ours = fit(lives, dist)
    assert ours.log_likelihood >= -theirs.neg_ll() - 1e-9
    assert parameters(ours) == pytest.approx(tuple(theirs.params), rel=1e-6)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("case", CASES)
def test_lifelines_finds_the_same_parameters(case, family):
    """lifelines stops early by default: its search is tightened until it settles, from the truth behind the lives."""
    lives, (dist, _, theirs) = CASES[case], FAMILIES[family]
    truth = np.array([150e3, 2.5]) if dist is WEIBULL else np.array([np.log(150e3), 0.6])
    options = {"weights": lives.count, "entry": lives.entry if lives.entry.any() else None, "initial_point": truth}
    tight = {"ftol": 1e-16, "gtol": 1e-9}
    fitter = theirs()
    if lives.between.any():
        fitter.fit_interval_censoring(lives.lower, lives.upper, fit_options=tight, **options)
    else:
        fitter.fit(lives.lower, ~lives.right, fit_options=tight, **options)
    ours = fit(lives, dist)
    assert ours.log_likelihood >= fitter.log_likelihood_ - 1e-9
    assert parameters(ours) == pytest.approx(tuple(fitter.params_), rel=1e-6)


def test_kaplan_meier_of_lifelines():
    """Survival with delayed entry, and the exponential Greenwood (log-log) limits."""
    lives = CASES["delayed entry"]
    ours, theirs = kaplan_meier(lives), lifelines.KaplanMeierFitter()
    theirs.fit(lives.lower, ~lives.right, entry=lives.entry, weights=lives.count)
    limits = theirs.confidence_interval_survival_function_.loc[ours.km].to_numpy()
    assert ours.survival == pytest.approx(theirs.survival_function_.loc[ours.km].to_numpy()[:, 0], rel=1e-9)
    assert ours.low == pytest.approx(limits[:, 0], rel=1e-6)
    assert ours.high == pytest.approx(limits[:, 1], rel=1e-6)
