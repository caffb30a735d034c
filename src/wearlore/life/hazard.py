"""Hazard against distance: how many of those still good fail in the next km, by the life model and by the records."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.stats import chi2

from wearlore.estimate import Estimate
from wearlore.life.cells import Cells
from wearlore.life.fit import furthest
from wearlore.life.likelihood import log_km
from wearlore.life.model import LifeModel
from wearlore.life.posterior import Posterior
from wearlore.life.turnbull import expected_failures
from wearlore.lives import Array, Lives
from wearlore.units import round_step

NODES = 192  # steps of the posterior's grid on each side
POINTS = 60  # distances at which the model's hazard is told
CLASSES = 6  # of distance, about


@dataclass(frozen=True, slots=True)
class HazardCurve:
    """Hazard (failures per km of those still good) at each distance ``km``, (k,): posterior median and band."""

    km: Array
    rate: Array
    low: Array
    high: Array
    level: float


@dataclass(frozen=True, slots=True)
class DistanceClass:
    """What the records say of one class of distance (begin, end], km.

    ``failures`` and ``at_risk`` (km run in sight) are counted; a failure between two looks counts in parts, as the
    likeliest curve shares it out, evenly inside each of its cells. ``rate``: failures per km.
    """

    begin: float
    end: float
    failures: float
    at_risk: float
    rate: Estimate


@dataclass(frozen=True, slots=True)
class Hazard:
    """The hazard of one mode: the life model's, and beside it the records' own in a few classes of distance."""

    model: HazardCurve
    classes: tuple[DistanceClass, ...]


def hazard(model: LifeModel, lives: Lives, level: float = 0.95, *, edges: Array | None = None) -> Hazard:
    """The hazard by ``model`` and by ``lives``, up to the last edge.

    ``edges`` (n + 1,), rising, km: classes of distance; about `CLASSES` of a round width up to the furthest life when
    None (without lives: the model alone, up to where half have failed). The band is of quantiles of the posterior at
    each distance, pointwise.
    """
    if edges is None:
        edges = _round_edges(furthest(lives)) if len(lives) else np.array([0.0, model.quantile(0.5).value])
    km = np.linspace(0, float(edges[-1]), POINTS + 1)[1:]
    return Hazard(hazard_curve(model, km, level), record_rates(lives, edges, level) if len(lives) else ())


def hazard_curve(model: LifeModel, km: Array, level: float = 0.95) -> HazardCurve:
    """The posterior's hazard at every distance ``km`` > 0, (k,): exp(log_hazard(z)) / (sigma km)."""
    mu, sigma, weight = _fine_grid(model.posterior)
    chances = np.array([0.5, (1 - level) / 2, (1 + level) / 2])
    found = []
    for one in log_km(km).tolist():
        ln_rate = model.dist.log_hazard((one - mu) / sigma) - np.log(sigma) - one
        order = np.argsort(ln_rate)
        share = np.cumsum(weight[order]) - 0.5 * weight[order]
        found.append(np.exp(np.interp(chances, share / weight.sum(), ln_rate[order])))
    rate, low, high = np.array(found).T
    return HazardCurve(np.asarray(km), rate, low, high, level)


def _fine_grid(grid: Posterior) -> tuple[Array, Array, Array]:
    """(mu, sigma, weight), each (k,): the posterior's density between its nodes, by cubic splines."""
    place, ln_spread, weight = grid.place, grid.ln_spread, grid.weight
    place, weight = _refined(place, weight.T)
    ln_spread, weight = _refined(ln_spread, weight.T)
    sigma = np.exp(ln_spread)[:, None]
    stretch = np.exp(np.interp(ln_spread, grid.ln_spread, np.log(grid.stretch)))[:, None]
    mu = grid.centre + stretch * place - grid.lean * sigma
    heavy = weight > 1e-9 * weight.max()
    return mu[heavy], np.broadcast_to(sigma, mu.shape)[heavy], weight[heavy]


def _refined(nodes: Array, weight: Array) -> tuple[Array, Array]:
    """About `NODES` nodes in place of n, and ``weight`` (n, m) between them; a single node stays alone."""
    if nodes.size == 1:
        return nodes, weight
    fine = np.linspace(nodes[0], nodes[-1], max(1, NODES // (nodes.size - 1)) * (nodes.size - 1) + 1)
    return fine, np.maximum(CubicSpline(nodes, weight)(fine), 0.0)


def record_rates(lives: Lives, edges: Array, level: float = 0.95) -> tuple[DistanceClass, ...]:
    """Failures per km at risk in each class between two ``edges`` (km, rising) in which any life was seen.

    Limits are the exact ones of a Poisson count (Garwood 1936, Biometrika 28), distance at risk taken as given. They
    do not know how surely failures between two looks are shared out: where looks lie farther apart than edges, the
    rates are surer in appearance than in truth.
    """
    cells = Cells.of(lives)
    failed = expected_failures(cells)
    by = _failed_by(cells.begins, cells.ends, failed, edges)
    run = (
        _run_by(lives.entry, lives.count, edges)
        - _run_by(lives.lower[lives.right], lives.count[lives.right], edges)
        - _failed_run_by(cells.begins, cells.ends, failed, edges)
    )
    return tuple(
        DistanceClass(begin, end, failures, at_risk, _poisson_rate(failures, at_risk, level))
        for begin, end, failures, at_risk in zip(
            edges[:-1].tolist(), edges[1:].tolist(), np.diff(by).tolist(), np.diff(run).tolist(), strict=True
        )
        if at_risk > 0
    )


def _failed_by(begins: Array, ends: Array, failed: Array, edges: Array) -> Array:
    """Failures by every edge, evenly spread inside each cell; shape of ``edges``."""
    width = ends - begins
    share = np.clip((edges[:, None] - begins) / np.where(width > 0, width, 1.0), 0.0, 1.0)
    return np.asarray(np.where(width > 0, share, ends <= edges[:, None]) @ failed)


def _run_by(start: Array, count: Array, edges: Array) -> Array:
    """Distance run from ``start`` to every edge, counted; shape of ``edges``."""
    order = np.argsort(start)
    number = np.searchsorted(start[order], edges)
    counted = np.concatenate([[0.0], np.cumsum(count[order])])
    begun = np.concatenate([[0.0], np.cumsum((count * start)[order])])
    return np.asarray(edges * counted[number] - begun[number])


def _failed_run_by(begins: Array, ends: Array, failed: Array, edges: Array) -> Array:
    """Distance that failures would have run from where they failed to every edge; shape of ``edges``."""
    width = ends - begins
    inside = np.clip(edges[:, None] - begins, 0.0, width) ** 2 / (2 * np.where(width > 0, width, 1.0))
    return np.asarray((inside + np.maximum(edges[:, None] - ends, 0.0)) @ failed)


def _poisson_rate(failures: float, at_risk: float, level: float) -> Estimate:
    low = float(chi2.ppf((1 - level) / 2, 2 * failures)) / 2 if failures > 0 else 0.0
    high = float(chi2.ppf((1 + level) / 2, 2 * failures + 2)) / 2
    return Estimate(failures / at_risk, low / at_risk, high / at_risk, level)


def _round_edges(far: float) -> Array:
    """Edges from 0 to ``far`` or a little beyond, at a step of 1, 2, 2.5 or 5 times a power of ten."""
    step = round_step(far / CLASSES)
    return step * np.arange(np.ceil(far / step - 1e-9) + 1)
