"""One unit by itself, renewed when it fails or before: its least cost over a distance, by dynamic programming.

Distance runs in cells, on the safe side for a lower bound: everything is paid at the end of its cell; what is renewed
in a cell fails in each full cell after it as rarely as at either of the ages between which it may be; of several modes
that fail it in one cell the cheapest counts. That costs no more, for whoever owns the piece that fails sooner may do as
if it failed later, and whoever owns the other may renew it then for no more than a failure costs. n units, D draws of
the parameters, m modes, T cells, Z zones of distance with prices of their own.
"""

from __future__ import annotations

from math import exp, expm1, log
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import ndtri

from wearlore.lives import Array
from wearlore.renewal import cumulative_hazard
from wearlore.renewal.upkeep import Renewable, Upkeep

LEADS = ndtri((np.arange(24) + 0.5) / 24)  # of a lead, in standard deviations: equally likely


class Cells(NamedTuple):
    """Chance to fail in each cell, given good at its start, and what that costs beyond the cure: (n, D, T + 1).

    ``old``: of the piece in place, by cells from now; cell 0: it has failed already, unseen. ``new``: of later ones,
    1 being the first full cell after that of the renewal. ``factor`` discounts one cell.
    """

    old: Array
    old_beyond: Array
    new: Array
    new_beyond: Array
    factor: float


class Alone(NamedTuple):
    """Least costs (n, D): of the piece in place ``left`` from now on, and of one ``renewed`` now.

    ``failures``, ``before`` (2, n, Z): expected number of failures and of renewals before them, discounted, in each
    zone, on the mean of the draws; of the piece in place, and of one renewed now.
    """

    left: Array
    renewed: Array
    failures: Array
    before: Array


def cells_of(upkeep: Upkeep, count: int, draws: int) -> Cells:
    """The chances of every unit in ``count`` cells of the span, by the first ``draws`` of the parameters."""
    step = upkeep.span.km / count
    shape = (len(upkeep.renewables), draws, count + 1)
    cells = Cells(np.zeros(shape), np.zeros(shape), np.zeros(shape), np.zeros(shape), exp(-upkeep.span.discount * step))
    for i, item in enumerate(upkeep.renewables):
        fitted, fresh = _modes(item, fresh=False), _modes(item, fresh=True)
        _old_cells(fitted, item.age, item.seen, step, cells.old[i], cells.old_beyond[i])
        _new_cells(fresh, item.start, step, cells.new[i], cells.new_beyond[i])
    return cells


def _modes(item: Renewable, *, fresh: bool) -> tuple[Array, ...]:
    """mu, sigma (D, m), lognormal, rate, speed (m,), leads (m, 24) km, hazard of being there now, consequence (m,)."""
    process = item.fresh if fresh else item.fitted
    lead = np.where(item.hidden, item.lead[:, 0], 0.0)[:, None] * np.exp(item.lead[:, 1:] * LEADS)
    there = np.zeros_like(item.present) if fresh else np.where(item.present < 1, item.present, 0.0)
    return (
        np.ascontiguousarray(process.mu),
        np.ascontiguousarray(process.sigma),
        np.asarray(process.lognormal, np.bool_),
        np.asarray(process.rate, np.float64),
        np.asarray(process.speed, np.float64),
        lead,
        -np.log1p(-there),
        np.asarray(item.consequence, np.float64),
    )


@njit(cache=True)
def _hazard(km, mu, sigma, lognormal, rate, speed, leads, age, seen):  # type: ignore[no-untyped-def]
    """Cumulative hazard of making itself known within ``km``, of a mode last known to be absent at ``seen``."""
    last = cumulative_hazard(min(seen, age), mu, sigma, lognormal)
    if leads[0] == 0:
        return rate * (cumulative_hazard(age + speed * km, mu, sigma, lognormal) - last)
    good = 0.0
    for lead in leads:
        met = 0.0
        if km >= lead:
            met = rate * (cumulative_hazard(age + speed * (km - lead), mu, sigma, lognormal) - last)
        good += exp(-met)
    return -log(max(good / leads.size, 1e-300))


@njit(cache=True)
def _charge(grown, consequence):  # type: ignore[no-untyped-def]
    """Chance to fail in a cell in which each mode's hazard has ``grown``, and the mean consequence if so."""
    total = grown.sum()
    chance, single, charge = -expm1(-total), 0.0, 0.0
    if chance <= 0:
        return 0.0, 0.0
    for m in range(grown.size):
        only = -expm1(-grown[m]) * exp(grown[m] - total)
        single += only
        charge += only * consequence[m]
    return chance, (charge + max(chance - single, 0.0) * consequence.min()) / chance


@njit(cache=True)
def _old_cells(modes, age, seen, step, chance, beyond):  # type: ignore[no-untyped-def]
    mu, sigma, lognormal, rate, speed, leads, there, consequence = modes
    for d in range(chance.shape[0]):
        before, grown = np.zeros(rate.size), np.zeros(rate.size)
        for k in range(chance.shape[1]):
            for m in range(rate.size):
                now = _hazard(
                    step * k, mu[d, m], sigma[d, m], lognormal[m], rate[m], speed[m], leads[m], age[d, m], seen[d, m]
                )
                grown[m] = now - before[m] + (there[m] if k == 0 else 0.0)
                before[m] = now
            chance[d, k], beyond[d, k] = _charge(grown, consequence)


@njit(cache=True)
def _new_cells(modes, start, step, chance, beyond):  # type: ignore[no-untyped-def]
    mu, sigma, lognormal, rate, speed, leads, _, consequence = modes
    for d in range(chance.shape[0]):
        before, now, grown = np.zeros(rate.size), np.zeros(rate.size), np.zeros(rate.size)
        for k in range(chance.shape[1]):  # from k - 1 cells after the renewal to k, or from k to k + 1
            for m in range(rate.size):
                after = _hazard(
                    step * (k + 1), mu[d, m], sigma[d, m], lognormal[m], rate[m], speed[m], leads[m], start[m], start[m]
                )
                grown[m] = min(now[m] - before[m], after - now[m])
                before[m], now[m] = now[m], after
            if k > 0:
                chance[d, k], beyond[d, k] = _charge(grown, consequence)


def least_alone(cells: Cells, charge: Array, along: Array, zone: NDArray[np.int64], *, count: bool) -> Alone:
    """Each unit at its least: ``charge`` (n, Z) for a failure, ``along`` (n, Z), not above it, for a renewal before.

    ``zone`` (T,) of each cell; the numbers of failures and renewals only if they are to ``count``.
    """
    draws = cells.old.shape[1]
    cost, events = _all(*cells, np.ascontiguousarray(charge), np.ascontiguousarray(along), zone, count)
    failures, before = events.sum(axis=1).transpose(2, 1, 0, 3) / draws
    return Alone(cost[:, :, 0], cost[:, :, 1], failures, before)


@njit(cache=True)
def _all(old, old_beyond, new, new_beyond, factor, charge, along, zone, count):  # type: ignore[no-untyped-def]
    n, draws, zones = old.shape[0], old.shape[1], charge.shape[1]
    cost, events = np.zeros((n, draws, 2)), np.zeros((n, draws, 2, 2, zones))
    for x in range(n * draws):
        i, d = x // draws, x % draws
        _one(
            old[i, d], old_beyond[i, d], new[i, d], new_beyond[i, d], factor, charge[i], along[i], zone, count,
            cost[i, d], events[i, d],
        )  # fmt: skip
    return cost, events


@njit(cache=True)
def _one(old, old_beyond, new, new_beyond, factor, charge, along, zone, count, cost, events):  # type: ignore[no-untyped-def]
    """Backward over the cells; ``worth``: of a piece renewed so many cells ago, ``left``: of the one in place."""
    last = zone.size
    early = np.zeros((last + 1, last + 1), np.bool_)  # renewed before it fails: in cell k, so long since renewal
    early_old = np.zeros(last + 1, np.bool_)
    worth, left = np.zeros(last + 2), 0.0
    for k in range(last, 0, -1):
        z, fresh = zone[k - 1], worth[0]
        renewed = factor * (along[z] + fresh)
        kept = factor * (old[k] * (charge[z] + old_beyond[k] + fresh) + (1 - old[k]) * left)
        early_old[k] = renewed < kept
        left = min(renewed, kept)
        for s in range(k):
            p = new[s + 1]
            kept = factor * (p * (charge[z] + new_beyond[s + 1] + fresh) + (1 - p) * worth[s + 1])
            early[k, s] = renewed < kept
            worth[s] = min(renewed, kept)
    cost[0] = old[0] * (along[0] + old_beyond[0] + worth[0]) + (1 - old[0]) * left
    cost[1] = worth[0]
    if count:
        events[0, 1, 0] += old[0]
        _follow(old, new, factor, zone, early_old, early, 1 - old[0], old[0], events[0])
        _follow(old, new, factor, zone, early_old, early, 0.0, 1.0, events[1])


@njit(cache=True)
def _follow(old, new, factor, zone, early_old, early, in_place, renewed, events):  # type: ignore[no-untyped-def]
    """Forward: shares of pieces ``in_place`` and ``renewed`` now; ``events`` (2, Z): failures, renewals before them."""
    last, paid = zone.size, 1.0
    share = np.zeros(last + 2)
    share[0] = renewed
    for k in range(1, last + 1):
        paid *= factor
        failed, before = 0.0, 0.0
        if early_old[k]:
            before += in_place
            in_place = 0.0
        else:
            failed += in_place * old[k]
            in_place *= 1 - old[k]
        for s in range(k - 1, -1, -1):
            if early[k, s]:
                before += share[s]
                share[s + 1] = 0.0
            else:
                failed += share[s] * new[s + 1]
                share[s + 1] = share[s] * (1 - new[s + 1])
        share[0] = failed + before
        events[0, zone[k - 1]] += paid * failed
        events[1, zone[k - 1]] += paid * before
