"""Lives of which a share is faulty as fitted and fails early, and of which a share never fails: fit, intervals, draws.

The model stands in `wearlore.life.fractions.mixture`, how its maxima are found and what counts as one in
`wearlore.life.fractions.search`; whether the records ask for either share, `wearlore.life.fractions.study` says.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, inf, log
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.fit import furthest
from wearlore.life.fractions.search import SHARES, WITHIN, Kind, Problem, Profile, Top, cells, logits, shares
from wearlore.life.likelihood import LogLife, Numbers, log_km
from wearlore.lives import Array, Lives

EARLY = 5_000.0  # km within which a piece faulty as fitted shows itself: a judgement (common practice, no source)
DRAWN = 0.999  # level of the intervals over which shares are drawn

Part = Literal["p0", "never", "scale", "shape", "sigma", "quantile"]
COORDINATE: dict[Part, int] = {"scale": 0, "quantile": 0, "shape": 1, "sigma": 1, "p0": 2, "never": 3}


@dataclass(frozen=True, slots=True)
class Draws:
    """Equally likely parameters, each (n,): mu (ln km) and sigma of F0, p0, share of the others that can fail."""

    mu: Array
    sigma: Array
    p0: Array
    can_fail: Array


@dataclass(frozen=True, slots=True)
class FractionFit:
    """F(t) = p0 G(t) + (1 - p0) can_fail F0(t) by maximum likelihood; G is uniform on (0, ``early``] km.

    ``mu`` (ln km) and ``sigma`` are of F0, the life of units that are not faulty and can fail. ``covariance``, (4, 4),
    is of (mu, ln sigma, logit p0, logit can_fail), from the observed information; 0 for what is fixed and for a share
    that came out on its boundary. ``furthest`` is the longest distance (km) any life was seen at.
    """

    dist: LogLife
    mu: float
    sigma: float
    p0: float
    can_fail: float
    early: float
    kind: Kind
    log_likelihood: float
    covariance: tuple[tuple[float, ...], ...]
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
    def never(self) -> float:
        """Share that never fails of the units that are not faulty as fitted."""
        return 1 - self.can_fail

    @property
    def parameters(self) -> int:
        return self.dist.parameters + len(SHARES[self.kind])

    @property
    def aicc(self) -> float:
        """As `Fit.aicc`; a share on its boundary counts as a parameter."""
        k, spare = self.parameters, self.total - self.parameters - 1
        return 2 * k - 2 * self.log_likelihood + 2 * k * (k + 1) / spare if spare > 0 else inf

    def sf(self, km: Numbers) -> Array:
        """Share of all units that lives beyond ``km``."""
        return np.asarray(1 - self.cdf(km))

    def cdf(self, km: Numbers) -> Array:
        """Share of all units that has failed by ``km``."""
        failed = np.exp(self.dist.log_cdf(np.asarray((log_km(km) - self.mu) / self.sigma)))
        shown = np.minimum(np.asarray(km, np.float64) / self.early, 1.0)
        return np.asarray(self.p0 * shown + (1 - self.p0) * self.can_fail * failed)

    def quantile(self, share: float) -> float:
        """Distance (km) by which ``share`` (0 to 1) of all units has failed; inf if so many never do."""
        if share <= 0:
            return 0.0
        if self.p0 > 0 and share <= self.cdf(self.early):
            return float(brentq(lambda km: float(self.cdf(km)) - share, 0.0, self.early, xtol=1e-9 * self.early))
        of_others = (share - self.p0) / ((1 - self.p0) * self.can_fail)
        return exp(self.mu + self.sigma * float(self.dist.z(of_others))) if of_others < 1 else inf

    def interval(self, what: Part, at: float = 0.0, level: float = 0.95) -> Estimate:
        """Profile-likelihood interval (Meeker & Escobar 1998, section 8.3).

        ``p0``; ``never``: share of the units not faulty as fitted that never fails; ``scale`` (km), ``shape`` and
        ``sigma`` of F0; ``quantile``: distance (km) by which ``at`` of the units that are not faulty and *can* fail has
        failed. What the kind fixes has no width. An end that the lives do not bound is 0 or 1 (shares), 0 or inf.
        """
        index = COORDINATE[what]
        if index >= 2 and index not in SHARES[self.kind]:
            return Estimate(0.0, 0.0, 0.0, level)
        if index == 1 and self.dist.fixed_sigma:
            return Estimate(1.0, 1.0, 1.0, level)
        z = float(self.dist.z(at)) if what == "quantile" else 0.0
        value, low, high = Profile(self._problem, self.kind, index, z, self._point).interval(level)
        if what == "p0":
            return Estimate(self.p0, float(expit(low)), float(expit(high)), level)
        if what == "never":
            return Estimate(self.never, float(expit(-high)), float(expit(-low)), level)
        if what == "shape":
            return Estimate(self.shape, exp(-high), exp(-low), level)
        return Estimate(exp(value), exp(low), exp(high), level)

    def draws(self, n: int, *, rng: np.random.Generator) -> Draws:
        """``n`` draws of the parameters, for what must carry their uncertainty.

        The free shares come from a grid of cells over their 99.9 % intervals: a flat prior on p0 and can_fail, times
        the likelihood integrated over (mu, ln sigma) by Laplace's method (`mixture_fit.cells`). So draws are sane on a
        boundary too: no early failure in n lives gives p0 about the Beta(1, n + 1) of a flat prior. Within its cell a
        share is uniform; given the cell, (mu, ln sigma) is normal about its likeliest value.
        """
        point, free = self._point, SHARES[self.kind]
        p0, never = self.interval("p0", level=DRAWN), self.interval("never", level=DRAWN)
        spans = (
            (p0.low, p0.high) if 2 in free else (0.0, 0.0),
            (1 - never.high, 1 - never.low) if 3 in free else (1.0, 1.0),
        )
        grid = cells(self._problem, point, spans)
        weight = np.array([cell.weight for cell in grid])
        weight = np.exp(weight - weight.max())
        which = rng.choice(len(grid), size=n, p=weight / weight.sum())
        inside, normal = rng.random((n, 2)), rng.standard_normal((n, 2))
        drawn = np.array([cell.low for cell in grid])[which] + inside * np.array([cell.width for cell in grid])[which]
        root = np.array([cell.root for cell in grid])[which]
        place = np.array([cell.mode for cell in grid])[which] + np.einsum("nij,nj->ni", root, normal)
        return Draws(place[:, 0], np.exp(place[:, 1]), drawn[:, 0], drawn[:, 1])

    @property
    def _problem(self) -> Problem:
        return Problem(self.lives, self.dist, self.early)

    @property
    def _point(self) -> Array:
        return np.array([self.mu, log(self.sigma), *logits(self.p0, self.can_fail)])


def fractions(lives: Lives, dist: LogLife, kind: Kind, *, early: float = EARLY) -> FractionFit:
    """The likeliest life of a ``kind``: "plain" (p0 = 0, can_fail = 1), "early" (can_fail = 1), "survivors" (p0 = 0)
    or "both".

    Beyond 5,000 rows, distances are grouped to 0.4 % of themselves. Raises FitError when nothing failed, or when the
    likelihood has no maximum; ValueError if ``early`` is not a distance above 0 km.
    """
    return Search(lives, dist, early).fitted(kind)


class Search:
    """The fits of all kinds to the same lives; each is made once and starts the wider ones."""

    def __init__(self, lives: Lives, dist: LogLife, early: float) -> None:
        if not 0 < early < inf:
            raise ValueError(f"early must be a distance above 0 km, not {early}")
        if lives.failures == 0:
            raise FitError("nothing has failed yet", "Use the bound, or state a belief")
        self._problem = Problem(lives, dist, early)
        self._found: dict[Kind, Top | None] = {}

    def fitted(self, kind: Kind) -> FractionFit:
        problem, top = self._problem, self._best(kind)
        if top is None:
            life = (
                problem.dist.name
                + {
                    "plain": " life",
                    "early": " life with early failures",
                    "survivors": " life with units that never fail",
                    "both": " life with early failures and units that never fail",
                }[kind]
            )
            raise FitError(
                f"these lives do not determine the {life}: its likelihood has no maximum",
                "More failures at different distances, more lives still good, or a belief would",
            )
        free = [i for i in problem.free(kind) if np.isfinite(top.point[i])]
        covariance = np.zeros((4, 4))
        covariance[np.ix_(free, free)] = np.linalg.inv(-top.at.hessian[np.ix_(free, free)])
        return FractionFit(
            problem.dist,
            float(top.point[0]),
            exp(top.point[1]),
            *shares(top.point),
            problem.early,
            kind,
            top.at.value,
            tuple(tuple(row) for row in covariance.tolist()),
            problem.lives.failures,
            problem.lives.total,
            furthest(problem.lives),
            problem.lives,
        )

    def _best(self, kind: Kind) -> Top | None:
        if kind not in self._found:
            narrower = [top for inner in WITHIN[kind] if (top := self._best(inner)) is not None]
            self._found[kind] = self._problem.best(kind, narrower)
        return self._found[kind]
