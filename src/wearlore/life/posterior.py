"""Belief and records together: the posterior of (mu, ln sigma) on a 2-D quadrature grid, deterministic."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from math import exp, floor, log, log2, pi, sqrt

import numpy as np
from scipy.optimize import brentq
from scipy.special import sici

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.belief import Prior
from wearlore.life.fit import REACH, furthest
from wearlore.life.likelihood import Derivatives, LogLife, Numbers, Terms
from wearlore.life.newton import Maximum, maximise
from wearlore.lives import Array, Lives

DROP = 15.0  # the grid ends where ln density has fallen by this: 5.5 standard deviations of a normal
COARSE = 13  # nodes a side while the grid finds its place
FINE = (25, 49, 97, 193)  # nodes a side; the first that is fine enough
SHORT_WAVES = 1e-3  # greatest share of the density's spectrum at 3/4 of the nodes' frequency limit
ROWS, PER_ROW = 32, 8  # nodes handed downstream
LIGHTEST = 1e-7  # of the heaviest: lighter ones are dropped
LOG_SPREAD = (-10.0, 5.0)  # the mode's ln sigma is searched between
ROUNDING = 0.01  # a distance is known to this, in ln km: grouping to 100 km comes to it at 10 000 km
SHARP = 5 * ROUNDING  # from this sigma on, the density of an exact failure is its chance but for (1/5)^2 / 24


@dataclass(frozen=True)
class Posterior:
    """Weights on a grid of (place, ln_spread), where mu = centre + stretch * place - lean * sigma.

    place (n,), ln_spread and stretch (m,), weight (m, n) adding up to 1. Sheared so that the long ridge of heavily
    censored records (one quantile known, the shape not) lies along an axis; stretched in proportion to sigma once
    failures determine mu, since they do it the better the smaller sigma is.

    ``record_share`` is what the records contributed to the knowledge of B10: 1 - v/v0, within 0 and 1, where v is the
    variance of ln B10 from the information in prior and records together and v0 that from the prior's alone, both at
    the posterior mode (so that records which contradict a belief do not count as none).
    """

    dist: LogLife
    prior: Prior
    place: Array
    ln_spread: Array
    weight: Array
    centre: float
    stretch: Array
    lean: float
    record_share: float

    def sf(self, km: Numbers) -> Array:
        """Posterior mean of survival at ``km``: the predictive share that lives beyond."""
        mu, sigma, weight = self._grid
        heavy = weight > LIGHTEST * weight.max()
        distances = np.asarray(km, np.float64)
        averages = [self.dist.sf(t, mu[heavy], sigma[heavy]) @ weight[heavy] for t in distances.ravel().tolist()]
        total: Array = np.array(averages).reshape(distances.shape) / weight[heavy].sum()
        return total

    def quantile(self, share: float, level: float = 0.95) -> Estimate:
        """Distance (km) by which ``share`` has failed: posterior median and central interval."""
        z = float(self.dist.z(share))
        y = self._values(z)

        def at(chance: float) -> float:
            return exp(brentq(lambda t: self._cdf(t, z) - chance, y.min() - 1, y.max() + 1, xtol=1e-10))

        return Estimate(at(0.5), at((1 - level) / 2), at((1 + level) / 2), level)

    def survival(self, km: float, level: float = 0.95) -> Estimate:
        """Survival at ``km``: posterior median and central interval."""
        if km <= 0:
            return Estimate(1.0, 1.0, 1.0, level)
        mu, sigma, _ = self._grid
        z = (log(km) - mu) / sigma

        def at(chance: float) -> float:
            root = brentq(lambda s: self._cdf(log(km), s) - chance, z.min() - 1, z.max() + 1, xtol=1e-10)
            return float(np.exp(self.dist.log_sf(np.asarray(root))))

        return Estimate(at(0.5), at((1 - level) / 2), at((1 + level) / 2), level)

    def shape(self, level: float = 0.95) -> Estimate:
        """Shape 1 / sigma: posterior median and central interval."""
        if self.dist.fixed_sigma:
            return Estimate(1.0, 1.0, 1.0, level)
        row, step = self.weight.sum(axis=1), self.ln_spread[1] - self.ln_spread[0]

        def at(chance: float) -> float:
            span = self.ln_spread[0] - 1, self.ln_spread[-1] + 1
            return exp(-brentq(lambda t: _smooth_cdf(t, self.ln_spread, row, step) - (1 - chance), *span, xtol=1e-10))

        return Estimate(at(0.5), at((1 - level) / 2), at((1 + level) / 2), level)

    @property
    def judgement_share(self) -> float:
        """The rest: what belief (or, without one, the reference prior) contributed."""
        return 1 - self.record_share

    @cached_property
    def nodes(self) -> tuple[Array, Array, Array]:
        """(mu, sigma, weight), each (k,) with k <= 256: for averages over the posterior.

        Every few rows of the grid, and in each row the Gauss rule of 8 nodes.
        """
        stride = -(-self.ln_spread.size // ROWS)
        place, weight = _gauss_rules(self.place, self.weight[::stride])
        sigma = np.broadcast_to(np.exp(self.ln_spread[::stride])[:, None], weight.shape)
        kept = weight > LIGHTEST * weight.max()
        mu = self.centre + self.stretch[::stride, None] * place - self.lean * sigma
        return mu[kept], sigma[kept], weight[kept] / weight[kept].sum()

    def scaled(self, factor: float) -> Posterior:
        """The posterior of a life ``factor`` times as long."""
        return replace(self, centre=self.centre + log(factor), prior=self.prior.scaled(factor))

    @property
    def _grid(self) -> tuple[Array, Array, Array]:
        sigma = np.exp(self.ln_spread)[:, None]
        mu = self.centre + self.stretch[:, None] * self.place - self.lean * sigma
        return mu, np.broadcast_to(sigma, mu.shape), self.weight

    def _values(self, z: float) -> Array:
        """ln of the quantile's distance at every node."""
        mu, sigma, _ = self._grid
        return mu + z * sigma

    def _cdf(self, y: float, z: float) -> float:
        """P(mu + z sigma <= y)."""
        return _smooth_cdf(y, self._values(z), self.weight, self.stretch[:, None] * (self.place[1] - self.place[0]))


def posterior(lives: Lives, dist: LogLife, prior: Prior) -> Posterior:
    """Prior times likelihood, on a grid that finds its own place, extent and fineness.

    Newton finds the mode and its curvature; a coarse grid grows until the density has died away on every side; the fine
    grid is doubled until the density holds no waves that its step would miss.

    The density of exact failures grows without limit as sigma goes to 0 and all stand at one distance, or as one
    stands where its records begin. A chance cannot: where sigma comes near to it, a failure's distance is taken as
    known to `ROUNDING` only.
    """
    found = _mode(_rounded(lives, near_entry=True), dist, prior)
    sharp = found is None or found[1].at_edge or exp(found[1].point[1]) < SHARP
    if sharp:
        found = _mode(_rounded(lives, near_entry=False), dist, prior)
    if found is None:
        raise FitError("belief and records together do not determine a life", "Look at both: do they fit each other?")
    terms, mode = found
    lean, sd = _shear(mode.at.hessian, exp(mode.point[1]), dist.fixed_sigma)
    believed = prior.derivatives(float(mode.point[0]), float(mode.point[1])).hessian
    centre, ln_spread = float(mode.point[0] + lean * exp(mode.point[1])), float(mode.point[1])
    follows = 1.0 if lives.failures > 1 else 0.0
    condensed: dict[int, Terms] = {}

    def log_density(places: Array, spreads: Array) -> Array:
        rows = []
        for ln_sigma in spreads:  # row by row: the arrays stay in the processor's cache
            ln_stretch = follows * (ln_sigma - ln_spread)
            mu = centre + exp(ln_stretch) * places - lean * exp(ln_sigma)
            fineness = floor(log2(exp(ln_sigma) / 4))
            if fineness not in condensed:
                condensed[fineness] = terms.condensed(2.0**fineness)
            likelihood = condensed[fineness].log_likelihood(dist, mu, exp(ln_sigma))
            rows.append(likelihood + prior.log_density(mu, ln_sigma) + ln_stretch)
        return np.array(rows)

    reach = sqrt(2 * DROP) + 0.1
    box = np.array([0.0, ln_spread])[:, None] + reach * np.array(sd)[:, None] * [-1.0, 1.0]
    box = _grown(log_density, box, dist)
    for nodes in FINE:
        places, spreads = _sides(box, nodes, dist)
        density = log_density(places, spreads)
        weight = np.exp(density - density.max())
        weight /= weight.sum()
        if _fine_enough(weight.T) and (dist.fixed_sigma or _fine_enough(weight)):
            break
    share = _record_share(dist, exp(mode.point[1]), believed, mode.at.hessian)
    stretch = np.exp(follows * (spreads - ln_spread))
    return Posterior(dist, prior, places, spreads, weight, centre, stretch, lean, share)


def _mode(lives: Lives, dist: LogLife, prior: Prior) -> tuple[Terms, Maximum] | None:
    """Where prior times likelihood is greatest; None if the search does not settle."""
    terms = Terms.of(lives)

    def objective(point: Array) -> Derivatives:
        record = terms.derivatives(dist, float(point[0]), exp(point[1]))
        supposed = prior.derivatives(float(point[0]), float(point[1]))
        return Derivatives(
            record.value + supposed.value, record.gradient + supposed.gradient, record.hessian + supposed.hessian
        )

    start = _start(lives, prior, objective)
    low, high = np.array([start[0] - REACH, LOG_SPREAD[0]]), np.array([start[0] + REACH, LOG_SPREAD[1]])
    try:
        mode = maximise(objective, start, low, high, (0,) if dist.fixed_sigma else (0, 1))
    except FitError:
        return None
    return terms, mode


def _rounded(lives: Lives, *, near_entry: bool) -> Lives:
    """Failures known more sharply than `ROUNDING` as intervals of that width; ``near_entry``: only those seen from
    there on."""
    width = exp(ROUNDING)
    near = (lives.lower > 0) & (lives.upper < lives.lower * width)
    if near_entry:
        near &= (lives.entry > 0) & (lives.lower < lives.entry * sqrt(width))
    middle = np.sqrt(lives.lower) * np.sqrt(np.where(near, lives.upper, 1.0))
    return Lives(
        lives.entry,
        np.where(near, np.maximum(lives.entry, middle / sqrt(width)), lives.lower),
        np.where(near, middle * sqrt(width), lives.upper),
        lives.count,
    )


def _start(lives: Lives, prior: Prior, objective: Callable[[Array], Derivatives]) -> Array:
    """Where to start uphill: what was believed, or lives about as long as the records reach, whichever is likelier."""
    starts = [np.array([prior.location, prior.centre])]
    if len(lives):
        far = log(furthest(lives) or 1.0)
        spreads = (prior.centre,) if prior.dist.fixed_sigma else (prior.centre, 0.0)
        starts += [np.array([far + ahead, spread]) for ahead in (-1.0, 0.0, 2.0) for spread in spreads]
    return max(starts, key=lambda point: objective(point).value)


def _shear(hessian: Array, sigma: float, fixed_sigma: bool) -> tuple[float, tuple[float, float]]:
    """The lean that makes location and ln sigma uncorrelated at the mode, and their standard deviations."""
    if fixed_sigma:
        return 0.0, (1 / sqrt(abs(hessian[0, 0])), 0.0)
    information = -hessian
    values, vectors = np.linalg.eigh(information)
    if values[0] <= 0:  # stopped where double precision tells no more: the grid grows to its extent from here
        values = np.maximum(np.abs(values), 1e-6 * np.abs(values).max())
        information = vectors @ np.diag(values) @ vectors.T
    (_, c), (_, w) = np.linalg.inv(information)
    return -c / (sigma * w), (1 / sqrt(information[0, 0]), sqrt(w))


def _record_share(dist: LogLife, sigma: float, believed: Array, together: Array) -> float:
    """From the Hessians of the log prior and of the log posterior at the mode; see `Posterior`."""
    free = 1 if dist.fixed_sigma else 2
    slope = np.array([1.0, float(dist.z(0.1)) * sigma])[:free]  # of ln B10 = mu + z sigma in (mu, ln sigma)
    before, after = (-slope @ np.linalg.solve(h[:free, :free], slope) for h in (believed, together))
    return min(1.0, max(0.0, 1 - float(after / before)))


def _grown(log_density: Callable[[Array, Array], Array], box: Array, dist: LogLife) -> Array:
    """The box (2, 2) that holds all density worth counting and little else; rows are location and ln sigma."""
    for _ in range(40):
        places, spreads = _sides(box, COARSE, dist)
        density = log_density(places, spreads)
        floor = density.max() - DROP
        by_place, by_spread = density.max(axis=0), density.max(axis=1)
        alive = np.array([[by_place[0], by_place[-1]], [by_spread[0], by_spread[-1]]]) > floor
        if dist.fixed_sigma:
            alive[1] = False
        if not alive.any():
            break
        widths = (box[:, 1] - box[:, 0])[:, None]
        box = box + np.where(alive, [[-0.4, 0.4]], 0.0) * widths
    trimmed = box.copy()
    for axis, (nodes, best) in enumerate(((places, by_place), (spreads, by_spread))):
        inside = np.flatnonzero(best > floor)
        trimmed[axis] = nodes[max(inside[0] - 1, 0)], nodes[min(inside[-1] + 1, nodes.size - 1)]
    return trimmed


def _sides(box: Array, nodes: int, dist: LogLife) -> tuple[Array, Array]:
    """Equally spaced nodes on both sides of the box; one on the second when sigma is fixed."""
    (a, b), (c, d) = box.tolist()
    return np.linspace(a, b, nodes), np.linspace(c, d, 1 if dist.fixed_sigma else nodes)


def _fine_enough(weight: Array) -> bool:
    """Does the density along axis 0 carry nothing of short wavelength, near twice the step, that nodes would miss?"""
    wave = np.exp(0.75j * pi * np.arange(weight.shape[0]))
    return bool(np.abs(wave @ weight).sum() <= SHORT_WAVES)


def _smooth_cdf(y: float, at: Array, weight: Array, step: Numbers) -> float:
    """P(Y <= y) from equally spaced nodes, the density between them by sinc interpolation (Stenger 1993)."""
    return float((weight * (0.5 + sici(pi * (y - at) / step)[0] / pi)).sum())


def _gauss_rules(nodes: Array, weight: Array) -> tuple[Array, Array]:
    """For each row of weights (m, n) on nodes (n,): the Gauss rule of `PER_ROW` nodes (Golub & Welsch 1969).

    Returns nodes and weights, (m, k); a row's rule integrates polynomials of degree 2k - 1 as the row itself does.
    """
    middle, half = 0.5 * (nodes[0] + nodes[-1]), 0.5 * (nodes[-1] - nodes[0])
    x, mass = (nodes - middle) / half, weight.sum(axis=1)
    basis = [np.sqrt(weight / np.maximum(mass, np.finfo(float).tiny)[:, None])]
    count = min(PER_ROW, nodes.size)
    jacobi = np.zeros((mass.size, count, count))
    for k in range(count):
        rest = x * basis[k]
        jacobi[:, k, k] = (rest * basis[k]).sum(axis=1)
        for _ in range(2):  # orthogonal to all before: twice is enough
            for known in basis:
                rest = rest - (rest * known).sum(axis=1)[:, None] * known
        length = np.sqrt((rest * rest).sum(axis=1))
        length[length < 1e-10] = 0.0  # the row has no more nodes that carry weight
        basis.append(rest / np.where(length > 0, length, 1.0)[:, None] * (length > 0)[:, None])
        if k + 1 < count:
            jacobi[:, k, k + 1] = jacobi[:, k + 1, k] = length
    values, vectors = np.linalg.eigh(jacobi)
    return middle + half * values, mass[:, None] * vectors[:, 0, :] ** 2
