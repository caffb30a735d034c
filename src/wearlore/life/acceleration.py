"""How much faster a unit ages while another fault is present: oil leaking from above that swells the seal below.

While the other fault is there a unit ages ``factor`` times as fast (cumulative exposure: Nelson 1990, ch. 10; the
accelerated life model with a covariate that changes in time: Cox & Oakes 1984, section 5.2). At age t its effective age
is t + (factor - 1) e(t), e(t) being the distance run with the fault present, and the life in effective age follows the
life model. So for a given factor every distance of a life is moved by (factor - 1) times its exposure, and an exact
failure under exposure adds ln factor, the Jacobian, to the log-likelihood of the plain model.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil, exp, inf, log, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq, minimize_scalar
from scipy.special import ndtri
from scipy.stats import chi2

from wearlore.book.model import Belief
from wearlore.errors import FitError, LivesError
from wearlore.estimate import Estimate
from wearlore.life.belief import STATED, Prior, prior_of, reference_prior
from wearlore.life.fit import REACH, fit, furthest
from wearlore.life.likelihood import LOGNORMAL, WEIBULL, Derivatives, LogLife, Terms
from wearlore.life.newton import Maximum, Objective, maximise
from wearlore.life.posterior import ROUNDING, SHARP
from wearlore.lives import Array, Exposure, Lives

WITHIN = 2.0  # a judged factor is right to within this many times, either way, with confidence STATED (90 %)
FEWEST = 3  # failures from which records alone can determine three parameters
MATTERS = 1.5  # a factor worth knowing of, where the book states no greater one
POWER = 0.8  # chance with which the failures still asked for would show it
LIMIT = log(200.0)  # ln factor is looked for within this of 0: a book may state up to 100
SPREAD = (-7.0, 2.5)  # ln sigma is looked for between: shapes 1,100 to 0.08
WIDEST_HELD = 5.0  # ... and where a prior holds it
SCAN = 13  # places at which the likelihood is looked at first
NODES = 33  # places at which it is then known, from where it has fallen by DROP on one side to the other
DROP = 20.0
FLAT = 1e-4  # a log-likelihood that varies by less than this over all factors determines none
MANY = 20_000  # rows above which distances alike within ROUNDING stand together
BRENT = {"xatol": 0.02}
FINE = 4097  # points on which the posterior is normalised

Verdict = Literal["shortens", "no sign", "open"]


@dataclass(frozen=True, slots=True)
class FamilyFactor:
    """The factor by records alone with lives of one family: maximum likelihood and profile-likelihood interval.

    ``log_likelihood`` at the factor, ``without`` at a factor of 1; ``p_value`` of the likelihood-ratio test between
    them (chi-square with 1 degree of freedom). ``mu``, ``sigma``: the life without the other fault.
    """

    dist: LogLife
    factor: Estimate
    mu: float
    sigma: float
    log_likelihood: float
    without: float
    total: float

    @property
    def p_value(self) -> float:
        return float(chi2.sf(max(0.0, 2 * (self.log_likelihood - self.without)), 1))

    @property
    def aicc(self) -> float:
        """As `Fit.aicc`, with the factor as one more parameter."""
        k, spare = self.dist.parameters + 1, self.total - self.dist.parameters - 2
        return 2 * k - 2 * self.log_likelihood + (2 * k * (k + 1) / spare if spare > 0 else inf)


@dataclass(frozen=True, slots=True)
class Acceleration:
    """What is known of the factor by which a present fault speeds up the ageing towards another.

    ``judged``: what the book says; ``together``: judgement and records, posterior median and central interval (the
    prior times the integrated likelihood, by Laplace's method over mu and ln sigma). ``record_share``: what the
    records contributed to the knowledge of ln factor, 1 - v/v0 as in `Posterior`. ``families``: records alone, best
    AICc first; empty with the ``reason`` when they determine no factor. ``dist``: the family of ``together``.
    ``needed``: about so many more failures under exposure would settle it, where it is open and records determine it.
    ``ln_factor`` and ``density`` (n,): the posterior density, for a chart.
    """

    dist: LogLife
    judged: Estimate
    together: Estimate
    record_share: float
    families: tuple[FamilyFactor, ...]
    reason: str
    exposed_failures: float
    unexposed_failures: float
    exposed: float  # km
    unexposed: float  # km
    verdict: Verdict
    needed: int | None
    ln_factor: Array = field(repr=False, compare=False)
    density: Array = field(repr=False, compare=False)

    @property
    def record(self) -> Estimate | None:
        """The factor by records alone, in the better family; None when they determine none."""
        return self.families[0].factor if self.families else None

    @property
    def p_value(self) -> float | None:
        """Of the likelihood-ratio test against a factor of 1; None when records alone determine no factor."""
        return self.families[0].p_value if self.families else None

    @property
    def sentence(self) -> str:
        """The verdict in words a person can repeat."""
        seen = f"{self.exposed_failures:,.0f} failures under exposure and {self.unexposed_failures:,.0f} without"
        if self.verdict == "shortens" and self.record is not None:
            return f"it shortens the life: ageing is {_times(self.record)} as fast while the fault is there; {seen}"
        if self.verdict == "no sign" and self.record is not None:
            return f"no sign that it shortens the life: ageing is {_times(self.record)} as fast; {seen}"
        more = f"; about {self.needed:,} more failures under exposure would" if self.needed else ""
        why = f" ({self.reason})" if self.reason else ""
        return f"the records cannot tell yet{why}: {seen}{more}"


def acceleration(
    lives: Lives,
    exposure: Exposure,
    judged: float = 1.0,
    belief: Belief | None = None,
    *,
    within: float = WITHIN,
    families: tuple[LogLife, ...] = (WEIBULL, LOGNORMAL),
    level: float = 0.95,
) -> Acceleration:
    """The factor from the ``lives`` of one mode and their ``exposure`` to another.

    ``judged``: the factor stated in the book (`Mode.accelerates`; 1 when it states none), right to ``within`` times
    either way with 90 % confidence: a lognormal prior. ``belief``: of the life itself, used for ``together`` only.

    The verdict rests on records alone: *shortens* when the profile-likelihood interval lies above 1; *no sign* when
    it excludes the judged factor (or `MATTERS`, if greater) and all above; else *open*. Raises LivesError when an
    exposure exceeds its distance.
    """
    _check(lives, exposure)
    if not (0 < judged < inf and 1 < within < inf):
        raise ValueError("judged must be above 0 and within above 1")
    counted = _Counted.of(lives, exposure)
    prior = log(judged), log(within) / float(ndtri((1 + STATED) / 2))
    reason = _nothing_to_tell(lives, exposure, counted)
    studies = [] if reason else [_study(lives, exposure, dist, belief, level) for dist in families]
    studies.sort(key=lambda study: study.record.aicc if study.record else inf)
    best = next(iter(studies), None)
    found = tuple(study.record for study in studies if study.record is not None)
    ln_factor, density, share = _posterior(best, *prior)
    matters = max(judged, MATTERS)
    verdict = _verdict(found[0].factor, matters) if found else "open"
    return Acceleration(
        dist=best.dist if best else families[0],
        judged=_lognormal(*prior, level),
        together=_quantiles(ln_factor, density, level),
        record_share=share,
        families=found,
        reason=reason or (best.reason if best else ""),
        exposed_failures=counted.exposed_failures,
        unexposed_failures=counted.unexposed_failures,
        exposed=counted.exposed,
        unexposed=counted.unexposed,
        verdict=verdict,
        needed=_needed(found[0], counted, matters) if found and verdict == "open" else None,
        ln_factor=ln_factor,
        density=density,
    )


def accelerated(lives: Lives, exposure: Exposure, factor: float) -> Lives:
    """The lives in effective age: each distance moved by (factor - 1) times the exposure up to it."""
    entry = lives.entry + (factor - 1) * exposure.at_entry
    lower = np.maximum(entry, lives.lower + (factor - 1) * exposure.at_lower)
    upper = np.maximum(lower, lives.upper + (factor - 1) * exposure.at_upper)
    return Lives(entry, lower, np.where(lives.exact, lower, upper), lives.count)


def _check(lives: Lives, exposure: Exposure) -> None:
    if len(lives) != len(exposure):
        raise LivesError(min(len(lives), len(exposure)), "an exposure for every life")
    end = np.where(lives.right, lives.lower, lives.upper)
    over = (exposure.at_entry > lives.entry) | (exposure.at_lower > lives.lower) | (exposure.at_upper > end)
    if over.any():
        raise LivesError(int(over.argmax()), "no more distance under exposure than distance")
    if (bad := exposure.present & ~lives.exact).any():
        raise LivesError(int(bad.argmax()), "the other fault present at an exact failure only")


@dataclass(frozen=True, slots=True)
class _Counted:
    exposed_failures: float
    unexposed_failures: float
    exposed: float
    unexposed: float

    @classmethod
    def of(cls, lives: Lives, exposure: Exposure) -> _Counted:
        """A failure between two looks stands under exposure when the fault was there between them."""
        under = exposure.present | (lives.between & (exposure.at_upper > exposure.at_lower))
        failures = float(lives.count[under].sum())
        end = np.where(lives.right, exposure.at_lower, 0.5 * (exposure.at_lower + exposure.at_upper))
        distance = float(lives.count @ (end - exposure.at_entry))
        return cls(failures, lives.failures - failures, distance, lives.at_risk - distance)


def _nothing_to_tell(lives: Lives, exposure: Exposure, counted: _Counted) -> str:
    """Why these lives can say nothing of any factor, whatever is supposed of the life; empty when they may."""
    if not len(lives):
        return "there are no lives on record"
    if counted.exposed <= 0:
        return "no distance was run with the other fault present"
    if lives.failures == 0:
        return "nothing has failed yet"
    end = np.where(lives.right, lives.lower, lives.upper)
    always = (exposure.at_entry == lives.entry) & (exposure.at_lower == lives.lower) & (exposure.at_upper == end)
    return "the other fault was present all the time, in every life" if always.all() else ""


@dataclass(frozen=True, slots=True)
class _Place:
    """One ln factor: the log-likelihood at its likeliest life, and integrated over all lives that are supposed.

    ``settled``: there is a likeliest life, and it is not a single distance. ``life``, ``supposed``: (mu, ln sigma)
    where the likelihood, and where prior times likelihood, is greatest.
    """

    profile: float
    life: Array
    settled: bool
    integrated: float
    supposed: Array


@dataclass(frozen=True, slots=True)
class _Points:
    """Distances as ln km with the ``share`` of each that was run under exposure, and their weights; (n,)."""

    ln_km: Array
    share: Array
    weight: Array

    @classmethod
    def of(cls, km: Array, exposed: Array, weight: Array, *, folded: bool) -> _Points:
        """``folded``: those alike within `ROUNDING` in ln km and in share stand together, at their means."""
        if not folded:
            return cls(np.log(km), exposed / km, weight)
        both = np.stack([np.log(km), exposed / km])
        step = np.floor(both / ROUNDING).astype(np.int64)
        _, place = np.unique(step[0] * 1_000 + step[1], return_inverse=True)
        mass = np.bincount(place, weights=weight).astype(np.float64)
        ln_km, share = (np.bincount(place, weights=weight * x) / mass for x in both)
        return cls(ln_km, share, mass)

    def at(self, factor: float) -> Array:
        """ln of the effective ages."""
        return np.asarray(self.ln_km + np.log1p((factor - 1) * self.share))


@dataclass
class _Likelihood:
    """The log-likelihood of ln factor with lives of one family; each place is worked out once.

    ``unexposed``: the terms that no factor moves. The others: exact ``failed``, ``good``, those seen ``late``, and
    failed ``between`` two looks with their exposure. ``jacobian``: exact failures under exposure. ``alone``: whether
    records alone are asked. ``first``: (mu, ln sigma) where the search begins.
    """

    dist: LogLife
    prior: Prior
    alone: bool
    unexposed: Terms
    failed: _Points
    good: _Points
    late: _Points
    between: Lives
    between_exposure: Exposure
    jacobian: float
    first: Array
    known: dict[float, _Place] = field(default_factory=dict)

    @classmethod
    def of(cls, lives: Lives, exposure: Exposure, dist: LogLife, prior: Prior, *, alone: bool) -> _Likelihood:
        many, some = len(lives) > MANY, exposure.at_upper > 0
        unexposed = Terms.of(lives.where(~some))
        moved, at = lives.where(some), exposure.where(some)

        def points(mask: NDArray[np.bool_], km: Array, exposed: Array) -> _Points:
            return _Points.of(km[mask], exposed[mask], moved.count[mask], folded=many)

        between, zero = moved.where(moved.between), np.zeros(int(moved.between.sum()))
        seen = at.where(moved.between)
        return cls(
            dist,
            prior,
            alone,
            unexposed.condensed(ROUNDING) if many else unexposed,
            points(moved.exact, moved.lower, at.at_lower),
            points(moved.right & (moved.lower > 0), moved.lower, at.at_lower),
            points(moved.entry > 0, moved.entry, at.at_entry),
            Lives(zero, between.lower, between.upper, between.count),
            Exposure(zero, seen.at_lower, seen.at_upper, seen.present),
            float(moved.count[at.present].sum()),
            np.array([log(lives.at_risk / lives.failures) if lives.at_risk > 0 else log(furthest(lives)), 0.0]),
        )

    def terms(self, ln_factor: float) -> Terms:
        factor, nothing = exp(ln_factor), np.zeros(0)
        failed = self.failed.at(factor)
        points = Terms(
            failed=failed,
            failed_weight=self.failed.weight,
            survived=np.concatenate([self.good.at(factor), self.late.at(factor)]),
            survived_weight=np.concatenate([self.good.weight, -self.late.weight]),
            before=nothing,
            before_weight=nothing,
            after=nothing,
            until=nothing,
            between_weight=nothing,
            constant=self.jacobian * ln_factor - float(self.failed.weight @ failed),
        )
        between = Terms.of(accelerated(self.between, self.between_exposure, factor))
        return _joined(self.unexposed, points, between)

    def at(self, ln_factor: float) -> _Place:
        if ln_factor not in self.known:
            self.known[ln_factor] = self._worked_out(ln_factor)
        return self.known[ln_factor]

    def value(self, ln_factor: float) -> float:
        """By records alone, or with what is supposed of the life where they determine none."""
        place = self.at(ln_factor)
        return place.profile if self.alone else place.integrated

    def _worked_out(self, ln_factor: float) -> _Place:
        terms = self.terms(ln_factor)

        def record(point: Array) -> Derivatives:
            return terms.derivatives(self.dist, float(point[0]), exp(point[1]))

        def together(point: Array) -> Derivatives:
            a, b = record(point), self.prior.derivatives(float(point[0]), float(point[1]))
            return Derivatives(a.value + b.value, a.gradient + b.gradient, a.hessian + b.hessian)

        free = self._free
        low, high = np.array([self.first[0] - REACH, SPREAD[0]]), np.array([self.first[0] + REACH, SPREAD[1]])
        near = min(self.known, key=lambda known: abs(known - ln_factor), default=None)
        life, supposed = (self.known[near].life, self.known[near].supposed) if near is not None else (self.first,) * 2
        held = self._searched(together, supposed, np.array([low[0], log(SHARP)]), np.array([high[0], WIDEST_HELD]))
        _, curvature = np.linalg.slogdet(-held.at.hessian[np.ix_(free, free)])
        integrated = held.at.value - 0.5 * float(curvature)
        if not self.alone:
            return _Place(-inf, held.point, False, integrated, held.point)
        best = self._searched(record, life, low, high)
        return _Place(best.at.value, best.point, best.point[1] > SPREAD[0], integrated, held.point)

    def _searched(self, objective: Objective, start: Array, low: Array, high: Array) -> Maximum:
        """The maximum in the box; one that it holds at the greatest sigma is looked for along that edge."""
        if start[1] >= high[1]:
            edge = maximise(objective, start, low, high, (0,))
            if edge.at.gradient[1] >= 0:
                return edge
        try:
            return maximise(objective, start, low, high, self._free)
        except FitError:
            return maximise(objective, np.array([start[0], high[1]]), low, high, (0,))

    @property
    def _free(self) -> tuple[int, ...]:
        return (0,) if self.dist.fixed_sigma else (0, 1)


def _joined(*parts: Terms) -> Terms:
    return Terms(
        failed=np.concatenate([part.failed for part in parts]),
        failed_weight=np.concatenate([part.failed_weight for part in parts]),
        survived=np.concatenate([part.survived for part in parts]),
        survived_weight=np.concatenate([part.survived_weight for part in parts]),
        before=np.concatenate([part.before for part in parts]),
        before_weight=np.concatenate([part.before_weight for part in parts]),
        after=np.concatenate([part.after for part in parts]),
        until=np.concatenate([part.until for part in parts]),
        between_weight=np.concatenate([part.between_weight for part in parts]),
        constant=sum(part.constant for part in parts),
    )


@dataclass(frozen=True, slots=True)
class _Study:
    """One family: the ``integrated`` log-likelihood at ``ln_factor``, both (n,), over the factors that matter.

    ``record``: None when records alone determine nothing, for the ``reason``.
    """

    dist: LogLife
    ln_factor: Array
    integrated: Array
    record: FamilyFactor | None
    reason: str


def _study(lives: Lives, exposure: Exposure, dist: LogLife, belief: Belief | None, level: float) -> _Study:
    prior = prior_of(belief, dist) if belief else reference_prior(lives, dist)
    reason = _undetermined(lives, dist)
    likelihood = _Likelihood.of(lives, exposure, dist, prior, alone=not reason)
    nodes = _window(likelihood)
    places = [likelihood.at(x) for x in nodes.tolist()]
    integrated = np.array([place.integrated for place in places])
    if not reason and not all(place.settled for place in places):
        reason = "for some factors these lives determine no life"
    if not reason and np.ptp([place.profile for place in likelihood.known.values()]) < FLAT:
        reason = "these lives are equally likely with every factor"
    record = None if reason else _by_records(likelihood, nodes, lives.total, level)
    return _Study(dist, nodes, integrated, record, reason)


def _undetermined(lives: Lives, dist: LogLife) -> str:
    """Why records alone determine no life, even without a factor; empty when they do."""
    if lives.failures < FEWEST:
        return f"fewer than {FEWEST} failures"
    try:
        fit(lives, dist)
    except FitError as error:
        return str(error.args[0])
    return ""


def _window(likelihood: _Likelihood) -> Array:
    """`NODES` values of ln factor, from where the likelihood has fallen by `DROP` on one side to there on the other."""
    scan = np.linspace(-LIMIT, LIMIT, SCAN)
    for x in sorted(scan.tolist(), key=abs):
        likelihood.at(x)
    top = int(np.argmax([likelihood.value(x) for x in scan.tolist()]))
    span = float(scan[max(top - 1, 0)]), float(scan[min(top + 1, SCAN - 1)])
    best = float(minimize_scalar(lambda x: -likelihood.value(x), bounds=span, method="bounded", options=BRENT).x)
    return np.linspace(_fallen(likelihood, best, -1), _fallen(likelihood, best, +1), NODES)


def _fallen(likelihood: _Likelihood, best: float, side: int) -> float:
    """Where, to one side, the likelihood has fallen by about `DROP` (by half to twice of it); at most at `LIMIT`."""
    top, inside, outside, step = likelihood.value(best), best, side * LIMIT, 0.02
    if top - likelihood.value(outside) <= 2 * DROP:
        return outside
    while True:
        x = best + side * step
        if not side * inside < side * x < side * outside:
            x = 0.5 * (inside + outside)
        fall = top - likelihood.value(x)
        if DROP / 2 <= fall <= 2 * DROP or abs(outside - inside) < 1e-9:
            return x
        inside, outside = (x, outside) if fall < DROP else (inside, x)
        step = abs(x - best) * min(10.0, max(0.1, sqrt(DROP / max(fall, 1e-9))))


def _by_records(likelihood: _Likelihood, nodes: Array, total: float, level: float) -> FamilyFactor:
    curve = CubicSpline(nodes, [likelihood.at(x).profile for x in nodes.tolist()])
    turning = curve.derivative().roots(extrapolate=False)
    best = max([*turning.tolist(), nodes[0], nodes[-1]], key=lambda x: float(curve(x)))
    at, target = likelihood.at(float(best)).profile, 0.5 * float(chi2.ppf(level, 1))

    def end(edge: float) -> float:
        if at - float(curve(edge)) < target:
            return edge
        return float(brentq(lambda x: at - float(curve(x)) - target, best, edge, xtol=1e-10))

    factor = Estimate(_open(best), _open(end(float(nodes[0]))), _open(end(float(nodes[-1]))), level)
    mu, ln_sigma = likelihood.at(best).life.tolist()
    return FamilyFactor(likelihood.dist, factor, mu, exp(ln_sigma), at, likelihood.at(0.0).profile, total)


def _open(ln_factor: float) -> float:
    """The factor; beyond what is looked at, it has no end."""
    return exp(ln_factor) if abs(ln_factor) < LIMIT else 0.0 if ln_factor < 0 else inf


def _posterior(study: _Study | None, judged: float, sd: float) -> tuple[Array, Array, float]:
    """ln factor and its posterior density on a grid, and the share of the records in it; the prior when they are mute.

    The integrated likelihood between its nodes is a cubic spline; beyond them it is nothing (`DROP`).
    """
    if study is None:
        grid = np.linspace(judged - 8 * sd, judged + 8 * sd, FINE)
        return grid, _normalised(grid, -0.5 * ((grid - judged) / sd) ** 2), 0.0
    likelihood = CubicSpline(study.ln_factor, study.integrated)
    grid = np.linspace(study.ln_factor[0], study.ln_factor[-1], FINE)
    value = likelihood(grid) - 0.5 * ((grid - judged) / sd) ** 2
    information = -float(likelihood(grid[int(np.argmax(value))], 2))
    share = min(1.0, max(0.0, 1 - 1 / (1 + sd**2 * information))) if information > 0 else 0.0
    return grid, _normalised(grid, value), share


def _normalised(grid: Array, log_density: Array) -> Array:
    density = np.exp(log_density - log_density.max())
    return np.asarray(density / np.trapezoid(density, grid))


def _quantiles(grid: Array, density: Array, level: float) -> Estimate:
    """Posterior median and central interval of the factor."""
    below = np.r_[0.0, np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(grid))]
    chances = [0.5, (1 - level) / 2, (1 + level) / 2]
    middle, low, high = np.exp(np.interp(chances, below / below[-1], grid)).tolist()
    return Estimate(middle, low, high, level)


def _lognormal(ln_median: float, sd: float, level: float) -> Estimate:
    wide = sd * float(ndtri((1 + level) / 2))
    return Estimate(exp(ln_median), exp(ln_median - wide), exp(ln_median + wide), level)


def _verdict(factor: Estimate, matters: float) -> Verdict:
    if factor.low > 1:
        return "shortens"
    return "no sign" if factor.high < matters else "open"


def _needed(record: FamilyFactor, counted: _Counted, matters: float) -> int:
    """About how many more failures under exposure would show a factor of ``matters`` with chance `POWER`.

    The variance of ln factor falls as the failures grow in number, those under exposure and the others alike; it is
    2 sigma^2 over their number where nothing better is known.
    """
    low, high, level = record.factor.low, record.factor.high, record.factor.level
    bound = float(ndtri((1 + level) / 2))
    wanted = log(matters) / (bound + float(ndtri(POWER)))
    if low > 0 and high < inf and counted.exposed_failures > 0:
        failures = counted.exposed_failures * (log(high / low) / (2 * bound * wanted)) ** 2
    else:
        failures = 2 * (record.sigma / wanted) ** 2
    return max(1, ceil(failures - counted.exposed_failures))


def _times(factor: Estimate) -> str:
    high = "no limit" if factor.high == inf else f"{factor.high:.2g}"
    return f"{factor.value:.2g} times ({factor.low:.2g} to {high})"
