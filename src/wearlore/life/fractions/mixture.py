"""The likelihood of lives of which some are faulty as fitted and some never fail.

A share p0 of units is faulty and fails early, at a distance uniform on (0, early]; of the others a share q can fail of
this mode, with a log-location-scale life F0, and the rest never does:
F(t) = p0 G(t) + (1 - p0) q F0(t), G(t) = min(t / early, 1). With q = 1 and early -> 0 this is the zero-inflated model,
with p0 = 0 the limited-failure-population model (Meeker 1987, Technometrics 29; Meeker & Escobar 1998, chapter 11).

The chance of every row is then a sum of three parts, p0 A + (1 - p0) q B + (1 - p0) (1 - q) C, where A is known, B is
that of F0, and C is 1 for a survival and 0 for a failure. It is kept as the ln of each part (log-sum-exp).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isinf
from typing import NamedTuple

import numpy as np
from scipy.special import expit, log_expit

from wearlore.life.likelihood import NARROW, Derivatives, LogLife, log_km
from wearlore.lives import Array, Lives

MANY = 5_000  # rows beyond which distances are grouped, ...
GROUP = 1 / 256  # ... single ones to cells of this width in ln km, ...
GROUP_ENDS = 1 / 64  # ... the two ends of an interval to cells of this width
NEVER_FAILED = -1e4  # z that stands for a distance of 0 km: the chance of a failure before is 0


@dataclass(frozen=True, slots=True)
class Parts:
    """Rows of one kind: distances ln km, ``early`` the ln of part A (-inf: impossible for a faulty piece)."""

    at: Array
    until: Array  # second distance; of an exact failure the ln of the width it is known to (0: a density)
    early: Array
    weight: Array


@dataclass(frozen=True, slots=True)
class Rows:
    """Lives sorted into the terms of the mixture's log-likelihood, equal rows added up.

    A life seen from ``entry`` on counts as a survival of ``entry`` with a negative weight.
    """

    failed: Parts
    survived: Parts
    between: Parts

    @classmethod
    def of(cls, lives: Lives, early: float) -> Rows:
        entry, lower, upper, count = lives.entry, lives.lower, lives.upper, lives.count
        if len(lives) > MANY:
            entry, lower, upper = _grouped(lives, early)
        between, late = lives.between, entry > 0
        width = np.full(len(lives), np.inf)
        some = between & (lower > 0)
        width[some] = np.log1p((upper - lower)[some] / lower[some])
        narrow = width < NARROW
        dense = lives.exact | narrow
        between = between & ~narrow
        good = lives.right & (lower > 0)
        ln_width = np.where(narrow, np.log(np.where(narrow, upper - lower, 1.0)), 0.0)
        middle = 0.5 * (lower[dense] + upper[dense])
        share = np.where(narrow, _cut(upper, early) - _cut(lower, early), (upper <= early) / early)[dense]
        stood = np.concatenate([lower[good], entry[late]])
        return cls(
            _added_up(log_km(middle), ln_width[dense], log_km(share), count[dense]),
            _added_up(
                log_km(stood),
                np.zeros(stood.size),
                log_km(1 - _cut(stood, early)),
                np.concatenate([count[good], -count[late]]),
            ),
            _added_up(
                log_km(lower[between]),
                log_km(upper[between]),
                log_km(_cut(upper, early) - _cut(lower, early))[between],
                count[between],
            ),
        )

    def derivatives(self, dist: LogLife, point: Array) -> Derivatives:
        """Log-likelihood with gradient (4,) and Hessian (4, 4) in (mu, ln sigma, logit p0, logit q).

        An infinite logit is a share of 0 or 1; its derivatives are 0.
        """
        total = _Sum(point)
        total.add(self.failed, _density(dist, self.failed, point), can_live=False)
        total.add(self.survived, _survival(dist, self.survived, point), can_live=True)
        if self.between.at.size:
            total.add(self.between, _failure_between(dist, self.between, point), can_live=False)
        return Derivatives(total.value, total.gradient, total.hessian)


class _Part(NamedTuple):
    """ln B of every row with its derivatives in mu and ln sigma."""

    value: Array
    mu: Array
    spread: Array
    mu_mu: Array
    mu_spread: Array
    spread_spread: Array


class _Sum:
    """Adds up terms ln(p0 A + (1 - p0) q B + (1 - p0) (1 - q) C) with their derivatives."""

    def __init__(self, point: Array) -> None:
        self.p0, self.q = float(expit(point[2])), float(expit(point[3]))
        others = float(log_expit(-point[2]))
        self.ln_early = float(log_expit(point[2]))
        self.ln_failing, self.ln_living = others + float(log_expit(point[3])), others + float(log_expit(-point[3]))
        self.value, self.gradient, self.hessian = 0.0, np.zeros(4), np.zeros((4, 4))

    def add(self, rows: Parts, part: _Part, *, can_live: bool) -> None:
        first, second = self.ln_early + rows.early, self.ln_failing + part.value
        together = second if isinf(self.ln_early) else np.logaddexp(first, second)
        if lives_on := can_live and not isinf(self.ln_living):
            together = np.logaddexp(together, self.ln_living)
        # chances that a row is of a faulty piece, of one that fails in time, of one that never does
        a, b = np.exp(first - together), np.exp(second - together)
        c = np.exp(self.ln_living - together) if lives_on else np.zeros_like(b)
        weight, p0, q = rows.weight, self.p0, self.q
        slope = b - q * (b + c)  # in logit q

        def total(terms: Array) -> float:  # not ``@``, whose threads cost more than they save where cores are shared
            return float((weight * terms).sum())

        self.value += total(together)
        self.gradient += [total(b * part.mu), total(b * part.spread), total(a - p0), total(slope)]
        rest, beside = b * (1 - b), b * ((1 - q) - slope)
        upper = [
            [
                total(b * part.mu_mu + rest * part.mu**2),
                total(b * part.mu_spread + rest * part.mu * part.spread),
                -total(a * b * part.mu),
                total(beside * part.mu),
            ],
            [
                0.0,
                total(b * part.spread_spread + rest * part.spread**2),
                -total(a * b * part.spread),
                total(beside * part.spread),
            ],
            [0.0, 0.0, total(a * (1 - a) - p0 * (1 - p0)), -total(a * slope)],
            [0.0, 0.0, 0.0, total(b * (1 - q) ** 2 + c * q**2 - slope**2 - q * (1 - q) * (b + c))],
        ]
        square = np.array(upper)
        self.hessian += square + np.triu(square, 1).T


def _of_z(value: Array, z: Array, sigma: float, first: Array, second: Array) -> _Part:
    """A function of z alone, by its derivatives: dz/dmu = -1/sigma, dz/dln sigma = -z."""
    return _Part(
        value,
        -first / sigma,
        -z * first,
        second / sigma**2,
        (first + z * second) / sigma,
        z * first + z * z * second,
    )


def _density(dist: LogLife, rows: Parts, point: Array) -> _Part:
    sigma = exp(point[1])
    z = (rows.at - point[0]) / sigma
    part = _of_z(dist.log_pdf(z) - point[1] - rows.at + rows.until, z, sigma, dist.slope(z), dist.bend(z))
    return part._replace(spread=part.spread - 1)


def _survival(dist: LogLife, rows: Parts, point: Array) -> _Part:
    sigma = exp(point[1])
    z = (rows.at - point[0]) / sigma
    hazard = np.exp(dist.log_hazard(z))
    return _of_z(dist.log_sf(z), z, sigma, -hazard, -hazard * dist.hazard_slope(z))


def _failure_between(dist: LogLife, rows: Parts, point: Array) -> _Part:
    sigma = exp(point[1])
    a = np.where(np.isinf(rows.at), NEVER_FAILED, (rows.at - point[0]) / sigma)
    b = (rows.until - point[0]) / sigma
    low = b < 0  # differences of F below, of S above: each where it is small
    ends = np.where(low, dist.log_cdf(b), dist.log_sf(a)), np.where(low, dist.log_cdf(a), dist.log_sf(b))
    with np.errstate(divide="ignore"):  # two equal in double precision: ln 0 = -inf is meant
        value = ends[0] + np.log(-np.expm1(np.minimum(ends[1] - ends[0], 0.0)))
    value = np.maximum(value, -1e300)
    at_a, at_b = np.exp(dist.log_pdf(a) - value), np.exp(dist.log_pdf(b) - value)
    bend_a, bend_b = at_a * dist.slope(a), at_b * dist.slope(b)
    mu, spread = (at_a - at_b) / sigma, a * at_a - b * at_b
    return _Part(
        value,
        mu,
        spread,
        (bend_b - bend_a) / sigma**2 - mu * mu,
        (at_b - at_a + b * bend_b - a * bend_a) / sigma - mu * spread,
        b * at_b - a * at_a + b * b * bend_b - a * a * bend_a - spread * spread,
    )


def _cut(km: Array, early: float) -> Array:
    """G: the share of faulty pieces that have shown themselves by ``km``."""
    return np.minimum(km / early, 1.0)


def _grouped(lives: Lives, early: float) -> tuple[Array, Array, Array]:
    """Entry, lower and upper at the middle of their cells; no distance crosses ``early``."""

    def middle(km: Array, width: float) -> Array:
        known = (km > 0) & np.isfinite(km)
        cell = np.ceil(np.log(np.where(known, km, early) / early) / width) - 0.5
        return np.where(known, early * np.exp(cell * width), km)

    lower, upper = lives.lower, lives.upper
    grouped = np.full(len(lives), False)
    for width in (GROUP_ENDS, GROUP):  # an interval within one cell takes the finer ones, or stays as it is
        first, second = middle(lives.lower, width), middle(lives.upper, width)
        takes = ~grouped & np.where(lives.between, first < second, width == GROUP)
        lower, upper = np.where(takes, first, lower), np.where(takes, second, upper)
        grouped |= takes
    return np.minimum(middle(lives.entry, GROUP), lower), lower, upper


def _added_up(at: Array, until: Array, early: Array, weight: Array) -> Parts:
    """Distinct rows with the sum of their weights; those that cancel are gone. ``early`` follows from the distances."""
    if not at.size:
        return Parts(at, until, early, weight)
    order = np.lexsort((until, at))
    a, b = at[order], until[order]
    first = np.flatnonzero(np.r_[True, (a[1:] != a[:-1]) | (b[1:] != b[:-1])])
    weights = np.add.reduceat(weight[order], first)
    kept = order[first][weights != 0]
    return Parts(at[kept], until[kept], early[kept], weights[weights != 0])
