"""A vehicle as a set of things that fail and are renewed, visit after visit: what a simulation of policies needs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import log1p

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri_exp

from wearlore.lives import Array
from wearlore.renewal.equation import Process, Span, cumulative_hazard, there_now, worth_left

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Renewable:
    """Modes that one cure renews together, with that cure.

    ``fitted`` and ``fresh``: the piece in place and the one that a cure fits (d draws, m modes); ``worth`` (d,
    steps + 1): `worth_new` of the fresh one. ``age``, ``seen`` (d, m) km; ``start`` (m,): age at which a cure starts
    the modes. ``consequence`` (m,): money beyond the cure; ``money``: parts; ``needs``: names of steps. ``present``
    (m,): chance that each mode is there now (see `ModeRisk`).
    """

    unit: str
    modes: tuple[str, ...]
    remedy: str
    fitted: Process
    fresh: Process
    consequence: Array
    age: Array
    seen: Array
    start: Array
    worth: Array
    money: float
    needs: frozenset[str]
    present: Array

    @property
    def failed(self) -> bool:
        """Found so now: certain."""
        return bool((self.present == 1).any())


@dataclass(frozen=True, slots=True)
class Upkeep:
    """All of a vehicle.

    ``price``: money of each step, labour included; ``setup``: the part of it that opens the way for several units.
    ``brings`` (n, n), closed: j is always done with i. ``span``: how far ahead.
    """

    renewables: tuple[Renewable, ...]
    price: Mapping[str, float]
    setup: Mapping[str, float]
    brings: Mask
    span: Span


@dataclass(frozen=True, slots=True)
class Moment:
    """A visit as a policy sees it: what has ``failed``, and the distance ``ahead`` until the span ends, km.

    ``since``: km since each was renewed, or since the start for the ``first`` pieces, in place from then; all (n,).
    """

    failed: Mask
    since: Array
    first: Mask
    ahead: float


Policy = Callable[[Moment], Mask]  # what to renew; holds what has failed


@dataclass(frozen=True, slots=True)
class Savings:
    """What renewing each of n saves later: tables (n, k, r) over ``since`` (k,) and ``ahead`` (r,), km.

    ``fitted``: of the pieces now in place, by the distance from now, those found good that may have failed; ``fresh``:
    of later ones, since they were fitted. ``unseen`` (n,): of the pieces now in place over the whole span, while nobody
    knows yet which of them have failed.
    """

    since: Array
    ahead: Array
    fitted: Array
    fresh: Array
    unseen: Array

    def at(self, since: Array, ahead: float, first: Mask) -> Array:
        """Savings (n,) of pieces renewed ``since`` km ago (``first``: in place from the start, so many km from now)."""
        number = np.arange(since.size)
        k, kw = _place(self.since, since)
        r, rw = _place(self.ahead, np.full(since.size, ahead))
        table = np.where(first[:, None, None], self.fitted, self.fresh)
        near = table[number, k, r] * (1 - kw) + table[number, k + 1, r] * kw
        far = table[number, k, r + 1] * (1 - kw) + table[number, k + 1, r + 1] * kw
        return near * (1 - rw) + far * rw


def _place(grid: Array, x: Array) -> tuple[NDArray[np.int64], Array]:
    k = np.clip(np.searchsorted(grid, x, side="right") - 1, 0, grid.size - 2)
    return k, np.clip((x - grid[k]) / (grid[k + 1] - grid[k]), 0.0, 1.0)


def savings(upkeep: Upkeep, points: int = 17, draws: int = 16) -> Savings:
    """The tables for a policy: the renewal equation at ``points`` distances since renewal, each fifth of the span."""
    span = upkeep.span
    since = np.linspace(0.0, span.km, points)
    steps = [0, *(span.steps * np.arange(1, 6) // 5)]
    shape = (len(upkeep.renewables), points, len(steps))
    fitted, fresh, unseen = np.zeros(shape), np.zeros(shape), np.zeros(shape[0])
    for n, item in enumerate(upkeep.renewables):
        old, new = _first_draws(item.fitted, draws), _first_draws(item.fresh, draws)
        age, seen = item.age[:draws].mean(axis=0), item.seen[:draws].mean(axis=0)
        for r, many in enumerate(steps[1:], start=1):
            part = span.shortened(int(many))
            worth = item.worth[:draws, : many + 1]
            gone = since[:, None]
            last = np.where(seen < age, seen, age + gone)
            left = worth_left(old, age + gone, np.broadcast_to(last, (points, age.size)), worth, part)
            later = worth_left(new, item.start + gone, item.start + gone, worth, part)
            fitted[n, :, r] = (left.cost - worth[:, -1:]).mean(axis=0)
            fresh[n, :, r] = (later.cost - worth[:, -1:]).mean(axis=0)
        charge, absent = there_now(item.fitted.cost, np.where(item.present < 1, item.present, 0.0))
        unseen[n] = charge + absent * fitted[n, 0, -1]
    return Savings(since, span.step * np.array(steps), fitted, fresh, unseen)


def _first_draws(process: Process, draws: int) -> Process:
    return Process(
        process.mu[:draws], process.sigma[:draws], process.lognormal, process.cost, process.rate, process.speed
    )


@dataclass(frozen=True, slots=True)
class Pieces:
    """Lives of piece after piece of each of n, in each of R runs: ``life`` (R, n, pieces) km to failure, and the
    ``mode`` it fails by."""

    life: Array
    mode: NDArray[np.int64]


Luck = Mapping[tuple[str, str], Array]  # (unit, mode) -> cumulative hazard that each piece lives through, (R, pieces)


def draw_luck(upkeep: Upkeep, runs: int, pieces: int = 64, *, rng: np.random.Generator) -> Luck:
    """Drawn once for all policies and terms: the k-th piece of a unit has its luck whatever was done before."""
    return {
        (item.unit, mode): rng.standard_exponential((runs, pieces)) for item in upkeep.renewables for mode in item.modes
    }


def lives(upkeep: Upkeep, luck: Luck) -> Pieces:
    """The lives that ``luck`` brings; run after run takes the next draw of the parameters.

    A first piece of which it is not certain whether a mode is there has failed at 0 km with the chance of that, by the
    dearest mode that is there.
    """
    runs, pieces = next(iter(luck.values())).shape
    n = len(upkeep.renewables)
    life, mode = np.empty((runs, n, pieces)), np.zeros((runs, n, pieces), np.int64)
    for i, item in enumerate(upkeep.renewables):
        run = np.arange(runs) % item.age.shape[0]
        each = np.empty((runs, pieces, len(item.modes)))
        there = np.zeros((runs, len(item.modes)), bool)
        for m, name in enumerate(item.modes):
            hazard = luck[item.unit, name]
            first = run[:, None], m
            spent = -log1p(-item.present[m]) if item.present[m] < 1 else 0.0  # hazard that stands for being there now
            there[:, m] = hazard[:, 0] < spent
            left = np.maximum(hazard[:, :1] - spent, 0.0)  # of those not there again standard exponential
            each[:, :1, m] = _life(item.fitted, *first, item.age[first], item.seen[first], left)
            start = np.full((runs, 1), item.start[m])
            each[:, 1:, m] = _life(item.fresh, *first, start, start, hazard[:, 1:])
        life[:, i], mode[:, i] = each.min(axis=2), each.argmin(axis=2)
        dearest = np.where(there, item.fitted.cost, -np.inf).argmax(axis=1)
        life[:, i, 0] = np.where(there.any(axis=1), 0.0, life[:, i, 0])
        mode[:, i, 0] = np.where(there.any(axis=1), dearest, mode[:, i, 0])
    return Pieces(life, mode)


def _life(process: Process, run: NDArray[np.int64], m: int, age: Array, seen: Array, hazard: Array) -> Array:
    """Distance (R, k) to failure from ``age``, given absent at ``seen`` (R, 1), by the inverse of the hazard; km."""
    if process.rate[m] == 0:
        return np.full(hazard.shape, np.inf)
    mu, sigma, lognormal = process.mu[run, m], process.sigma[run, m], bool(process.lognormal[m])
    past = [cumulative_hazard(*row, lognormal) for row in zip(seen[:, 0], mu[:, 0], sigma[:, 0], strict=True)]
    at = np.array(past)[:, None] + hazard / process.rate[m]
    z = -ndtri_exp(-at) if lognormal else np.log(np.maximum(at, 1e-300))
    lasted: Array = np.maximum(np.exp(mu + sigma * z) - age, 0.0) / process.speed[m]
    return lasted
