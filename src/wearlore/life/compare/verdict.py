"""Which lasts longer: groups of lives compared by every method that suits, and one verdict that claims no more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf, isfinite, log, log10
from typing import Literal

import numpy as np
from scipy.stats import f, norm

from wearlore.errors import FitError, NameNotKnown
from wearlore.estimate import Estimate
from wearlore.life.compare.covariates import Covariate, Factor
from wearlore.life.compare.cox import Cox, cox
from wearlore.life.compare.logrank import LogRank, Weight, log_rank, pooled
from wearlore.life.compare.regression import Ratio, Regression, Test, regress
from wearlore.life.fit import fit
from wearlore.life.likelihood import LOGNORMAL, WEIBULL, LogLife
from wearlore.lives import Lives

Verdict = Literal["longer", "shorter", "alike", "open"]
CHANCE = 0.05  # of a difference claimed where there is none
ALONE = 0.04  # the same for a likelihood-ratio test of a family chosen by AICc with no log-rank test beside it
SAME = 1e-6  # a ratio that near 1 is told as 1
POWER = 0.80  # with which `more_failures` would tell a ratio worth telling


@dataclass(frozen=True, slots=True)
class Level:
    """What the records hold on one level of a factor, by themselves.

    ``b10`` and ``b50`` (km): distances by which 1 in 10 and half have failed, with profile-likelihood intervals, by the
    comparison's better family; None where these records alone determine no life. ``at_risk``: distance in sight, km.
    """

    name: str
    lives: float
    failures: float
    at_risk: float
    b10: Estimate | None
    b50: Estimate | None


@dataclass(frozen=True, slots=True)
class Contrast:
    """One level beside the reference, or one step of a measure: the ratio of lives and what may be said of it.

    ``ratio`` is of the better family. ``verdict``: ``longer`` or ``shorter`` where the comparison as a whole differs
    and the ratio's interval excludes 1; ``alike`` where it lies within 1/worth_telling and worth_telling; else
    ``open``: then about ``more_failures`` more, shared among the groups as so far, would tell.
    """

    ratio: Ratio
    verdict: Verdict
    more_failures: int | None


@dataclass(frozen=True, slots=True)
class LifeComparison:
    """Lives compared by one covariate, ``what``, those ``beside`` it held equal.

    ``regressions``: by Weibull and by lognormal as far as the lives determine them, better AICc first. ``log_rank``
    (even weights) and ``early`` (Peto's) are of a factor with nothing beside it. ``cox`` is None where ``cox_absent``
    says why. ``different``: the comparison as a whole differs, so that contrasts may be claimed.
    """

    what: str
    beside: tuple[str, ...]
    levels: tuple[Level, ...]
    contrasts: tuple[Contrast, ...]
    different: bool
    regressions: tuple[Regression, ...]
    log_rank: LogRank | None
    early: LogRank | None
    cox: Cox | None
    cox_absent: str
    worth_telling: float

    @property
    def better(self) -> Regression:
        """The regression of the better family; its ``residuals`` show whether that suits."""
        return self.regressions[0]

    @property
    def common_sigma(self) -> Test | None:
        """Does one ratio not do, because the levels' lives spread differently?"""
        return self.better.common_sigma.get(self.what)

    @property
    def caution(self) -> str:
        """What a reader must know before believing the ratios; empty when nothing."""
        test = self.common_sigma
        if test is None or test.p >= CHANCE:
            return ""
        return "the lives spread differently, so the ratio is not the same early and late"

    def contrast(self, level: str) -> Contrast:
        """The contrast of a level; raises NameNotKnown."""
        for each in self.contrasts:
            if each.ratio.level == level:
                return each
        raise NameNotKnown("level", level, [each.ratio.level for each in self.contrasts])


def joined(name: str, groups: Mapping[str, Lives], reference: str | None = None) -> tuple[Lives, Factor]:
    """The lives of all groups in one, and the factor ``name`` that tells them apart."""
    codes = np.repeat(np.arange(len(groups)), [len(lives) for lives in groups.values()])
    return pooled(list(groups.values())), Factor(name, tuple(groups), codes, reference)


def compare(
    lives: Lives, what: Covariate, *, beside: Sequence[Covariate] = (), worth_telling: float = 1.25
) -> LifeComparison:
    """Compare ``lives`` (n rows) by ``what``, with the covariates ``beside`` it held equal. Intervals are at 95 %.

    A difference is claimed in two steps, so that where nothing differs the chance to claim something stays at 5 %.
    First the comparison as a whole must differ: the likelihood-ratio test of ``what`` in the better family below 5 %,
    and for a factor with nothing beside it the log-rank test as well. Where there is no log-rank test, few failures and
    the choice of family mislead: the likelihood-ratio test must be below 4 % by F with failures - 2 degrees of freedom.
    Then each contrast's own interval must exclude 1; with three contrasts or more its p is judged by Holm's steps, of
    which the first is the whole's (Holland & Copenhaver 1987, Biometrics 43).

    Raises FitError when there is nothing to compare or the lives determine no ratio.
    """
    if not worth_telling > 1:
        raise ValueError("worth_telling: expected a ratio of lives above 1")
    if not lives.failures:
        raise FitError("nothing has failed yet, so no lives can be compared", "Compare when something has failed")
    regressions = _regressions(lives, [what, *beside])
    better = regressions[0]
    tests: dict[Weight, LogRank | None] = {"even": None, "peto": None}
    levels: tuple[Level, ...] = ()
    different = better.tests[what.name].p < CHANCE
    if isinstance(what, Factor):
        groups = {name: lives.where(what.codes == code) for code, name in enumerate(what.levels)}
        groups = {name: group for name, group in groups.items() if len(group)}
        levels = tuple(_level(name, group, better.dist) for name, group in groups.items())
        if not beside:
            tests = {weight: _log_rank(groups, weight) for weight in tests}
            even = tests["even"]
            different = different and even is not None and even.p < CHANCE
    if beside or not isinstance(what, Factor):
        test = better.tests[what.name]
        different = float(f.sf(test.statistic / test.df, test.df, max(1.0, better.failures - 2))) < ALONE
    check, absent = _cox(lives, [what, *beside])
    ratios = [ratio for ratio in better.ratios if ratio.term == what.name]
    claimed = _claimed([ratio.p for ratio in ratios]) if different else [False] * len(ratios)
    return LifeComparison(
        what=what.name,
        beside=tuple(each.name for each in beside),
        levels=levels,
        contrasts=tuple(
            _contrast(ratio, claim, better, levels, worth_telling) for ratio, claim in zip(ratios, claimed, strict=True)
        ),
        different=different,
        regressions=regressions,
        log_rank=tests["even"],
        early=tests["peto"],
        cox=check,
        cox_absent=absent,
        worth_telling=worth_telling,
    )


def sentence(found: LifeComparison, contrast: Contrast, names: Mapping[str, str] | None = None) -> str:
    """What may be said of a contrast of ``found``, in one sentence that a person can repeat.

    ``names``: by what names to show levels, steps and covariates, where not by their own.
    """
    shown = names or {}
    ratio = contrast.ratio
    what, level, against = (shown.get(name, name) for name in (ratio.term, ratio.level, ratio.against))
    equal = " and ".join(shown.get(name, name) for name in found.beside)
    others = f", {equal} held equal" if equal else ""
    ends = ratio.estimate.low, ratio.estimate.value, ratio.estimate.high
    fine = any(0.8 < x < 1.25 for x in ends)
    low, middle, high = (_times(x, fine) for x in ends)
    span, evidence = _span(low, high), _evidence(ratio)
    bounded = middle not in ("0", "∞")
    if contrast.verdict in ("longer", "shorter"):
        times = middle if bounded else span
        told = f"{span}; {evidence}" if bounded else evidence
        caution = f"; {found.caution}" if found.caution else ""
        return _capital(f"{_lasts(what, level, against, times)}{others} ({told}){caution}.")
    if contrast.verdict == "alike":
        return f"No difference that matters: {_lasts(what, level, against, middle)}{others} ({span}; {evidence})."
    question = f"{level} lasts longer or shorter than {against}" if against else f"lives change with the {what} {level}"
    fits = f"{span} times as long" if span else "any ratio fits"
    more = contrast.more_failures
    would = f": about {rounded_up(more):,} more failure{'s' * (more != 1)} would" if more else ""
    return f"The records cannot tell yet whether {question}{others} ({fits}; {evidence}){would}."


def _regressions(lives: Lives, covariates: Sequence[Covariate]) -> tuple[Regression, ...]:
    """By every family that the lives determine, better AICc first; raises the first's FitError where none is."""
    found, refused = [], []
    for dist in (WEIBULL, LOGNORMAL):
        try:
            found.append(regress(lives, covariates, dist))
        except FitError as error:
            refused.append(error)
    if not found:
        raise refused[0]
    return tuple(sorted(found, key=lambda each: each.aicc))


def _level(name: str, lives: Lives, dist: LogLife) -> Level:
    b10 = b50 = None
    try:
        alone = fit(lives, dist)
        b10, b50 = alone.interval("quantile", 0.1), alone.interval("quantile", 0.5)
    except FitError:
        pass  # these records alone determine no life
    return Level(name, lives.total, lives.failures, lives.at_risk, b10, b50)


def _log_rank(groups: Mapping[str, Lives], weight: Weight) -> LogRank | None:
    try:
        return log_rank(groups, weight)
    except FitError:
        return None  # no failure had lives of two groups at risk


def _cox(lives: Lives, covariates: Sequence[Covariate]) -> tuple[Cox | None, str]:
    try:
        return cox(lives, covariates), ""
    except FitError as error:
        return None, str(error.args[0])


def _claimed(chances: Sequence[float]) -> list[bool]:
    """Holm's steps after the whole was told to differ, so at most all but one contrast are of nothing."""
    claimed = [False] * len(chances)
    for step, place in enumerate(sorted(range(len(chances)), key=chances.__getitem__)):
        if chances[place] * max(1, len(chances) - max(1, step)) >= CHANCE:
            break
        claimed[place] = True
    return claimed


def _contrast(
    ratio: Ratio, claimed: bool, better: Regression, levels: Sequence[Level], worth_telling: float
) -> Contrast:
    low, high = ratio.estimate.low, ratio.estimate.high
    if claimed and low > 1:
        return Contrast(ratio, "longer", None)
    if claimed and high < 1:
        return Contrast(ratio, "shorter", None)
    if 1 / worth_telling < low and high < worth_telling:
        return Contrast(ratio, "alike", None)
    return Contrast(ratio, "open", _more_failures(ratio, better, levels, worth_telling))


def _more_failures(ratio: Ratio, better: Regression, levels: Sequence[Level], worth_telling: float) -> int | None:
    """How many more failures would tell a ratio ``worth_telling`` with `POWER`, two-sided at 5 %.

    The information on ln ratio grows as the failures do. Where it says nothing yet (a level without a failure), it is
    that of failures shared as the distance at risk is (Schoenfeld 1981, Biometrika 68): sigma^2 / (N q (1 - q)).
    Enough in any case to bring the interval at the present ratio to one side of 1 or within what is worth telling.
    """
    sure = float(norm.ppf(1 - CHANCE / 2))
    reach, failures = log(worth_telling), ratio.failures + (ratio.failures_against or 0.0)
    error = (
        log(ratio.wald.high / ratio.wald.low) / (2 * sure) if ratio.wald.low > 0 and isfinite(ratio.wald.high) else inf
    )
    needed = ((sure + float(norm.ppf(POWER))) / reach) ** 2
    if isfinite(error):
        at = abs(log(ratio.estimate.value))
        decided = (sure / max(at, reach - at)) ** 2
        return max(1, ceil(failures * (error**2 * max(needed, decided) - 1)))
    risk = {level.name: level.at_risk for level in levels}
    if not (ratio.level in risk and ratio.against in risk):
        return None
    share = risk[ratio.level] / (risk[ratio.level] + risk[ratio.against])
    return max(1, ceil(needed * better.sigma**2 / (share * (1 - share)) - failures))


def _lasts(what: str, level: str, against: str, times: str) -> str:
    if against:
        return f"{level} lasts {times} times as long as {against}"
    return f"with the {what} {level}, lives are {times} times as long"


def _times(ratio: float, fine: bool) -> str:
    """A ratio to two digits; ``fine``: to two decimals, and to more where what is not 1 would be shown as 1."""
    if not isfinite(ratio):
        return "∞"
    digits = max(0, 1 - floor(log10(ratio))) if ratio > 0 else 0
    if fine and 0.1 <= ratio < 10:
        digits = 2
    if abs(ratio - 1) > SAME:
        while float(f"{ratio:.{digits}f}") == 1:
            digits += 1
    return f"{ratio:,.{digits}f}"


def _span(low: str, high: str) -> str:
    """``1.5 to 1.9``; empty where neither end is bounded."""
    if high == "∞":
        return "" if low == "0" else f"at least {low}"
    return f"at most {high}" if low == "0" else f"{low} to {high}"


def _evidence(ratio: Ratio) -> str:
    if ratio.failures_against is not None:
        return f"{ratio.failures:,.0f} and {ratio.failures_against:,.0f} failures"
    return f"{ratio.failures:,.0f} failure{'s' * (ratio.failures != 1)}"


def rounded_up(count: int) -> int:
    """To two significant digits."""
    unit = int(10 ** max(0, len(str(count)) - 2))
    return -(-count // unit) * unit


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
