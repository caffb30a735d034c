"""Inspection on condition: the delay-time model (Christer & Waller 1984, J. Opl Res. Soc. 35), and failure-finding.

A piece is looked at every ``every`` km after its last cure, and renewed when a look shows what can be seen. Of a hidden
mode the life runs to where it is there; from then on each look shows it with the chance ``sensitivity``, until after
the lead it makes itself known by its consequence. Of an evident mode the life runs to the failure; it can be seen over
the lead before that. Life and lead are independent."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf

import numpy as np
from scipy.special import ndtr

from wearlore.life.likelihood import log_km
from wearlore.lives import Array
from wearlore.plan.ages import Events, renewed_at
from wearlore.plan.lives import RULE, WEIGHT, Life, lasting

RARE = 1e-9  # chance from which no look is followed further
MOST = 4_000  # looks that are followed
PANELS = 12  # of an age, for what comes before it
FINENESS = 12  # panels of the longest life


@dataclass(frozen=True, slots=True)
class Lead:
    """Lognormal: ``median`` km and ``sigma``, the standard deviation of its logarithm."""

    median: float
    sigma: float

    @property
    def mean(self) -> float:
        return self.median * exp(self.sigma**2 / 2)

    def sf(self, km: Array) -> Array:
        return np.asarray(ndtr((np.log(self.median) - log_km(km)) / self.sigma))


@dataclass(frozen=True, slots=True)
class Never:
    """A hidden failure that never makes itself known: only looking finds it."""

    mean: float = inf

    def sf(self, km: Array) -> Array:
        return np.ones_like(km)


@dataclass(frozen=True, slots=True)
class Even:
    """Exponential with a ``mean``, km."""

    mean: float

    def sf(self, km: Array) -> Array:
        return np.asarray(np.exp(-km / self.mean))


Delay = Lead | Never | Even


def looked_at(life: Life, lead: Delay, every: Array, sensitivity: float, *, hidden: bool) -> Events:
    """Looks every ``every`` (n,) km at a piece of which ``lead`` goes before the failure (``hidden``: comes after
    it)."""
    tell = _hidden if hidden else _evident
    each = [tell(life, lead, float(km), sensitivity) for km in every]
    length, renewed, failed, looks, unnoticed = (np.stack(column, axis=1) for column in zip(*each, strict=True))
    return Events(every, length, renewed / length, failed / length, looks / length, unnoticed / length)


def aged(life: Life, lead: Delay | None, every: Array, *, hidden: bool) -> Events:
    """`renewed_at`, but that a hidden failure is one only when it makes itself known: renewal may come before."""
    if lead is None or not hidden:
        return renewed_at(life, every)
    each = [_aged_hidden(life, lead, float(km)) for km in every]
    length, renewed, failed, unnoticed = (np.stack(column, axis=1) for column in zip(*each, strict=True))
    return Events(every, length, renewed / length, failed / length, np.zeros_like(length), unnoticed / length)


def _aged_hidden(life: Life, lead: Delay, every: float) -> tuple[Array, Array, Array, Array]:
    before = lasting(life, np.array([every]))[:, 0]
    if np.isinf(every):
        one = np.ones_like(before)
        return before + lead.mean, 0 * one, one, lead.mean * one
    mass, km = _masses(life, every / PANELS, PANELS)
    left = every - km
    known = (mass * (1 - lead.sf(left))).sum(axis=(1, 2))
    there = (mass * left * (lead.sf(left[:, :, None] * RULE) @ WEIGHT)).sum(axis=(1, 2))
    return before + there, 1 - known, known, there


Told = tuple[Array, Array, Array, Array, Array]  # of a cycle: length, renewed, failed, looks, km unnoticed


def _rule(life: Life, every: float) -> tuple[Array, Array]:
    """Gauss's rule (g,) on 0 to 1, in as many panels as ``every`` needs to see where lives end."""
    panels = int(np.clip(np.ceil(FINENESS * every / life.longest.min()), 1, FINENESS))
    points = (np.arange(panels)[:, None] + RULE) / panels
    return points.ravel(), np.tile(WEIGHT / panels, panels)


def _masses(life: Life, every: float, intervals: int) -> tuple[Array, Array]:
    """Where the life ends: chance (k, j, g) at ``km`` (j, g), points of `_rule` in each of j ``intervals``.

    The chances of an interval add up to what the survival says of it, so that none is lost where the density is steep.
    """
    points, weight = _rule(life, every)
    km: Array = every * (np.arange(intervals)[:, None] + points)
    k = life.weight.size
    flat = km.reshape(-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        density = np.nan_to_num((life.hazard(flat) * life.sf(flat)).reshape(k, intervals, -1), posinf=0.0) * weight
    good = life.sf(every * np.arange(intervals + 1, dtype=np.float64))
    ends = good[:, :-1] - good[:, 1:]
    total = density.sum(axis=2, keepdims=True)
    spread = np.divide(density, total, out=np.broadcast_to(weight, density.shape).copy(), where=total > 0)
    return ends[:, :, None] * spread, km


def _ended(life: Life, every: float) -> tuple[Array, Array]:
    """`_masses` over the whole life; what outlives it all ends last."""
    mass, km = _masses(life, every, int(min(np.ceil(life.longest.max() / every), MOST)))
    mass[:, -1] += (1 - mass.sum(axis=(1, 2)))[:, None] / mass.shape[2]
    return mass, km


def _hidden(life: Life, lead: Delay, every: float, sensitivity: float) -> Told:
    """From where it is there, ``to_first`` km remain to the first look at it; i looks missed it before the next."""
    mass, km = _ended(life, every)
    to_first = every - km[0]
    found = looks = after = np.zeros_like(to_first)
    start, width, still = np.zeros_like(to_first), to_first, 1.0
    for i in range(MOST):
        after = after + still * width * (lead.sf(start[:, None] + width[:, None] * RULE) @ WEIGHT)
        start, width = start + width, np.full_like(to_first, every)
        alive = lead.sf(start)
        looks = looks + still * alive
        found = found + sensitivity * still * alive
        still *= 1 - sensitivity
        if still * alive.max() < RARE or i == MOST - 1:
            break
    before = np.arange(len(km))  # looks at a piece where it is not yet there
    looked = (mass * (before[:, None] + looks)).sum(axis=(1, 2))
    seen = (mass * found).sum(axis=(1, 2))
    unnoticed = (mass * after).sum(axis=(1, 2))
    return (mass * km).sum(axis=(1, 2)) + unnoticed, seen, 1 - seen, looked, unnoticed


def _evident(life: Life, lead: Delay, every: float, sensitivity: float) -> Told:
    """Of the looks before the failure the last n can show it: as many as lie within the lead."""
    mass, km = _ended(life, every)
    found, back = _by_looks_before(lead, every, sensitivity, km)
    number = np.arange(len(km))[:, None]  # looks before a failure in each interval
    looks = number * (1 - found) + number * found - back
    length = km * (1 - found) + every * (number * found - back)
    seen = (mass * found).sum(axis=(1, 2))
    return (mass * length).sum(axis=(1, 2)), seen, 1 - seen, (mass * looks).sum(axis=(1, 2)), np.zeros_like(seen)


def _by_looks_before(lead: Delay, every: float, sensitivity: float, distance: Array) -> tuple[Array, Array]:
    """(j, g), with j looks before the failure: the chance that one shows it, and the looks that this leaves away.

    ``distance`` (j, g): of the look i + 1 back from the failure, km, in row i.
    """
    most, none = len(distance), np.zeros((1, distance.shape[1]))
    visible = lead.sf(distance)
    reach = min(most, int(np.count_nonzero(visible.max(axis=1) > RARE)) + 1)
    found, back = np.zeros(distance.shape), np.zeros(distance.shape)
    for looks in range(1, reach):
        exactly = visible[:looks] - np.concatenate([visible[1:looks], none])
        shown = none[0]
        for i in range(looks - 1, -1, -1):  # the first of n visible looks that shows it is the i-th back
            shown = exactly[i] + (1 - sensitivity) * shown
            found[looks] += sensitivity * shown
            back[looks] += sensitivity * shown * i
    found[reach:], back[reach:] = found[reach - 1], back[reach - 1]
    return found, back
