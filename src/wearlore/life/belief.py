"""The specialist's judgement as a prior on (mu, ln sigma), that is, on ln scale and minus ln shape.

Two statements, "a share p has failed by t, and I am 90 % sure that this lies between a and b", fix a normal prior: the
median of each quantile's distance is t and its 90 % range is as wide (b/a) as stated. A range that is not symmetric
about t on the log scale keeps its width and is centred anew. What two statements leave open, how far an error in one
goes with an error in the other, is set to a correlation of 1/2: as if half of each error's variance came from one
common cause, the person. Statements so near to each other, or so vague, that this would leave the shape almost free
are held to a spread of the shape by a factor of 3.2 either way (90 %).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp, log, sqrt
from typing import Literal

import numpy as np
from scipy.optimize import brentq, least_squares
from scipy.special import ndtr, ndtri

from wearlore.book.model import Belief
from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.fit import furthest
from wearlore.life.likelihood import Derivatives, LogLife, Numbers
from wearlore.lives import Array, Lives

STATED = 0.90  # confidence of a stated range
COMMON = 0.5  # correlation between the errors of the two statements
WIDEST = 0.7  # greatest standard deviation of ln sigma that vague statements can bring
MEDIAN_FIRST = 10.0  # weight of a stated median against an end of its range, where not all can be met
SHARPEST = 0.2  # error left in mu once sigma is known, in errors of the better statement: at least
NODES = np.linspace(-6, 6, 61)  # of a standard normal; the trapezium rule on them is exact to 1e-9
WEIGHTS = np.exp(-0.5 * NODES**2) / np.exp(-0.5 * NODES**2).sum()
REFERENCE_LIFE = 3.0  # reference prior: median scale, in longest distances seen ...
REFERENCE_ERROR = 1.5  # ... known to a factor of 12 either way (90 %)
REFERENCE_SIGMA = 0.6  # median sigma (shape 1.7) ...
REFERENCE_SPREAD = 0.6  # ... known to a factor of 2.7 either way (90 %)


@dataclass(frozen=True, slots=True)
class Prior:
    """ln sigma is normal(centre, spread); mu given ln sigma is normal(location + slope (ln sigma - centre), error).

    With spread 0 (exponential) sigma is exp(centre), known.
    """

    dist: LogLife
    kind: Literal["belief", "reference"]
    location: float
    slope: float
    error: float
    centre: float
    spread: float

    def log_density(self, mu: Numbers, ln_sigma: Numbers) -> Array:
        """ln density of (mu, ln sigma) up to a constant; they broadcast."""
        apart = np.asarray(ln_sigma, np.float64) - self.centre
        rest = mu - self.location - self.slope * apart
        value = -0.5 * (rest / self.error) ** 2
        return np.asarray(value - 0.5 * (apart / self.spread) ** 2 if self.spread else value)

    def derivatives(self, mu: float, ln_sigma: float) -> Derivatives:
        precision, slope = 1 / self.error**2, self.slope
        spread_precision = 1 / self.spread**2 if self.spread else 0.0
        apart = ln_sigma - self.centre
        rest = mu - self.location - slope * apart
        return Derivatives(
            float(self.log_density(mu, ln_sigma)),
            np.array([-rest * precision, slope * rest * precision - apart * spread_precision]),
            np.array(
                [[-precision, slope * precision], [slope * precision, -(slope**2) * precision - spread_precision]]
            ),
        )

    def quantile(self, share: float, level: float = STATED) -> Estimate:
        """Median and central range of the distance (km) by which ``share`` has failed, as the prior has it."""
        z = float(self.dist.z(share))
        middle = self.location + z * exp(self.centre)
        wide = 12 * sqrt(self.log_variance(share))

        def at(chance: float) -> float:
            return exp(brentq(lambda y: self._cdf(y, z) - chance, middle - wide, middle + wide, xtol=1e-12))

        return Estimate(at(0.5), at((1 - level) / 2), at((1 + level) / 2), level)

    def log_variance(self, share: float) -> float:
        """Variance of ln(distance by which ``share`` has failed)."""
        z = float(self.dist.z(share))
        return self._covariance(z, z)

    def scaled(self, factor: float) -> Prior:
        """The same judgement of a life ``factor`` times as long."""
        return replace(self, location=self.location + log(factor))

    def _cdf(self, y: float, z: float) -> float:
        """P(mu + z sigma <= y)."""
        apart = self.spread * NODES
        middle = self.location + self.slope * apart + z * np.exp(self.centre + apart)
        return float(WEIGHTS @ ndtr((y - middle) / self.error))

    def _covariance(self, z1: float, z2: float) -> float:
        """Of mu + z1 sigma with mu + z2 sigma (moments of the normal and the lognormal)."""
        v, sigma = self.spread**2, exp(self.centre)
        linear = self.slope**2 * v + self.slope * (z1 + z2) * sigma * v * exp(v / 2)
        return self.error**2 + linear + z1 * z2 * sigma**2 * exp(v) * float(np.expm1(v))


@lru_cache(maxsize=1024)  # asked again for each revision and grade
def prior_of(belief: Belief, dist: LogLife) -> Prior:
    """The prior that reproduces a belief's two statements, for any family; see the head of this module.

    For the exponential it is that prior given sigma = 1. Raises FitError when the statements cross. Statements that no
    normal prior can meet (two very unequal ranges) are met as nearly as can be: compare `Prior.quantile`.
    """
    first, second = sorted(belief.quantiles, key=lambda q: q.share)
    if not (first.share < second.share and first.at < second.at):
        raise FitError("the two statements of a belief cross", "A greater share must fail by a greater distance")
    z = np.array([dist.z(first.share), dist.z(second.share)], dtype=np.float64)
    at = np.log([first.at, second.at])
    width = np.array([log(q.between[1] / q.between[0]) for q in (first, second)])
    if not (width > 0).all():
        raise FitError("a belief states a range without width", "Give the lower end first, then the upper")
    bound = float(ndtri((1 + STATED) / 2))
    start = _first_order(dist, z, at, width / (2 * bound))
    held = start.spread >= WIDEST

    def prior(x: Array) -> Prior:
        location, slope, ln_error, centre, ln_spread = x[:5].tolist()
        return Prior(dist, "belief", location, slope, exp(ln_error), centre, exp(ln_spread))

    def misfit(x: Array) -> Array:
        p, rest = prior(x), []
        for j in (0, 1):
            ends = np.array([x[5 + j], at[j], x[5 + j] + width[j]])
            chances = np.clip([p._cdf(end, z[j]) for end in ends], 1e-15, 1 - 1e-15)
            rest.extend((ndtri(chances) - [-bound, 0.0, bound]) * [1, MEDIAN_FIRST, 1])
        variances = p._covariance(z[0], z[0]) * p._covariance(z[1], z[1])
        free = x[4] - log(WIDEST) if held else p._covariance(z[0], z[1]) / sqrt(variances) - COMMON
        return np.array([*rest, free])

    x0 = [start.location, start.slope, log(start.error), start.centre, log(start.spread), *(at - width / 2)]
    sharpest = np.full(7, -np.inf)
    sharpest[2] = log(SHARPEST * width.min() / (2 * bound)) - 1e-9
    found = prior(least_squares(misfit, x0, bounds=(sharpest, np.inf), xtol=1e-12, max_nfev=100).x)
    return _given_sigma_1(found) if dist.fixed_sigma else found


def reference_prior(lives: Lives, dist: LogLife) -> Prior:
    """What is supposed where nobody has stated a belief: weakly informative, and set by how far the records reach.

    Raises FitError when no life was seen at any distance.
    """
    far = furthest(lives) if len(lives) else 0.0
    if far <= 0:
        raise FitError(
            "there is neither a belief nor a record of this mode", "State a belief in the book, or load records"
        )
    prior = Prior(
        dist, "reference", log(REFERENCE_LIFE * far), 0.0, REFERENCE_ERROR, log(REFERENCE_SIGMA), REFERENCE_SPREAD
    )
    return _given_sigma_1(prior) if dist.fixed_sigma else prior


def _first_order(dist: LogLife, z: Array, at: Array, error: Array) -> Prior:
    """The prior with sigma's spread taken as small: linear in the errors of the two statements."""
    sigma = (at[1] - at[0]) / (z[1] - z[0])
    both = COMMON * error[0] * error[1]
    spread = sqrt(error[0] ** 2 + error[1] ** 2 - 2 * both) / (at[1] - at[0])
    if spread > WIDEST:
        spread = WIDEST
        both = 0.5 * (error[0] ** 2 + error[1] ** 2 - (spread * (at[1] - at[0])) ** 2)
    # mu = y1 - z1 sigma with d ln sigma = (d y2 - d y1) / (y2 - y1)
    with_spread = (both - error[0] ** 2) / (at[1] - at[0])
    slope = with_spread / spread**2 - z[0] * sigma
    left = error[0] ** 2 - with_spread**2 / spread**2
    known = sqrt(max(left, (SHARPEST * error.min()) ** 2))
    return Prior(dist, "belief", float(at[0] - z[0] * sigma), float(slope), known, log(sigma), float(spread))


def _given_sigma_1(prior: Prior) -> Prior:
    return replace(prior, location=prior.location - prior.slope * prior.centre, slope=0.0, centre=0.0, spread=0.0)
