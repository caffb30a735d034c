"""Maximum likelihood: the fit, its profile-likelihood intervals, the ranking of families, the bound for no failures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import exp, inf, isinf, log, sqrt
from typing import Literal

import numpy as np
from scipy.stats import chi2

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.likelihood import EXPONENTIAL, LOGNORMAL, WEIBULL, Derivatives, LogLife, Terms, log_km
from wearlore.life.newton import maximise
from wearlore.lives import Array, Lives
from wearlore.units import Units

Target = Literal["scale", "shape", "sigma", "quantile", "survival"]
LOG_SPREAD = (-7.0, 5.0)  # ln sigma is searched between: shapes 1,100 to 0.007
REACH = 60.0  # mu is searched this far from its start, in ln km
OPEN = 30.0  # an interval's end farther from the estimate than this, in ln km, is no end
VAGUE = 1e-6  # information on mu or ln sigma below this (standard error over 1,000) determines nothing
MANY = 5_000  # distances of failure and survival from which a row of intervals is of bins
WIDTH = 0.125  # of sigma
FAR = 100.0  # a scale beyond this many times the longest distance seen is flagged


@dataclass(frozen=True, slots=True)
class Fit:
    """A life model by maximum likelihood.

    ``covariance`` is of (mu, ln sigma), from the observed information; mu is ln km. ``furthest`` is the longest
    distance (km) that any life was seen at. ``scale`` = exp(mu) is the distance that 63.2 % (Weibull, exponential)
    or half (lognormal) do not outlive.
    """

    dist: LogLife
    mu: float
    sigma: float
    log_likelihood: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    failures: float
    total: float
    furthest: float
    lives: Lives = field(repr=False, compare=False)

    @property
    def scale(self) -> float:
        return exp(self.mu)

    @property
    def shape(self) -> float:
        return 1 / self.sigma

    @property
    def aic(self) -> float:
        return 2 * self.dist.parameters - 2 * self.log_likelihood

    @property
    def aicc(self) -> float:
        """Akaike's criterion for small samples (Hurvich & Tsai 1989), counting every life; inf when undefined."""
        k, spare = self.dist.parameters, self.total - self.dist.parameters - 1
        return self.aic + 2 * k * (k + 1) / spare if spare > 0 else inf

    @property
    def caution(self) -> str:
        """What a reader must know before believing the fit; empty when nothing."""
        if self.scale <= FAR * self.furthest:
            return ""
        return (
            f"the scale lies {self.scale / self.furthest:,.3g} times beyond the longest distance seen: "
            "perhaps only a fraction can fail this way"
        )

    def sf(self, km: Array | float) -> Array:
        """Share that lives beyond ``km``."""
        return self.dist.sf(km, self.mu, self.sigma)

    def quantile(self, share: float) -> float:
        """Distance (km) by which ``share`` has failed."""
        return exp(self.mu + self.sigma * float(self.dist.z(share)))

    def interval(self, what: Target, at: float = 0.0, level: float = 0.95) -> Estimate:
        """`profile_interval` on the lives this was fitted to."""
        return profile_interval(self.lives, self, what, at, level)

    def survivals(self, km: Array, level: float = 0.95) -> tuple[Estimate, ...]:
        """The shares that live beyond each of ``km`` (k,), with their profile-likelihood intervals.

        Many distances of lives are condensed once to bins of a `WIDTH` of sigma (`Terms.condensed`).
        """
        terms, fitted = Terms.of(self.lives), self
        if terms.failed.size + terms.survived.size > MANY:
            terms = terms.condensed(WIDTH * self.sigma)
            free = (0,) if self.dist.fixed_sigma else (0, 1)
            here, far = np.array([self.mu, log(self.sigma)]), np.full(2, inf)
            best = maximise(_likelihood(terms, self.dist), here, -far, far, free)
            fitted = replace(self, mu=float(best.point[0]), sigma=exp(best.point[1]))
        return tuple(_interval(terms, fitted, "survival", at, level) for at in km.tolist())

    def show(self, units: Units) -> str:
        """``Weibull: scale 142,000 km (118,000 to 171,000), shape 3.1 (2.2 to 4.2); 37 failures in 412 lives``."""
        name = "median" if self.dist is LOGNORMAL else "mean" if self.dist is EXPONENTIAL else "scale"
        text = f"{self.dist.name}: {name} {units.show_estimate(self.interval('scale'))}"
        if not self.dist.fixed_sigma:
            spread: Target = "sigma" if self.dist is LOGNORMAL else "shape"
            estimate = self.interval(spread)
            text += f", {spread} {estimate.value:.2g} ({_end_of(estimate.low)} to {_end_of(estimate.high)})"
        text += f"; {show_failures(self.failures, self.total)}"
        return f"{text}. Caution: {self.caution}" if self.caution else text

    def __str__(self) -> str:
        return self.show(Units())


@dataclass(frozen=True, slots=True)
class Bound:
    """What no failures yet say: with confidence ``level`` the life is at least this, if its shape is ``shape``."""

    shape: float
    scale: float  # km, lower limit
    level: float

    def quantile(self, share: float) -> float:
        """Lower limit (km) of the distance by which ``share`` has failed."""
        return float(self.scale * (-log(1 - share)) ** (1 / self.shape))


def fit(lives: Lives, dist: LogLife) -> Fit:
    """The likeliest ``dist`` for ``lives``.

    Raises FitError when nothing failed, or when the likelihood has no maximum (say, every failure at one distance that
    no life outran).
    """
    failures = lives.failures
    if failures == 0:
        raise FitError("nothing has failed yet", "Use the bound, or state a belief")
    terms = Terms.of(lives)
    free = (0,) if dist.fixed_sigma else (0, 1)
    start = _start(lives)
    low, high = np.array([start - REACH, LOG_SPREAD[0]]), np.array([start + REACH, LOG_SPREAD[1]])
    best = maximise(_likelihood(terms, dist), np.array([start, 0.0]), low, high, free)
    mu, sigma = float(best.point[0]), exp(best.point[1])
    information = -best.at.hessian[np.ix_(free, free)]
    if best.at_edge or np.linalg.eigvalsh(information).min() < VAGUE:
        raise FitError(
            f"these lives do not determine the {dist.name} life: its likelihood has no maximum",
            "More failures at different distances, more lives still good, or a belief would",
        )
    covariance = np.zeros((2, 2))
    covariance[np.ix_(free, free)] = np.linalg.inv(information)
    (v, c), (_, w) = covariance.tolist()
    return Fit(dist, mu, sigma, best.at.value, ((v, c), (c, w)), failures, lives.total, furthest(lives), lives)


def rank(lives: Lives, families: tuple[LogLife, ...] = (WEIBULL, LOGNORMAL, EXPONENTIAL)) -> tuple[Fit, ...]:
    """Fits of every family that the lives determine, best AICc first (equal ones in the order of ``families``)."""
    fits = []
    for dist in families:
        try:
            fits.append(fit(lives, dist))
        except FitError:
            continue  # a family that these lives do not determine takes no rank
    return tuple(sorted(fits, key=lambda f: f.aicc))


def bound(lives: Lives, *, shape: float = 1.0, level: float = 0.95) -> Bound:
    """Lower limit of the Weibull scale when nothing failed and the shape is known (Nelson 1985, J. Qual. Technol. 17).

    scale = (2 sum(t^shape) / chi2(level; 2))^(1/shape); a life seen from ``entry`` on adds t^shape - entry^shape.
    Raises FitError when something failed or no distance was survived.
    """
    if lives.failures:
        raise FitError("the bound is for lives without a failure", "Fit a life model instead")
    far = furthest(lives) if len(lives) else 0.0
    exposure = float(lives.count @ ((lives.lower / far) ** shape - (lives.entry / far) ** shape)) if far else 0.0
    if exposure <= 0:
        raise FitError("no distance was survived", "Load records that cover some distance")
    return Bound(shape, far * (2 * exposure / float(chi2.ppf(level, 2))) ** (1 / shape), level)


def profile_interval(lives: Lives, fitted: Fit, what: Target, at: float = 0.0, level: float = 0.95) -> Estimate:
    """Profile-likelihood interval (Meeker & Escobar 1998, section 8.3) of one property of a fit to ``lives``.

    ``what``: ``scale`` (km), ``shape``, ``sigma``, ``quantile`` (km; ``at`` = share failed) or ``survival``
    (``at`` = km).
    An end that the lives do not bound is 0 or inf (survival: 0 or 1).
    """
    return _interval(Terms.of(lives), fitted, what, at, level)


def _interval(terms: Terms, fitted: Fit, what: Target, at: float, level: float) -> Estimate:
    dist, ln_sigma = fitted.dist, log(fitted.sigma)
    if what == "survival" and at <= 0:
        return Estimate(1.0, 1.0, 1.0, level)
    if dist.fixed_sigma and what in ("shape", "sigma"):
        return Estimate(1.0, 1.0, 1.0, level)
    curve: Curve
    nuisance, low, high = ln_sigma, -OPEN, OPEN
    if what in ("shape", "sigma"):
        curve, best, nuisance, (low, high) = _spread_fixed, ln_sigma, fitted.mu, LOG_SPREAD
    elif what == "survival":
        curve, best = _z_fixed(log(at)), (log(at) - fitted.mu) / fitted.sigma
    else:
        z = 0.0 if what == "scale" else float(dist.z(at))
        curve, best = _quantile_fixed(z), fitted.mu + z * fitted.sigma
        low, high = best - OPEN, best + OPEN
    other = (fitted.mu - REACH, fitted.mu + REACH) if curve is _spread_fixed else LOG_SPREAD
    free = () if dist.fixed_sigma else (1,)
    along = _along(curve, _likelihood(terms, dist))
    profile = _Profile(along, np.array([best, nuisance]), (low, high), other, free, sqrt(float(chi2.ppf(level, 1))))
    ends = profile.end(-1), profile.end(+1)
    if what == "survival":
        worst, middle, best_off = (float(np.exp(dist.log_sf(np.array(z)))) for z in (ends[1], best, ends[0]))
        return Estimate(middle, worst, best_off, level)
    if what == "shape":
        return Estimate(exp(-best), exp(-ends[1]), exp(-ends[0]), level)
    return Estimate(exp(best), exp(ends[0]), exp(ends[1]), level)


def show_failures(failures: float, lives: float) -> str:
    """``37 failures in 412 lives``."""
    seen = "life" if lives == 1 else "lives"
    return f"{failures:,.0f} failure{'s' * (failures != 1)} in {lives:,.0f} {seen}"


def furthest(lives: Lives) -> float:
    """The longest distance (km) that any life was seen at."""
    return float(np.where(lives.right, lives.lower, lives.upper).max())


@dataclass(frozen=True, slots=True)
class _Profile:
    """The profile of an objective in its first coordinate, maximised over its second (``free`` is empty if fixed)."""

    objective: Callable[[Array], Derivatives]
    best: Array
    span: tuple[float, float]
    other: tuple[float, float]
    free: tuple[int, ...]
    target: float  # root of the chi-square quantile

    def end(self, side: int) -> float:
        """Where the likelihood-ratio statistic reaches its chi-square quantile, on one side; -inf or inf if nowhere.

        Newton on the root of the statistic, which is almost a straight line, inside a bracket.
        """
        best, limit = float(self.best[0]), self.span[side > 0]
        at, here, nuisance = self.objective(self.best), best, float(self.best[1])
        top, drift = at.value, self._drift(at)
        across = -at.hessian[0, 0]  # steeper than the profile, whose curvature a drift that is cut off can miss
        along = across - drift * at.hessian[0, 1]
        step = min(self.target / sqrt(along if along > 0 else across), 3.0)
        inside, outside, c = best, side * inf, best + side * min(step, abs(limit - best))
        for _ in range(100):
            point, at = self._maximised(c, nuisance + min(1.0, max(-1.0, drift * (c - here))))
            if isinf(at.value):  # too far to be told: halfway back
                outside = c
                c = 0.5 * (inside + outside)
                continue
            here, nuisance, drift = c, float(point[1]), self._drift(at)
            root = sqrt(max(0.0, 2 * (top - at.value)))
            if abs(root - self.target) < 1e-9 or abs(outside - inside) < 1e-12 * max(1.0, abs(c)):
                break
            if root < self.target and here == limit:
                return side * inf
            inside, outside = (here, outside) if root < self.target else (inside, here)
            slope = abs(at.gradient[0]) / root if root > 0 else 0.0
            ahead = (self.target - root) / slope if slope > 0 else inf
            if isinf(outside):
                c = here + side * min(ahead, 2 * abs(here - best), abs(limit - here))
            else:
                c = here + side * ahead
                if not side * inside < side * c < side * outside:
                    c = 0.5 * (inside + outside)
        return c

    def _drift(self, at: Derivatives) -> float:
        """How the best second coordinate moves with the first."""
        if not self.free or at.hessian[1, 1] >= 0:
            return 0.0
        return min(10.0, max(-10.0, float(-at.hessian[0, 1] / at.hessian[1, 1])))

    def _maximised(self, c: float, nuisance: float) -> tuple[Array, Derivatives]:
        low, high = np.array([c, self.other[0]]), np.array([c, self.other[1]])
        found = maximise(self.objective, np.array([c, nuisance]), low, high, self.free)
        return found.point, found.at


Curve = Callable[[float, float], tuple[Array, Array, Array]]


def _likelihood(terms: Terms, dist: LogLife) -> Callable[[Array], Derivatives]:
    return lambda point: terms.derivatives(dist, float(point[0]), exp(point[1]))


def _spread_fixed(c: float, nuisance: float) -> tuple[Array, Array, Array]:
    """(mu, ln sigma) from c = ln sigma and nuisance = mu, with the Jacobian and the second derivatives of mu."""
    return np.array([nuisance, c]), np.array([[0.0, 1.0], [1.0, 0.0]]), np.zeros((2, 2))


def _quantile_fixed(z: float) -> Curve:
    """... from c = mu + z sigma and nuisance = ln sigma."""

    def curve(c: float, nuisance: float) -> tuple[Array, Array, Array]:
        shift = z * exp(nuisance)
        return (
            np.array([c - shift, nuisance]),
            np.array([[1.0, -shift], [0.0, 1.0]]),
            np.array([[0.0, 0.0], [0.0, -shift]]),
        )

    return curve


def _z_fixed(ln_km: float) -> Curve:
    """... from c = (ln km - mu) / sigma and nuisance = ln sigma."""

    def curve(c: float, nuisance: float) -> tuple[Array, Array, Array]:
        sigma = exp(nuisance)
        return (
            np.array([ln_km - c * sigma, nuisance]),
            np.array([[-sigma, -c * sigma], [0.0, 1.0]]),
            np.array([[0.0, -sigma], [-sigma, -c * sigma]]),
        )

    return curve


def _along(curve: Curve, objective: Callable[[Array], Derivatives]) -> Callable[[Array], Derivatives]:
    """The objective in the curve's coordinates (c, nuisance)."""

    def along(point: Array) -> Derivatives:
        place, jacobian, bend_of_mu = curve(float(point[0]), float(point[1]))
        value, gradient, hessian = objective(place)
        return Derivatives(value, jacobian.T @ gradient, jacobian.T @ hessian @ jacobian + gradient[0] * bend_of_mu)

    return along


def _start(lives: Lives) -> float:
    """ln of the distance run per failure: the exponential fit with intervals at their middle."""
    run = lives.at_risk
    return float(log_km(run / lives.failures if run > 0 else furthest(lives)))


def _end_of(value: float) -> str:
    return "∞" if value == inf else f"{value:.2g}"
