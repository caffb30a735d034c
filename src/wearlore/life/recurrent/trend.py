"""Tests of trend: do repairs come more often, or less often, with distance? For one vehicle or many."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np
from scipy.special import chdtr, chdtrc, ndtr
from scipy.stats import kendalltau

from wearlore.errors import FitError
from wearlore.life.recurrent.mean import Histories
from wearlore.life.recurrent.powerlaw import Truncation, placed_freely

Verdict = Literal["more often with distance", "less often with distance", "no trend to be seen"]
ENOUGH_UNITS = 20  # repaired units from which their own parts tell how much chance there is in the sum


@dataclass(frozen=True, slots=True)
class TrendTest:
    """One test against "no trend".

    ``p_more``, ``p_less``: the chance, without any trend, of repairs that lie as late or later, as early or earlier.
    """

    statistic: float
    p_more: float
    p_less: float

    @property
    def p_value(self) -> float:
        """Two-sided."""
        return min(1.0, 2 * min(self.p_more, self.p_less))

    def verdict(self, level: float) -> Verdict:
        if self.p_value > 1 - level:
            return "no trend to be seen"
        return "more often with distance" if self.p_more < self.p_less else "less often with distance"


@dataclass(frozen=True, slots=True)
class Trend:
    """Tests of trend and the verdict of one of them, named in ``by``.

    ``laplace`` and ``military`` (chi-squared with 2 ``repairs`` degrees of freedom) take each unit as a Poisson process
    with a rate of its own; ``robust`` only takes units as independent, and is None with less than two repaired units.
    """

    laplace: TrendTest
    military: TrendTest
    robust: TrendTest | None
    by: Literal["robust", "military"]
    verdict: Verdict
    repairs: float
    systems: int
    level: float


def trend(histories: Histories, *, truncation: Truncation = "time", level: float = 0.95) -> Trend:
    """Are repairs met more often, or less often, with distance?

    Every unit is compared with its own middle, so that units with different rates and windows show no false trend
    (Kvaløy & Lindqvist 1998, Reliab. Eng. Syst. Saf. 60, "combined" tests; tests on the pooled total time on test do):

    - Laplace: sum of (km - middle) / root of sum of n length^2 / 12, normal;
    - MIL-HDBK-189: 2 sum of ln(length / (km - start)), chi-squared with 2 degrees of freedom for each repair; exact;
    - robust: Laplace's sum / root of the sum of squares of each unit's own part (Lawless, Çiğşar & Cook 2012,
      Technometrics 54), normal; it holds where repairs come in clusters too.

    The verdict is the robust test's from `ENOUGH_UNITS` repaired units on, below that the MIL-HDBK-189 test's. With
    ``truncation`` "failure" the repair that ends each window is not tested. Raises FitError without a repair to test.
    """
    tested = placed_freely(histories, truncation)
    if not tested.events:
        raise FitError("there is no repair to test for a trend", "See the vehicles again later")
    start, length = tested.start[tested.unit], (tested.end - tested.start)[tested.unit]
    from_middle = tested.count * (tested.km - start - length / 2)
    spread = sqrt(float(tested.count @ length**2) / 12)
    laplace = _normal(float(from_middle.sum()) / spread)
    chi2 = -2 * float(tested.count @ np.log((tested.km - start) / length))
    degrees = 2 * tested.events
    military = TrendTest(chi2, float(chdtr(degrees, chi2)), float(chdtrc(degrees, chi2)))
    parts = np.bincount(tested.unit, weights=from_middle)
    repaired = np.unique(tested.unit).size
    own = sqrt(float(parts @ parts))
    robust = _normal(float(parts.sum()) / own) if repaired > 1 and own > 0 else None
    chosen = robust if robust is not None and repaired >= ENOUGH_UNITS else military
    return Trend(
        laplace, military, robust, by="robust" if chosen is robust else "military", verdict=chosen.verdict(level),
        repairs=tested.events, systems=len(tested), level=level,
    )  # fmt: skip


def _normal(z: float) -> TrendTest:
    return TrendTest(z, float(ndtr(-z)), float(ndtr(z)))


@dataclass(frozen=True, slots=True)
class ReverseArrangements:
    """Pairs of distances between repairs of which the later is the longer (``reversals``) or the same (``ties``)."""

    reversals: int
    ties: int
    pairs: int
    test: TrendTest


def reverse_arrangements(histories: Histories) -> ReverseArrangements:
    """The reverse arrangement test of one history (NIST/SEMATECH e-Handbook, section 8.2.3.4), by Kendall's tau.

    Many reversals: repairs come less and less often. It takes any trend that keeps its direction, and no form. Raises
    FitError with less than two repairs, ValueError with several histories.
    """
    if len(histories) != 1:
        raise ValueError("expected one history")
    one_by_one = np.sort(np.repeat(histories.km, histories.count.astype(np.int64)))
    gaps = np.diff(one_by_one, prepend=histories.start[0])
    if gaps.size < 2:
        raise FitError("there are less than two repairs", "A trend in the distances between them needs two")
    pairs = gaps.size * (gaps.size - 1) // 2
    same = np.unique(gaps, return_counts=True)[1]
    ties = int((same * (same - 1)).sum()) // 2
    if ties == pairs:
        return ReverseArrangements(0, ties, pairs, TrendTest(0.0, 1.0, 1.0))
    order = np.arange(gaps.size)
    tau, p_less = kendalltau(order, gaps, alternative="greater")
    p_more = kendalltau(order, gaps, alternative="less").pvalue
    longer_less_shorter = round(float(tau) * sqrt(pairs * (pairs - ties)))
    test = TrendTest(float(tau), float(p_more), float(p_less))
    return ReverseArrangements((pairs - ties + longer_less_shorter) // 2, ties, pairs, test)
