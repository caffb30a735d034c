"""Distributions as values, and the one censored, truncated, counted log-likelihood.

A life T (km) is log-location-scale: z = (ln T - mu) / sigma has a fixed distribution. Weibull: z is smallest extreme
value, scale = exp(mu), shape = 1 / sigma. Lognormal: z is normal. Exponential: Weibull with sigma fixed at 1.
The log-likelihood is on the scale of distance: an exact failure at t contributes ``log_pdf(z) - ln(sigma t)``
(Meeker & Escobar 1998, sections 2.4, 8.2; delayed entry: section 11.6).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtri

from wearlore.lives import Array, Lives

Numbers = float | Array
Spot = tuple[Numbers, Numbers]  # mu and sigma
Groups = NDArray[np.int64]

LOG_ROOT_2_PI = 0.5 * float(np.log(2 * np.pi))
HIGHEST_Z = 300.0  # exp(z) stays finite; survival beyond is under exp(-1e130)
LOWEST_Z = -30.0  # below, ln F(z) = z to 5e-14 (Weibull)
NARROW = 1e-5  # an interval narrower than this in ln km is its density at the middle times its width


@dataclass(frozen=True, slots=True)
class LogLife:
    """A distribution of distance to failure, by functions of z = (ln km - mu) / sigma.

    ``slope`` and ``bend`` are the first and second derivative of ``log_pdf``, ``hazard_slope`` is the first of
    ``log_hazard`` = log_pdf - log_sf; ``z`` is the quantile function.
    """

    name: str
    log_sf: Callable[[Array], Array]
    log_cdf: Callable[[Array], Array]
    log_pdf: Callable[[Array], Array]
    slope: Callable[[Array], Array]
    bend: Callable[[Array], Array]
    log_hazard: Callable[[Array], Array]
    hazard_slope: Callable[[Array], Array]
    z: Callable[[Numbers], Array]
    fixed_sigma: bool = False  # sigma is 1

    @property
    def parameters(self) -> int:
        return 1 if self.fixed_sigma else 2

    def sf(self, km: Numbers, mu: Numbers, sigma: Numbers) -> Array:
        """Share that lives beyond ``km`` (km, mu and sigma broadcast)."""
        return np.exp(self.log_sf(np.asarray((log_km(km) - mu) / sigma)))


def log_km(km: Numbers) -> Array:
    """ln km; ln 0 = -inf is meant: S(0) = 1."""
    with np.errstate(divide="ignore"):
        return np.log(np.asarray(km, dtype=np.float64))


def _cumulative(z: Array) -> Array:
    return np.exp(np.minimum(z, HIGHEST_Z))


def _weibull_log_sf(z: Array) -> Array:
    return -_cumulative(z)


def _weibull_log_cdf(z: Array) -> Array:
    return np.where(z < LOWEST_Z, z, np.log(-np.expm1(-_cumulative(np.maximum(z, LOWEST_Z)))))


def _weibull_log_pdf(z: Array) -> Array:
    return z - _cumulative(z)


def _weibull_slope(z: Array) -> Array:
    return 1 - _cumulative(z)


def _weibull_log_hazard(z: Array) -> Array:
    return np.minimum(z, HIGHEST_Z)


def _weibull_z(share: Numbers) -> Array:
    return np.asarray(np.log(-np.log1p(-np.asarray(share, dtype=np.float64))))


def _normal_log_sf(z: Array) -> Array:
    return np.asarray(log_ndtr(-z))


def _normal_log_pdf(z: Array) -> Array:
    return np.asarray(-0.5 * z * z - LOG_ROOT_2_PI)


def _normal_slope(z: Array) -> Array:
    return -z


def _normal_bend(z: Array) -> Array:
    return np.full_like(z, -1.0)


def _normal_log_hazard(z: Array) -> Array:
    return _normal_log_pdf(z) - _normal_log_sf(z)


def _normal_hazard_slope(z: Array) -> Array:
    return np.asarray(np.exp(_normal_log_hazard(z)) - z)


WEIBULL = LogLife(
    "Weibull",
    log_sf=_weibull_log_sf,
    log_cdf=_weibull_log_cdf,
    log_pdf=_weibull_log_pdf,
    slope=_weibull_slope,
    bend=_weibull_log_sf,
    log_hazard=_weibull_log_hazard,
    hazard_slope=np.ones_like,
    z=_weibull_z,
)
EXPONENTIAL = replace(WEIBULL, name="exponential", fixed_sigma=True)
LOGNORMAL = LogLife(
    "lognormal",
    log_sf=_normal_log_sf,
    log_cdf=log_ndtr,
    log_pdf=_normal_log_pdf,
    slope=_normal_slope,
    bend=_normal_bend,
    log_hazard=_normal_log_hazard,
    hazard_slope=_normal_hazard_slope,
    z=ndtri,
)
FAMILIES = {"weibull": WEIBULL, "lognormal": LOGNORMAL, "exponential": EXPONENTIAL}


class Derivatives(NamedTuple):
    """A log-likelihood with its gradient (p,) and Hessian (p, p); of one life model p = 2: (mu, ln sigma)."""

    value: float
    gradient: Array
    hessian: Array


class Slopes(NamedTuple):
    """First and second derivatives in mu (``location``) and ln sigma (``spread``), each of shape (k,)."""

    location: Array
    spread: Array
    location_bend: Array
    cross: Array
    spread_bend: Array


@dataclass(frozen=True, slots=True)
class Terms:
    """Lives sorted into the terms of the log-likelihood, equal distances added up; all distances as ln km.

    ``survived`` carries signed weights: a life good at ``lower`` counts +, one seen from ``entry`` on counts -. A
    failure between two distances is a survival of the first, and a failure until the second given that.
    """

    failed: Array
    failed_weight: Array
    survived: Array
    survived_weight: Array
    before: Array  # failed at an unknown distance below this
    before_weight: Array
    after: Array  # failed between after and until
    until: Array
    between_weight: Array
    constant: float

    @classmethod
    def of(cls, lives: Lives) -> Terms:
        return GroupedTerms.of(lives, np.zeros(len(lives), dtype=np.int64), 1).terms

    def condensed(self, width: float) -> Terms:
        """The distances of every bin of ``width`` in ln km stood for by two; for sigma of at least 4 ``width``.

        A term's fourth derivative in z then moves the log-likelihood by under 1e-6 of itself: (1/4)^4 / 4320, the error
        of the Gauss rule of two nodes (Abramowitz & Stegun 1964, 25.4.30). Intervals stay as they are.
        """
        failed, survived, before, between = (
            np.zeros(each.size, dtype=np.int64) for each in (self.failed, self.survived, self.before, self.after)
        )
        return GroupedTerms(self, failed, survived, before, between, 1).condensed(width).terms

    def log_likelihood(self, dist: LogLife, mu: Numbers, sigma: Numbers) -> Array:
        """At every (mu, sigma), which broadcast; -inf where the lives are impossible in double precision."""
        location, spread = np.asarray(mu, np.float64)[..., None], np.asarray(sigma, np.float64)[..., None]
        spot = location, spread
        return np.asarray(self.value(dist, spot, spot, spot, spot) - np.log(spread[..., 0]) * self.failed_weight.sum())

    def derivatives(self, dist: LogLife, mu: float, sigma: float) -> Derivatives:
        """Value, gradient and Hessian in (mu, ln sigma); zero derivatives where the value is -inf."""
        value = float(self.log_likelihood(dist, mu, sigma))
        gradient, hessian = np.zeros(2), np.zeros((2, 2))
        if not np.isfinite(value):
            return Derivatives(value, gradient, hessian)
        spot = mu, sigma
        for part in self.slopes(dist, spot, spot, spot, spot):
            in_mu, in_spread, bend_mu, cross, bend_spread = (float(each.sum()) for each in part)
            gradient += in_mu, in_spread
            hessian += [[bend_mu, cross], [cross, bend_spread]]
        return Derivatives(value, gradient, hessian)

    def value(self, dist: LogLife, failed: Spot, survived: Spot, before: Spot, between: Spot) -> Array:
        """The log-likelihood but for -ln sigma of each exact failure; each kind of term at its own (mu, sigma)."""
        total = _added(dist.log_pdf(_z(self.failed, failed)), self.failed_weight) + self.constant
        total = total + _added(dist.log_sf(_z(self.survived, survived)), self.survived_weight)
        if self.before.size:
            total = total + _added(dist.log_cdf(_z(self.before, before)), self.before_weight)
        if self.after.size:
            between_two = _log_failed_until(dist, _z(self.after, between), _z(self.until, between))
            total = total + _added(between_two, self.between_weight)
        return np.asarray(total)

    def slopes(
        self, dist: LogLife, failed: Spot, survived: Spot, before: Spot, between: Spot
    ) -> tuple[Slopes, Slopes, Slopes, Slopes]:
        """Derivatives of every term, kind by kind (-ln sigma of the exact failures included)."""
        z = _z(self.failed, failed)
        exact = _slopes(z, failed[1], self.failed_weight, dist.slope(z), dist.bend(z))
        exact = exact._replace(spread=exact.spread - self.failed_weight)
        z = _z(self.survived, survived)
        hazard = np.exp(dist.log_hazard(z))
        good = _slopes(z, survived[1], self.survived_weight, -hazard, -hazard * dist.hazard_slope(z))
        z = _z(self.before, before)
        ratio = np.exp(dist.log_pdf(z) - dist.log_cdf(z))
        early = _slopes(z, before[1], self.before_weight, ratio, ratio * (dist.slope(z) - ratio))
        a, b, sigma = _z(self.after, between), _z(self.until, between), between[1]
        # odds that a life good at the first outlives the second, times the hazards
        ln_odds = dist.log_sf(b) - dist.log_sf(a) - _log_failed_until(dist, a, b)
        at_a, at_b = np.exp(dist.log_hazard(a) + ln_odds), np.exp(dist.log_hazard(b) + ln_odds)
        hazard = np.exp(dist.log_hazard(a))
        from_a = _slopes(a, sigma, self.between_weight, -at_a, -at_a * (dist.hazard_slope(a) + hazard + at_a))
        from_b = _slopes(b, sigma, self.between_weight, at_b, at_b * (dist.slope(b) - at_b))
        both = self.between_weight * (hazard + at_a) * at_b
        mixed = Slopes(0.0 * both, 0.0 * both, 2 * both / sigma**2, (a + b) * both / sigma, 2 * a * b * both)
        found = Slopes(*(x + y + w for x, y, w in zip(from_a, from_b, mixed, strict=True)))
        return exact, good, early, found


@dataclass(frozen=True, slots=True)
class GroupedTerms:
    """`Terms` of lives in groups, each with its own mu and sigma: distances are added up within a group only.

    ``failed`` … ``between`` are the groups of the terms of each kind.
    """

    terms: Terms
    failed: Groups
    survived: Groups
    before: Groups
    between: Groups
    groups: int

    @classmethod
    def of(cls, lives: Lives, group: Groups, groups: int) -> GroupedTerms:
        """``group`` (n,): the group of each row, from 0 to ``groups`` - 1."""
        entry, lower, upper, count = log_km(lives.entry), log_km(lives.lower), log_km(lives.upper), lives.count
        left, between = lives.between & (lives.lower == 0), lives.between & (lives.lower > 0)
        width = np.full(len(lives), np.inf)
        width[between] = np.log1p((lives.upper - lives.lower)[between] / lives.lower[between])
        narrow = width < NARROW
        dense = lives.exact | narrow
        between &= ~narrow
        good, late = (lives.right & (lives.lower > 0)) | between, lives.entry > 0
        constant = float(count[narrow] @ np.log(width[narrow]) - count[lives.exact] @ lower[lives.exact])
        middle = lower[dense] + 0.5 * np.where(narrow, width, 0.0)[dense]
        failed = _added_up(middle, count[dense], group[dense], groups)
        survived = _added_up(
            np.concatenate([lower[good], entry[late]]),
            np.concatenate([count[good], -count[late]]),
            np.concatenate([group[good], group[late]]),
            groups,
        )
        before = _added_up(upper[left], count[left], group[left], groups)
        terms = Terms(*failed[:2], *survived[:2], *before[:2], lower[between], upper[between], count[between], constant)
        return cls(terms, failed[2], survived[2], before[2], group[between], groups)

    def condensed(self, width: float) -> GroupedTerms:
        """As `Terms.condensed`, within each group."""
        at, good = self.terms, self.terms.survived_weight > 0
        kept = _condensed(at.survived[good], at.survived_weight[good], self.survived[good], width)
        taken = _condensed(at.survived[~good], -at.survived_weight[~good], self.survived[~good], width)
        failed = _condensed(at.failed, at.failed_weight, self.failed, width)
        before = _condensed(at.before, at.before_weight, self.before, width)
        survived, weight = np.concatenate([kept[0], taken[0]]), np.concatenate([kept[1], -taken[1]])
        terms = replace(
            at,
            failed=failed[0],
            failed_weight=failed[1],
            survived=survived,
            survived_weight=weight,
            before=before[0],
            before_weight=before[1],
        )
        place = np.concatenate([kept[2], taken[2]])
        return GroupedTerms(terms, failed[2], place, before[2], self.between, self.groups)

    def log_likelihood(self, dist: LogLife, mu: Array, sigma: Array) -> float:
        """At the ``mu`` and ``sigma`` of each group, shapes (groups,)."""
        value = float(self.terms.value(dist, *self._spots(mu, sigma)))
        return value - float(_added(np.log(sigma)[self.failed], self.terms.failed_weight))

    def slopes(self, dist: LogLife, mu: Array, sigma: Array) -> Slopes:
        """Derivatives in the mu and ln sigma of each group, shapes (groups,)."""
        parts = self.terms.slopes(dist, *self._spots(mu, sigma))
        places = self.failed, self.survived, self.before, self.between

        def added_up(each: int) -> Array:
            sums = [np.bincount(at, part[each], self.groups) for at, part in zip(places, parts, strict=True) if at.size]
            return np.asarray(sum(sums, start=np.zeros(self.groups)))

        return Slopes(*(added_up(each) for each in range(len(Slopes._fields))))

    def _spots(self, mu: Array, sigma: Array) -> tuple[Spot, Spot, Spot, Spot]:
        failed, survived, before, between = (
            (mu[at], sigma[at]) for at in (self.failed, self.survived, self.before, self.between)
        )
        return failed, survived, before, between


def log_likelihood(dist: LogLife, mu: float, sigma: float, lives: Lives) -> float:
    """ln of the chance (exact failures: density per km) of ``lives``, every row given that it outlived ``entry``."""
    return float(Terms.of(lives).log_likelihood(dist, mu, sigma))


def _log_failed_until(dist: LogLife, a: Array, b: Array) -> Array:
    """ln(1 - S(b) / S(a)), stable in both tails."""
    with np.errstate(divide="ignore"):  # two survivals equal in double precision: ln 0 = -inf is meant
        value = np.log(-np.expm1(np.minimum(dist.log_sf(b) - dist.log_sf(a), 0.0)))
        if (early := b < LOWEST_Z).any():  # survival is 1 in double precision: ln(F(b) - F(a))
            late, soon = dist.log_cdf(b), dist.log_cdf(a)
            value = np.where(early, late + np.log(-np.expm1(np.minimum(soon - late, 0.0))), value)
    return np.asarray(value)


def _z(ln_km: Array, spot: Spot) -> Array:
    return np.asarray((ln_km - spot[0]) / spot[1])


def _added(terms: Array, weight: Array) -> Array:
    """Weighted sum over the last axis; not ``@``, whose threads cost more than they save where cores are shared."""
    return np.asarray((terms * weight).sum(axis=-1))


def _slopes(z: Array, sigma: Numbers, weight: Array, first: Array, second: Array) -> Slopes:
    """Of terms g(z) by their derivatives in z: dz/dmu = -1/sigma, dz/dln sigma = -z."""
    first, second = weight * first, weight * second
    return Slopes(
        -first / sigma, -z * first, second / sigma**2, (first + z * second) / sigma, z * first + z * z * second
    )


def _added_up(ln_km: Array, weight: Array, group: Groups, groups: int) -> tuple[Array, Array, Groups]:
    """Distinct values within each group, with the sum of their weights and the group; those that cancel are gone."""
    distinct, place = np.unique(ln_km, return_inverse=True)
    if groups > 1:
        pairs, place = np.unique(group * np.int64(distinct.size) + place, return_inverse=True)
        group, distinct = pairs // distinct.size, distinct[pairs % distinct.size]
    else:
        group = np.zeros(distinct.size, dtype=np.int64)
    weights = np.bincount(place, weights=weight, minlength=distinct.size).astype(np.float64)
    kept = weights != 0
    return distinct[kept], weights[kept], group[kept]


def _condensed(ln_km: Array, weight: Array, group: Groups, width: float) -> tuple[Array, Array, Groups]:
    """Positive weights in bins of ``width``, each bin by the Gauss rule of two nodes: its moments up to the third."""
    if not ln_km.size:
        return ln_km, weight, group
    bins = np.floor(ln_km / width).astype(np.int64)
    bins -= bins.min()
    bins += group * (bins.max() + 1)
    _, first, place = np.unique(bins, return_index=True, return_inverse=True)

    def per_bin(values: Array) -> Array:
        return np.bincount(place, weights=weight * values).astype(np.float64)

    mass = per_bin(np.ones_like(ln_km))
    middle = per_bin(ln_km) / mass
    apart = ln_km - middle[place]
    variance = per_bin(apart**2) / mass
    spread = variance > (1e-9 * width) ** 2  # else one distance only
    lean = np.divide(per_bin(apart**3) / mass, 2 * variance, out=np.zeros_like(mass), where=spread)
    reach = np.where(spread, np.hypot(np.sqrt(variance), lean), 1.0)
    below = np.where(spread, 0.5 * mass * (1 + lean / reach), mass)
    step = np.where(spread, reach, 0.0)
    nodes = np.concatenate([middle + lean - step, (middle + lean + step)[spread]])
    whose = group[first]
    return nodes, np.concatenate([below, (mass - below)[spread]]), np.concatenate([whose, whose[spread]])
