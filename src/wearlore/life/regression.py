"""Accelerated-failure-time regression: how many times as long one kind of life is as another.

ln T = b0 + x'b + sigma eps, with eps of the family's fixed distribution (Meeker & Escobar 1998, section 17.2): a
covariate multiplies every life by exp(b), the ratio of lives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.likelihood import LogLife
from wearlore.life.residuals import Residuals
from wearlore.lives import Array, Lives

Codes = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Factor:
    """A covariate with levels, one of them for each life; ``codes`` (n,) are places in ``levels``.

    ``reference``: the level that the others are compared with; None: the one with most failures.
    """

    name: str
    levels: tuple[str, ...]
    codes: Codes
    reference: str | None = None


@dataclass(frozen=True, slots=True)
class Measure:
    """A covariate with a number for each life, ``values`` (n,) in ``unit``; its ratio of lives is per ``step`` more.

    b0 is of a life whose value is ``centre``.
    """

    name: str
    values: Array
    unit: str
    step: float
    centre: float = 0.0


Covariate = Factor | Measure


@dataclass(frozen=True, slots=True)
class Design:
    """Covariates of n lives, checked."""

    covariates: tuple[Covariate, ...]
    n: int

    @classmethod
    def of(cls, covariates: Sequence[Covariate], n: int) -> Design:
        return cls(tuple(covariates), n)


class Test(NamedTuple):
    """A likelihood-ratio test: twice the gain in log-likelihood, its degrees of freedom, its chance if nothing is so."""

    statistic: float
    df: int
    p: float


@dataclass(frozen=True, slots=True)
class Coefficient:
    """Of ln km; ``error``: standard error from the observed information in (b, ln sigma)."""

    name: str
    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Ratio:
    """Lives at ``level`` of ``term`` are ``estimate`` times as long as lives ``against``.

    ``estimate``: profile-likelihood interval; ``wald``: from the standard error of its logarithm; ``p``: chance, by
    likelihood ratio, of so great a difference if the ratio is 1. Of a `Measure`, ``level`` is its step, ``against`` is
    empty and ``failures_against`` None.
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
    """An accelerated-failure-time regression by maximum likelihood."""

    dist: LogLife
    coefficients: tuple[Coefficient, ...]
    sigma: float
    log_likelihood: float
    null_log_likelihood: float
    test: Test  # of all covariates
    tests: Mapping[str, Test]  # of each term
    common_sigma: Mapping[str, Test | None]  # of each factor: do its levels need a sigma each?
    ratios: tuple[Ratio, ...]
    aicc: float
    failures: float
    total: float
    residuals: Residuals
    lives: Lives = field(repr=False, compare=False)
    design: Design = field(repr=False, compare=False)

    def ratio_between(self, term: str, level: str, against: str) -> Ratio:
        """The ratio of lives of two levels of a factor."""
        raise FitError("not yet", "")


def regress(lives: Lives, covariates: Sequence[Covariate], dist: LogLife) -> Regression:
    """The likeliest regression of ``lives`` (n rows) on ``covariates``."""
    raise FitError("not yet", "")
