"""Do the records ask for a share that is faulty as fitted, or for one that never fails? Tests and a verdict.

A share of 0 lies on the boundary of what is possible, so twice the gain in log-likelihood is, if the share is 0, half
the time 0 and half the time chi-square with one degree of freedom (Chernoff 1954, Ann. Math. Statist. 25; Self & Liang
1987, JASA 82, case 5). Each share is tested twice: against the plain life, and beside the other share, for early
failures may pass for a few units that fail soon while the rest never does, and the other way round.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, log1p
from typing import Literal

from scipy.stats import chi2

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.fit import furthest
from wearlore.life.fractions.fit import EARLY, FractionFit, Search, fractions
from wearlore.life.fractions.search import SHARES, Kind
from wearlore.life.likelihood import LOGNORMAL, WEIBULL, LogLife
from wearlore.lives import Lives

DOUBT = 0.05  # p-value below which a share is asked for
EARLY_ENOUGH = 3.0  # failures surely within `early` without which no early share is found
LATE_ENOUGH = 5.0  # failures surely beyond it without which the life of the others is not known
EARLY_SMALL = 0.02  # an early share surely below this need not be thought of (a judgement)
NEVER_SMALL = 0.10  # a share that never fails, likewise

Verdict = Literal["needed", "not needed", "the records cannot tell"]
Reason = Literal[
    "the gain is beyond chance",
    "the share is small at most",
    "the share may be large, and may be nothing",
    "the other share explains the records as well",
    "too few early failures",
    "too few later failures",
    "the lives were not followed far enough",
    "a likelihood without a maximum",
]


@dataclass(frozen=True, slots=True)
class LikelihoodRatio:
    """``statistic``: twice the gain in log-likelihood; ``p_value`` by the 50:50 mixture of 0 and chi-square(1)."""

    statistic: float
    p_value: float

    @classmethod
    def of(cls, without: FractionFit | None, with_it: FractionFit | None) -> LikelihoodRatio | None:
        """None where one of the two lives is not determined."""
        if without is None or with_it is None:
            return None
        statistic = max(0.0, 2 * (with_it.log_likelihood - without.log_likelihood))
        return cls(statistic, 0.5 * float(chi2.sf(statistic, 1)) if statistic > 0 else 1.0)


@dataclass(frozen=True, slots=True)
class Addition:
    """What the records say of one share: p0 of early failures, or the share that never fails.

    ``alone``: test against the plain life; ``beside``: test of both shares against the other one only. ``share`` is
    from the better (AICc) of the kinds that have it; None where no such life is determined.
    """

    alone: LikelihoodRatio | None
    beside: LikelihoodRatio | None
    share: Estimate | None
    verdict: Verdict
    reason: Reason


@dataclass(frozen=True, slots=True)
class FamilyFractions:
    """One family: the fits of the kinds that the lives determine, the two shares, and how p0 hangs on ``early``.

    ``p0_halved`` and ``p0_doubled``: p0 of the same kind as ``early.share`` when early failures are those within half,
    within twice the distance; None where not determined.
    """

    dist: LogLife
    fits: Mapping[Kind, FractionFit]
    early: Addition
    survivors: Addition
    p0_halved: float | None
    p0_doubled: float | None

    @property
    def best(self) -> FractionFit | None:
        """Of least AICc; of equals the one with fewer shares."""
        return _best(self.fits, tuple(SHARES))


@dataclass(frozen=True, slots=True)
class FractionsStudy:
    """Families side by side, and the evidence that their verdicts rest on.

    ``early_failures`` surely happened within ``early`` km, ``late_failures`` surely beyond. ``cut_short``: the chance
    that lives were not followed to the end of those that can fail, after Maller & Zhou (1992, Biometrika 79): near 0
    where many had failed as long before the last failure as others were seen after it. A share that never fails is
    only claimed where it is below 5 %.
    """

    early: float
    families: tuple[FamilyFractions, ...]
    failures: float
    total: float
    early_failures: float
    late_failures: float
    cut_short: float

    @property
    def leading(self) -> FamilyFractions | None:
        """The family whose best kind has the least AICc; None where nothing is determined."""
        ranked = [(row.best.aicc, place) for place, row in enumerate(self.families) if row.best]
        return self.families[min(ranked)[1]] if ranked else None

    @property
    def best(self) -> FractionFit | None:
        """Of least AICc over all families and kinds."""
        return self.leading.best if self.leading else None


def fractions_study(
    lives: Lives, *, early: float = EARLY, families: tuple[LogLife, ...] = (WEIBULL, LOGNORMAL)
) -> FractionsStudy:
    """All kinds of every family fitted to ``lives``, and a verdict on each share.

    "needed": both tests below 5 % (or the one beside the other share, where AICc asks for both), with enough failures
    on both sides of ``early``, or lives followed far enough. "not needed": no such ground, and the 95 % interval ends
    below 2 % (early failures) or 10 % (never fails). "the records cannot tell": all else. A verdict is of its family: a
    family that fits badly may ask for a share that another does without (`FractionsStudy.leading`).

    Raises FitError when nothing failed; ValueError if ``early`` is not a distance above 0 km.
    """
    failed = ~lives.right
    study = FractionsStudy(
        early,
        (),
        lives.failures,
        lives.total,
        float(lives.count[failed & (lives.upper <= early)].sum()),
        float(lives.count[failed & (lives.lower >= early)].sum()),
        _cut_short(lives),
    )
    return replace(study, families=tuple(_family(lives, dist, study) for dist in families))


def _family(lives: Lives, dist: LogLife, study: FractionsStudy) -> FamilyFractions:
    search, fits = Search(lives, dist, study.early), {}
    for kind in SHARES:
        try:
            fits[kind] = search.fitted(kind)
        except FitError:
            continue  # a kind that these lives do not determine takes no part
    early, survivors = _addition("early", fits, study), _addition("survivors", fits, study)
    shown = _best(fits, ("early", "both"))
    halved, doubled = (_p0(lives, shown, study.early * factor) if shown else None for factor in (0.5, 2.0))
    return FamilyFractions(dist, fits, early, survivors, halved, doubled)


def _addition(kind: Literal["early", "survivors"], fits: Mapping[Kind, FractionFit], study: FractionsStudy) -> Addition:
    other: Kind = "survivors" if kind == "early" else "early"
    alone = LikelihoodRatio.of(fits.get("plain"), fits.get(kind))
    beside = LikelihoodRatio.of(fits.get(other), fits.get("both"))
    shown = _best(fits, (kind, "both"))
    share = shown.interval("p0" if kind == "early" else "never") if shown else None
    best = _best(fits, tuple(SHARES))
    both_best = best is not None and best.kind == "both"
    small = share is not None and share.high <= (EARLY_SMALL if kind == "early" else NEVER_SMALL)
    verdict, reason = _verdict(alone, beside, both_best, small)
    if verdict == "needed" and (lack := _lack(kind, study)):
        verdict, reason = ("not needed", "the share is small at most") if small else ("the records cannot tell", lack)
    return Addition(alone, beside, share, verdict, reason)


def _verdict(
    alone: LikelihoodRatio | None, beside: LikelihoodRatio | None, both_best: bool, small: bool
) -> tuple[Verdict, Reason]:
    if alone is None or beside is None:
        return "the records cannot tell", "a likelihood without a maximum"
    gains_alone, gains_beside = alone.p_value < DOUBT, beside.p_value < DOUBT
    if gains_beside and (gains_alone or both_best):
        return "needed", "the gain is beyond chance"
    if gains_alone or gains_beside:
        return "the records cannot tell", "the other share explains the records as well"
    if small:
        return "not needed", "the share is small at most"
    return "the records cannot tell", "the share may be large, and may be nothing"


def _lack(kind: Literal["early", "survivors"], study: FractionsStudy) -> Reason | None:
    """What keeps the evidence from carrying a share that the tests ask for."""
    if kind == "early" and study.early_failures < EARLY_ENOUGH:
        return "too few early failures"
    if (study.late_failures if kind == "early" else study.failures) < LATE_ENOUGH:
        return "too few later failures"
    if kind == "survivors" and study.cut_short >= DOUBT:
        return "the lives were not followed far enough"
    return None


def _cut_short(lives: Lives) -> float:
    """Maller & Zhou's (1 - N/n)^n; N of n lives failed in the last stretch before the last failure, as long as the
    stretch from there to the end of sight."""
    if not lives.failures:
        return 1.0
    failed = ~lives.right
    last = float(lives.upper[failed].max())
    late = float(lives.count[failed & (lives.upper > 2 * last - furthest(lives))].sum())
    return exp(lives.total * log1p(-late / lives.total)) if late < lives.total else 0.0


def _best(fits: Mapping[Kind, FractionFit], kinds: tuple[Kind, ...]) -> FractionFit | None:
    return min((fits[kind] for kind in kinds if kind in fits), key=lambda fit: fit.aicc, default=None)


def _p0(lives: Lives, shown: FractionFit, early: float) -> float | None:
    try:
        return fractions(lives, shown.dist, shown.kind, early=early).p0
    except FitError:
        return None
