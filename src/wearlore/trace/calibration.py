"""Can stated chances be trusted: of all that was given 60 to 70 %, how much was there?

Stated chances are put into bins of equal width. In bin k, with n_k of n chances, mean stated chance s_k and share found
f_k (f without index: of all):

- interval of f_k: Jeffreys, that is Beta(found + 1/2, not found + 1/2), and from 0 where none, to 1 where all was found
  (Brown, Cai & DasGupta 2001, *Statistical Science* 16(2));
- bias: mean of the stated chances less the share of all that was found, above 0 where too much was said;
- expected calibration error: sum of n_k/n |s_k - f_k| (Naeini, Cooper & Hauskrecht 2015, AAAI);
- Brier score: mean of (stated - found)^2 = reliability - resolution + uncertainty + within, where reliability = sum of
  n_k/n (s_k - f_k)^2, resolution = sum of n_k/n (f_k - f)^2, uncertainty = f (1 - f) (Murphy 1973, *Journal of Applied
  Meteorology* 12). That identity is exact where all chances of a bin are equal; `Calibration.within` is what is added
  where they are not: variance of the stated chances within bins less twice their covariance with what was found
  (Stephenson, Coelho & Jolliffe 2008, *Weather and Forecasting* 23(4));
- skill: 1 - Brier score / uncertainty, against always stating f, which nobody knew beforehand;
- log score: mean of -ln of the chance that was given to what was found.

Intervals of the scores: the stated chances and the counts of the bins are kept, the share of each bin is drawn from its
Jeffreys posterior, and those found (and those not) weigh equally in it. So a bin in which all was alike is not taken as
proof. What was found is taken as independent from case to case. Chance alone moves calibration error, reliability and
resolution up, never down: the lower end of their intervals is the smaller of the lower quantile and 2 value - upper
quantile (basic bootstrap), at least 0. `Calibration.by_chance` is the calibration error of chances that are right (what
is found drawn with the stated chances: Bröcker & Smith 2007, *Weather and Forecasting* 22(3)); where the error is no
greater than that may be, its interval begins at 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from wearlore.estimate import Estimate
from wearlore.lives import Array

DRAWS = 2_000


@dataclass(frozen=True, slots=True)
class Bin:
    """``count`` chances of ``low`` <= chance < ``high`` (the last bin holds 1 too), ``stated`` on the mean.

    ``found``: how many of them were there; ``share``: found of count.
    """

    low: float
    high: float
    count: int
    found: int
    stated: float
    share: Estimate


@dataclass(frozen=True, slots=True)
class Calibration:
    """How ``count`` stated chances compare with the ``found`` that were there; formulas at the head of this module.

    ``bins``: those that hold a chance, rising. ``error``: expected calibration error, ``by_chance``: what it would be
    were every stated chance right. ``skill``: None where all or nothing was found, so that the base rate leaves nothing
    to win. ``log_score`` is inf where what was found had been ruled out.
    """

    count: int
    found: int
    bins: tuple[Bin, ...]
    base_rate: Estimate
    bias: Estimate
    error: Estimate
    by_chance: Estimate
    brier: Estimate
    reliability: Estimate
    resolution: Estimate
    uncertainty: Estimate
    within: Estimate
    skill: Estimate | None
    log_score: Estimate

    @property
    def beyond_chance(self) -> bool:
        """The calibration error is greater than chance alone would make it."""
        return self.error.value > self.by_chance.high


def calibration(
    stated: Array | Sequence[float],
    found: NDArray[np.bool_] | Sequence[bool],
    *,
    bins: int = 10,
    level: float = 0.95,
    rng: np.random.Generator,
) -> Calibration:
    """Compare ``stated`` chances (n,) with what was ``found`` (n,), n >= 1.

    The order of the cases is of no matter. Raises ValueError.
    """
    chances, there = np.asarray(stated, np.float64), np.asarray(found)
    if chances.ndim != 1 or chances.shape != there.shape or not chances.size or there.dtype != np.bool_:
        raise ValueError("stated chances and what was found: one True or False for each chance, and at least one")
    if not ((chances >= 0) & (chances <= 1)).all():
        raise ValueError("a stated chance lies from 0 to 1")
    if bins < 1 or not 0 < level < 1:
        raise ValueError("at least one bin, and a level between 0 and 1")
    order = np.lexsort((there, chances))  # the draws of one order, whatever order the cases come in
    cases = _Cases.of(chances[order], there[order], bins)
    seen, drawn = cases.found / cases.count, cases.draw_shares(rng)
    every, by_chance = _interval(level), _by_chance(cases, level, rng)
    error = _upward(cases.error(seen), cases.error(drawn), level)
    if error.value <= by_chance.high:
        error = replace(error, low=0.0)
    base = _jeffreys(int(cases.found.sum()), int(cases.count.sum()), level)
    return Calibration(
        count=int(cases.count.sum()),
        found=int(cases.found.sum()),
        bins=tuple(
            Bin(k / bins, (k + 1) / bins, count, n, stated, _jeffreys(n, count, level))
            for k, count, n, stated in zip(*(column.tolist() for column in cases.bins), strict=True)
        ),
        base_rate=base,
        bias=every(cases.bias, seen, drawn),
        error=error,
        by_chance=by_chance,
        brier=every(cases.brier, seen, drawn),
        reliability=_upward(cases.reliability(seen), cases.reliability(drawn), level),
        resolution=_upward(cases.resolution(seen), cases.resolution(drawn), level),
        uncertainty=every(cases.uncertainty, seen, drawn),
        within=every(cases.within, seen, drawn),
        skill=every(cases.skill, seen, drawn) if 0 < base.value < 1 else None,
        log_score=every(cases.log_score, seen, drawn),
    )


@dataclass(frozen=True, slots=True)
class _Cases:
    """Cases by bin; k bins that hold one. Each score is a function of the shares found, shape (…, k) -> (…).

    ``number``, ``count``, ``found``, ``stated`` (mean): of each bin. The others are means over the cases of a bin that
    were found, and that were not; over all of its cases where there is none: of the squared difference, and of -ln of
    the chance given to that.
    """

    chances: Array
    bin: NDArray[np.int64]
    number: NDArray[np.int64]
    count: NDArray[np.int64]
    found: NDArray[np.int64]
    stated: Array
    square_found: Array
    square_not: Array
    log_found: Array
    log_not: Array

    @classmethod
    def of(cls, chances: Array, found: NDArray[np.bool_], bins: int) -> _Cases:
        """``chances`` rising."""
        edges = np.arange(1, bins) / bins
        number, bin_, count = np.unique(
            np.searchsorted(edges, chances, side="right"), return_inverse=True, return_counts=True
        )

        def mean(values: Array, of: NDArray[np.bool_]) -> Array:
            some = np.bincount(bin_[of], minlength=count.size)
            among = np.bincount(bin_[of], values[of], count.size)
            return np.where(some > 0, among, np.bincount(bin_, values)) / np.where(some > 0, some, count)

        with np.errstate(divide="ignore"):  # -ln 0 = inf is meant: what was ruled out
            log_found, log_not = -np.log(chances), -np.log1p(-chances)
        return cls(
            chances=chances,
            bin=bin_,
            number=number,
            count=count,
            found=np.bincount(bin_[found], minlength=count.size),
            stated=np.bincount(bin_, chances) / count,
            square_found=mean((1 - chances) ** 2, found),
            square_not=mean(chances**2, ~found),
            log_found=mean(log_found, found),
            log_not=mean(log_not, ~found),
        )

    @property
    def bins(self) -> tuple[NDArray[Any], ...]:
        return self.number, self.count, self.found, self.stated

    @property
    def weight(self) -> Array:
        return self.count / self.chances.size

    def draw_shares(self, rng: np.random.Generator) -> Array:
        """Shares found under the Jeffreys posterior of each bin, shape (draws, k)."""
        return rng.beta(self.found + 0.5, self.count - self.found + 0.5, (DRAWS, self.count.size))

    def bias(self, share: Array) -> Array:
        return np.asarray((self.stated - share) @ self.weight)

    def error(self, share: Array) -> Array:
        return np.asarray(np.abs(self.stated - share) @ self.weight)

    def brier(self, share: Array) -> Array:
        return np.asarray((share * self.square_found + (1 - share) * self.square_not) @ self.weight)

    def reliability(self, share: Array) -> Array:
        return np.asarray((self.stated - share) ** 2 @ self.weight)

    def resolution(self, share: Array) -> Array:
        return np.asarray((share - (share @ self.weight)[..., np.newaxis]) ** 2 @ self.weight)

    def uncertainty(self, share: Array) -> Array:
        rate = share @ self.weight
        return np.asarray(rate * (1 - rate))

    def within(self, share: Array) -> Array:
        return self.brier(share) - self.reliability(share) + self.resolution(share) - self.uncertainty(share)

    def skill(self, share: Array) -> Array:
        return 1 - self.brier(share) / self.uncertainty(share)

    def log_score(self, share: Array) -> Array:
        """A certain chance that came true costs nothing: 0 times inf is 0 here."""
        parts = [
            np.multiply(part, cost, out=np.zeros(share.shape), where=part > 0)
            for part, cost in ((share, self.log_found), (1 - share, self.log_not))
        ]
        return np.asarray(np.sum((parts[0] + parts[1]) * self.weight, axis=-1))


def _by_chance(cases: _Cases, level: float, rng: np.random.Generator) -> Estimate:
    """The calibration error where what is found is drawn with the stated chances: median and interval."""
    errors = np.empty(DRAWS)
    for draw in range(DRAWS):
        there = rng.random(cases.chances.size) < cases.chances
        errors[draw] = cases.error(np.bincount(cases.bin[there], minlength=cases.count.size) / cases.count)
    low, high = _quantiles(errors, level)
    return Estimate(_middle(errors), low, high, level)


def _interval(level: float) -> Callable[[Callable[[Array], Array], Array, Array], Estimate]:
    def estimate(score: Callable[[Array], Array], seen: Array, drawn: Array) -> Estimate:
        value, (low, high) = float(score(seen)), _quantiles(score(drawn), level)
        return Estimate(value, min(low, value), max(high, value), level)

    return estimate


def _upward(value: Array, drawn: Array, level: float) -> Estimate:
    """Of a sum of squares or of amounts, which chance alone moves up."""
    at, (low, high) = float(value), _quantiles(drawn, level)
    return Estimate(at, min(low, max(2 * at - high, 0.0), at), max(high, at), level)


def _quantiles(drawn: Array, level: float) -> tuple[float, float]:
    """Of the draws themselves: between a number and inf there is nothing."""
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2], method="inverted_cdf")
    return float(low), float(high)


def _middle(drawn: Array) -> float:
    return float(np.quantile(drawn, 0.5, method="inverted_cdf"))


def _jeffreys(found: int, count: int, level: float) -> Estimate:
    ends = betaincinv(found + 0.5, count - found + 0.5, [(1 - level) / 2, (1 + level) / 2])
    return Estimate(
        found / count, 0.0 if found == 0 else float(ends[0]), 1.0 if found == count else float(ends[1]), level
    )
