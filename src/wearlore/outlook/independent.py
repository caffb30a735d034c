"""Units that share nothing: each failure is a visit of its own, which renews that unit alone.

The habit of curing only what failed, where no work is shared and nothing else is renewed with it. What the renewal
equation (`wearlore.renewal.equation`) supposes too, so that both must agree; and the whole distribution of the cost
follows by convolution (`wearlore.outlook.spread`). Luck is that of `wearlore.outlook.courses`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.outlook.courses import LEAD
from wearlore.outlook.luck import distance_at, hazard_met, key_of, normal_at, uniform
from wearlore.renewal import cumulative_hazard
from wearlore.renewal.upkeep import Renewable
from wearlore.threads import shared_out

PARTS = 64  # in which runs are shared out between threads, at least


@dataclass(frozen=True, slots=True)
class Alone:
    """What each of R runs costs, money of the day, and how often it visits: ``cost``, ``visits`` (R,)."""

    cost: Array
    visits: NDArray[np.int32]


class Modes(NamedTuple):
    """The M modes of n units, one after another; those of unit i between ``ends[i]`` and ``ends[i + 1]``.

    First axis 2: the piece in place, and later ones. ``mu``, ``sigma``, ``age``, ``past``, ``seen`` (2, d, M): age now
    (km), hazard gathered at it, and where the mode was last known to be absent. ``lognormal``, ``rate``, ``speed`` (2,
    M). ``judged`` (M,): hazard that stands for being there now; ``hidden``, ``lead`` (M, 2): see `Renewable`. ``cost``
    (M,) of a failure; ``beyond`` (M,): the part of it that a fault found before now has cost already; ``found`` (n,).
    """

    ends: NDArray[np.int64]
    key: NDArray[np.uint64]
    mu: Array
    sigma: Array
    lognormal: NDArray[np.bool_]
    rate: Array
    speed: Array
    age: Array
    past: Array
    seen: Array
    judged: Array
    hidden: NDArray[np.bool_]
    lead: Array
    cost: Array
    beyond: Array
    found: NDArray[np.bool_]


def modes_of(renewables: Sequence[Renewable]) -> Modes:
    """``renewables`` (one at least) of one upkeep whose terms have no set-up share: each has its own visit to pay."""

    def both(name: str) -> NDArray[Any]:
        each = [[np.asarray(getattr(p, name)) for p in side] for side in zip(*sides, strict=True)]
        return np.ascontiguousarray([np.concatenate(side, axis=-1) for side in each])

    def flat(name: str) -> NDArray[Any]:
        return np.concatenate([np.asarray(getattr(item, name)) for item in renewables], axis=-1)

    sides = [(item.fitted, item.fresh) for item in renewables]
    mu, sigma, lognormal = both("mu"), both("sigma"), both("lognormal")
    start = np.broadcast_to(flat("start"), mu.shape[1:])
    age = np.stack([flat("age"), start])
    seen = np.stack([np.minimum(flat("seen"), flat("age")), start])
    present = flat("present").astype(float)
    with np.errstate(divide="ignore"):  # certain: it is there whatever the luck
        judged = -np.log1p(-present)
    return Modes(
        ends=np.cumsum([0, *(len(item.modes) for item in renewables)]),
        key=np.array([key_of(item.unit, mode) for item in renewables for mode in item.modes], np.uint64),
        mu=mu,
        sigma=sigma,
        lognormal=lognormal,
        rate=both("rate"),
        speed=both("speed"),
        age=age,
        past=hazards(age, mu, sigma, lognormal),
        seen=hazards(seen, mu, sigma, lognormal),
        judged=judged,
        hidden=flat("hidden").astype(bool),
        lead=np.concatenate([item.lead for item in renewables]),
        cost=np.concatenate([item.fitted.cost for item in renewables]),
        beyond=flat("consequence").astype(float),
        found=np.array([item.failed for item in renewables]),
    )


def alone(renewables: Sequence[Renewable], km: float, *, runs: int, seed: int) -> Alone:
    """Each unit over the next ``km`` by itself; run r has the draw r modulo d of the parameters.

    A fault found before now is cured now, and what it costs beyond its cure has been paid. Equal seeds give equal runs,
    whatever the number of threads.
    """
    if not renewables:
        return Alone(np.zeros(runs), np.zeros(runs, np.int32))
    m = modes_of(renewables)
    end = hazards(m.age + m.speed[:, None] * km, m.mu, m.sigma, m.lognormal)
    through = m.past - m.seen + m.rate[:, None] * (end - m.past)
    through[0] += m.judged
    outlives, number = np.exp(-through), np.uint64(seed % 2**64)
    told = Alone(np.zeros(runs), np.zeros(runs, np.int32))
    draws = m.mu.shape[1]
    parts = draws * -(-PARTS // draws)
    shared_out(lambda begin, stop: _alone(m, outlives, km, number, parts, begin, stop, told.cost, told.visits), parts)
    return told


@njit(cache=True)
def hazards(age, mu, sigma, lognormal):  # type: ignore[no-untyped-def]
    """Cumulative hazard at ``age`` (2, d, M)."""
    found = np.empty(age.shape)
    for p in range(age.shape[0]):
        for d in range(age.shape[1]):
            for m in range(age.shape[2]):
                found[p, d, m] = cumulative_hazard(age[p, d, m], mu[p, d, m], sigma[p, d, m], lognormal[p, m])
    return found


@njit(cache=True, nogil=True)
def _alone(modes, outlives, km, seed, parts, begin, stop, cost, visits):  # type: ignore[no-untyped-def]
    """``outlives`` (2, d, M): luck below this brings a piece through all of ``km``."""
    for part in range(begin, stop):  # all of one draw, whose figures then stay at hand
        for run in range(part, cost.size, parts):
            cost[run], visits[run] = _run(modes, outlives, km, seed, run)


@njit(cache=True)
def _run(modes, outlives, km, seed, run):  # type: ignore[no-untyped-def]
    """One run; in one piece, since handing arrays on to small functions would take most of its time."""
    cost, visits, d = 0.0, 0, run % modes.mu.shape[1]
    for i in range(modes.found.size):
        at, piece = 0.0, 0
        while True:
            p, life, by, dearest = min(piece, 1), inf, modes.ends[i], -inf
            for m in range(modes.ends[i], modes.ends[i + 1]):
                luck = uniform(seed, np.uint64(run), modes.key[m], np.uint64(piece))
                if luck < outlives[p, d, m]:
                    continue
                met = -log(luck)
                if p == 0:
                    if met < modes.judged[m]:  # it is there now: one cure for all, the dearest counts
                        if modes.cost[m] > dearest:
                            life, by, dearest = 0.0, m, modes.cost[m]
                        continue
                    met -= modes.judged[m]
                if dearest > -inf:
                    continue
                lasts = _lasts(
                    met, modes.seen[p, d, m], modes.past[p, d, m], modes.rate[p, m], modes.mu[p, d, m],
                    modes.sigma[p, d, m], modes.lognormal[p, m], modes.age[p, d, m], modes.speed[p, m],
                )  # fmt: skip
                if modes.hidden[m] and modes.lead[m, 0] > 0:
                    z = normal_at(hazard_met(seed, np.uint64(run), modes.key[m], np.uint64(piece) + LEAD))
                    lasts += modes.lead[m, 0] * exp(modes.lead[m, 1] * z)
                if lasts < life:
                    life, by = lasts, m
            at += life
            if at >= km:
                break
            cost += modes.cost[by] - (modes.beyond[by] if piece == 0 and modes.found[i] else 0.0)
            visits += 1
            piece += 1
    return cost, visits


@njit(cache=True)
def _lasts(met, seen, past, rate, mu, sigma, lognormal, age, speed):  # type: ignore[no-untyped-def]
    """Km from now until a mode is there that lives through the hazard ``met`` from where it was last absent."""
    met -= past - seen
    if met <= 0 or rate == 0:  # there already
        return 0.0
    return max(distance_at(past + met / rate, mu, sigma, lognormal) - age, 0.0) / speed
