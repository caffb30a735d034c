"""Accelerated-failure-time regression: how many times as long one kind of life is as another.

ln T = b0 + x'b + sigma eps, with eps of the family's fixed distribution (Meeker & Escobar 1998, section 17.2): a
covariate multiplies every life by exp(b), the ratio of lives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, inf, isinf, sqrt
from typing import NamedTuple

import numpy as np
from scipy.stats import chi2, norm

from wearlore.errors import FitError, NameNotKnown
from wearlore.estimate import Estimate
from wearlore.life.compare.aft import Solution, solve
from wearlore.life.compare.covariates import Covariate, Design, Factor, Measure
from wearlore.life.compare.residuals import Residuals, residuals
from wearlore.life.likelihood import LogLife
from wearlore.lives import Array, Lives

__all__ = [
    "Coefficient",
    "Covariate",
    "Design",
    "Factor",
    "Measure",
    "Ratio",
    "Regression",
    "Test",
    "regress",
]

LEVEL = 0.95
OWN_SIGMA = 2  # failures that a level needs before a sigma of its own can be told


class Test(NamedTuple):
    """A test: twice the gain in log-likelihood, its degrees of freedom, its chance (chi-square) if there is no gain.

    With few failures the chance is understated: the chi-square law is that of many.
    """

    statistic: float
    df: int
    p: float


@dataclass(frozen=True, slots=True)
class Coefficient:
    """Of ln km; ``error``: standard error from the observed information in (b, ln sigma).

    ±inf and inf where the likelihood rises for ever.
    """

    name: str
    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Ratio:
    """Lives at ``level`` of ``term`` are ``estimate`` times as long as lives ``against``.

    ``estimate``: profile-likelihood interval (inf or 0, bounded on one side, where no life of a level has failed, or
    the like); ``wald``: from the standard error of its logarithm; ``p``: chance, by likelihood ratio, of so great a
    difference if the ratio is 1. Of a `Measure`, ``level`` is its step, ``against`` is empty and ``failures_against``
    None.
    """

    term: str
    level: str
    against: str
    estimate: Estimate
    wald: Estimate
    failures: float
    failures_against: float | None
    p: float


@dataclass(frozen=True, slots=True)
class Regression:
    """An accelerated-failure-time regression by maximum likelihood.

    ``coefficients``: b0, then per level and measure, then ln sigma (none where sigma is 1). ``test`` is of all
    covariates together, ``tests`` of each term, given the others. ``common_sigma``: of each factor, whether its levels
    (those of two failures and more) have one sigma, which a single ratio of lives presupposes; None where the lives
    cannot tell. ``aicc`` counts every life.
    """

    dist: LogLife
    coefficients: tuple[Coefficient, ...]
    sigma: float
    log_likelihood: float
    null_log_likelihood: float
    test: Test
    tests: Mapping[str, Test]
    common_sigma: Mapping[str, Test | None]
    ratios: tuple[Ratio, ...]
    aicc: float
    failures: float
    total: float
    lives: Lives = field(repr=False, compare=False)
    design: Design = field(repr=False, compare=False)
    solution: Solution = field(repr=False, compare=False)

    @property
    def residuals(self) -> Residuals:
        """Cox–Snell residuals of the lives that bound the coefficients (those of a level without a failure do not)."""
        kept = self.solution.kept
        return residuals(self.lives.where(kept), self.solution.mu[self.design.group[kept]], self.sigma, self.dist)

    def ratio_between(self, term: str, level: str, against: str) -> Ratio:
        """The ratio of lives of two levels of a factor; FitError when no life of either has failed."""
        factors = {each.name: k for k, each in enumerate(self.design.covariates) if isinstance(each, Factor)}
        if term not in factors:
            raise NameNotKnown("factor", term, factors)
        return _ratio_of_levels(self.lives, self.design, self.solution, factors[term], level, against)


def regress(lives: Lives, covariates: Sequence[Covariate], dist: LogLife) -> Regression:
    """The likeliest regression of ``lives`` (n rows) on ``covariates``, each of n values.

    A level that no life has gets no ratio. Where the likelihood rises for ever with a coefficient its ratio of lives is
    inf or 0 with one finite end, and the others are as in the limit. Raises FitError when nothing has failed, when the
    likelihood has no maximum, and when a covariate is not known, does not vary or follows from others.
    """
    if lives.failures == 0:
        raise FitError("nothing has failed yet", "Wait for failures, or state a belief")
    design = Design.of(covariates, len(lives))
    told = ~lives.right | (lives.lower > lives.entry)  # no distance in sight says nothing
    if not told.all():
        lives, design = lives.where(told), design.where(told)
    references = [_reference(each, lives) for each in design.covariates]
    found, null = _solve(lives, design, dist), _solve(lives, Design.of((), len(lives)), dist)
    size = design.columns.shape[1]
    tests = {
        each.name: _gain(found, _solve(lives, design.without(each.name), dist), sum(at is not None for at in places))
        for each, places in zip(design.covariates, design.places, strict=True)
    }
    parameters = size + len(found.tau)
    spare = lives.total - parameters - 1
    aic = 2 * parameters - 2 * found.log_likelihood
    return Regression(
        dist=dist,
        coefficients=_coefficients(design, found, references),
        sigma=exp(found.tau[0]) if found.tau.size else 1.0,
        log_likelihood=found.log_likelihood,
        null_log_likelihood=null.log_likelihood,
        test=_gain(found, null, size - 1),
        tests=tests,
        common_sigma=_common_sigma(lives, design, found),
        ratios=_ratios(lives, design, found, references),
        aicc=aic + 2 * parameters * (parameters + 1) / spare if spare > 0 else inf,
        failures=lives.failures,
        total=lives.total,
        lives=lives,
        design=design,
        solution=found,
    )


def _solve(lives: Lives, design: Design, dist: LogLife, sigmas: Array | None = None) -> Solution:
    """``sigmas`` (groups, q): which ln sigma each group has; None: one for all."""
    if sigmas is None:
        sigmas = np.ones((design.groups, dist.parameters - 1))
    return solve(lives, design.group, design.columns, sigmas, dist)


def _gain(found: Solution, without: Solution, df: int) -> Test:
    statistic = max(0.0, 2 * (found.log_likelihood - without.log_likelihood))
    return Test(statistic, df, float(chi2.sf(statistic, df)) if df else 1.0)


def _failures(each: Factor, lives: Lives) -> Array:
    """By level."""
    return np.bincount(each.codes, lives.count * ~lives.right, len(each.levels)).astype(np.float64)


def _reference(each: Covariate, lives: Lives) -> int:
    if isinstance(each, Measure):
        return 0
    failures = _failures(each, lives)
    if each.reference is None:
        seen = np.bincount(each.codes, lives.count, len(each.levels))
        return int(np.lexsort((seen, failures))[-1])
    code = each.levels.index(each.reference)
    if not failures[code]:
        raise FitError(
            f"no life with {each.name} {each.reference} has failed, so nothing can be compared with it",
            "Compare with a level at which lives have failed",
        )
    return code


def _coefficients(design: Design, found: Solution, references: Sequence[int]) -> tuple[Coefficient, ...]:
    coefficients = [Coefficient("b0", *found.of(design.centre(references)))]
    for k, (each, reference) in enumerate(zip(design.covariates, references, strict=True)):
        if isinstance(each, Measure):
            coefficients.append(Coefficient(f"{each.name}: {each.step_name}", *found.of(design.slope(k))))
        else:
            coefficients += [
                Coefficient(f"{each.name}: {each.levels[code]}", *found.of(design.contrast(k, code, reference)))
                for code in _others(each, reference)
            ]
    if found.tau.size:
        coefficients.append(Coefficient("ln sigma", float(found.tau[0]), sqrt(float(found.covariance[-1, -1]))))
    return tuple(coefficients)


def _others(each: Factor, reference: int) -> list[int]:
    return [code for code in np.unique(each.codes).tolist() if code != reference]


def _ratios(lives: Lives, design: Design, found: Solution, references: Sequence[int]) -> tuple[Ratio, ...]:
    ratios = []
    for k, (each, reference) in enumerate(zip(design.covariates, references, strict=True)):
        if isinstance(each, Measure):
            ratios.append(_ratio_of_step(lives, design, found, k, each))
        else:
            ratios += [
                _ratio_of_levels(lives, design, found, k, each.levels[code], each.levels[reference])
                for code in _others(each, reference)
            ]
    return tuple(ratios)


def _ratio_of_step(lives: Lives, design: Design, found: Solution, k: int, each: Measure) -> Ratio:
    estimate, wald, p = _interval(found, design.slope(k))
    return Ratio(each.name, each.step_name, "", estimate, wald, lives.failures, None, p)


def _ratio_of_levels(lives: Lives, design: Design, found: Solution, k: int, level: str, against: str) -> Ratio:
    each = design.covariates[k]
    assert isinstance(each, Factor)
    seen = [each.levels[code] for code in np.unique(each.codes)]
    for name in (level, against):
        if name not in seen:
            raise NameNotKnown(each.name, name, seen)
    code, other = each.levels.index(level), each.levels.index(against)
    failures = _failures(each, lives)
    estimate, wald, p = _interval(found, design.contrast(k, code, other))
    return Ratio(each.name, level, against, estimate, wald, float(failures[code]), float(failures[other]), p)


def _interval(found: Solution, contrast: Array) -> tuple[Estimate, Estimate, float]:
    """The exponential of a contrast: by profile likelihood, by Wald, and the chance if it is 1."""
    value, error = found.of(contrast)
    profile = found.profile(contrast)
    low, high = profile.ends(LEVEL)
    reach = float(norm.ppf(0.5 + LEVEL / 2)) * error
    wald = (0.0, inf) if isinf(error) else (exp(value - reach), exp(value + reach))
    ratio = exp(value)
    return Estimate(ratio, exp(low), exp(high), LEVEL), Estimate(ratio, *wald, LEVEL), profile.p(0.0)


def _common_sigma(lives: Lives, design: Design, found: Solution) -> dict[str, Test | None]:
    if not found.tau.size:
        return {}
    factors = [each for each in design.covariates if isinstance(each, Factor)]
    return {each.name: _one_sigma(lives, design, each, found) for each in factors}


def _one_sigma(lives: Lives, design: Design, each: Factor, found: Solution) -> Test | None:
    """A sigma for every level of ``each`` against one for all, whatever else the regression holds."""
    enough = np.flatnonzero(_failures(each, lives) >= OWN_SIGMA)
    mask = np.isin(each.codes, enough)
    if enough.size < 2:
        return None
    codes, dist, joint = np.searchsorted(enough, each.codes[mask]), found.problem.dist, found
    try:
        if not mask.all():
            lives, design = lives.where(mask), design.where(mask)
            joint = _solve(lives, design, dist)
        sigmas = np.zeros((design.groups, enough.size))
        sigmas[design.group, codes] = 1.0
        apart = _solve(lives, design, dist, sigmas)
    except FitError:
        return None
    return _gain(apart, joint, enough.size - 1)
