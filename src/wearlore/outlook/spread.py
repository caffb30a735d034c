"""The whole distribution of what units that share nothing cost over a distance, without simulation.

Of each unit, the chances of all sums that it may come to follow from one failure after another (the renewal equation,
kept apart by what was paid); sums of independent units have the product of their transforms (Feller 1971, *An
Introduction to Probability Theory* II, ch. 15), for each draw of the parameters; the draws are mixed last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.special import ndtr

from wearlore.lives import Array
from wearlore.outlook.independent import Modes, hazards, modes_of
from wearlore.renewal.upkeep import Renewable

CELLS = 1 << 13  # of money
FAR = 10.0  # standard deviations beyond the mean at which the money ends
STEPS = 120  # of the distance
RARE = 1e-9  # chance below which no further failure is followed
CENTS = 2  # digits to which sums are told apart


@dataclass(frozen=True, slots=True)
class CostSpread:
    """``chance`` (k,) of each sum of ``money`` (k,), evenly spaced from 0. ``means`` (d,): expected under each draw."""

    money: Array
    chance: Array
    means: Array

    @property
    def mean(self) -> float:
        return float(self.money @ self.chance)

    def cdf(self, money: Array) -> Array:
        """Chance of paying ``money`` or less; linear between the middles of the cells."""
        half = 0.5 * (self.money[1] - self.money[0])
        found: Array = np.interp(money, self.money + half, np.cumsum(self.chance), left=0.0, right=1.0)
        return found

    def quantile(self, share: float) -> float:
        """The sum that is not passed with this chance."""
        reached = np.searchsorted(np.cumsum(self.chance), share)
        return float(self.money[min(int(reached), self.money.size - 1)])


def cost_spread(renewables: Sequence[Renewable], km: float, steps: int = STEPS) -> CostSpread:
    """Money of the day that ``renewables`` (one at least) of one upkeep cost over the next ``km``; see `alone`."""
    modes = modes_of(renewables)
    first, fresh = _first_shown(modes, km, steps)
    sums = [_sums_of(modes, i, first, fresh) for i in range(len(renewables))]
    means: Array = np.array([money @ chance for money, chance in sums])
    squares = np.array([money**2 @ chance for money, chance in sums])
    furthest = (means.sum(axis=0) + FAR * np.sqrt((squares - means**2).sum(axis=0))).max()
    step = float(max(furthest, *(money.max() for money, _ in sums))) / (CELLS - 2) or 1.0
    transform = np.ones((means.shape[1], CELLS // 2 + 1), complex)
    for money, chance in sums:
        transform *= np.fft.rfft(_in_cells(money, chance, step), axis=1)
    total: Array = np.maximum(np.fft.irfft(transform.mean(axis=0), CELLS), 0.0)
    return CostSpread(np.arange(CELLS, dtype=np.float64) * step, total / total.sum(), means.sum(axis=0))


def _in_cells(money: Array, chance: Array, step: float) -> Array:
    """(d, cells): each sum parted between the two cells beside it, so that the mean stays."""
    found = np.zeros((chance.shape[1], CELLS))
    for sum_, of_it in zip(money, chance, strict=True):
        cell, part = divmod(sum_ / step, 1.0)
        found[:, int(cell)] += of_it * (1 - part)
        found[:, int(cell) + 1] += of_it * part
    return found


def _first_shown(modes: Modes, km: float, steps: int) -> tuple[Array, Array]:
    """Share of the pieces in place, and of later ones, in which a mode has not shown itself yet: (d, M, steps + 1)."""
    step = km / steps
    shares = []
    for p in range(2):
        at = modes.age[p][..., None] + modes.speed[p][:, None] * step * np.arange(steps + 1)
        gathered = _hazards_over(at, modes, p) - modes.past[p][..., None]
        hazard = (modes.past[p] - modes.seen[p])[..., None] + modes.rate[p][:, None] * gathered
        shares.append(np.exp(-hazard))
        for m in np.flatnonzero(modes.hidden & (modes.lead[:, 0] > 0)):
            shares[p][:, m] = _after_lead(shares[p][:, m], modes.lead[m, 0], modes.lead[m, 1], step)
    return shares[0], shares[1]


def _hazards_over(at: Array, modes: Modes, p: int) -> Array:
    """``at`` (d, M, k)."""
    found = np.empty_like(at)
    for k in range(at.shape[2]):
        now = np.ascontiguousarray(at[None, :, :, k])
        found[:, :, k] = hazards(now, modes.mu[p : p + 1], modes.sigma[p : p + 1], modes.lognormal[p : p + 1])[0]
    return found


def _after_lead(share: Array, median: float, sigma: float, step: float) -> Array:
    """``share`` (d, k) without the mode -> share in which it has not made itself known, a lognormal lead later."""
    many = share.shape[1]
    later = np.arange(1, many)
    known = ndtr(np.log(np.stack([later, later - 0.5]) * step / median) / max(sigma, 1e-9))
    from_now = np.concatenate([[0.0], known[0]])
    shown = (1 - share[:, :1]) * from_now
    fails = -np.diff(share, axis=1)
    for i in range(1, many):  # failed in the middle of step i, known in the middle of a later one or in this
        shown[:, i:] += fails[:, i - 1 : i] * known[1][: many - i]
    known_not: Array = 1 - shown
    return known_not


def _sums_of(modes: Modes, i: int, first: Array, fresh: Array) -> tuple[Array, Array]:
    """All sums that unit ``i`` may come to: money (k,) and the chance of each under each draw (k, d)."""
    its = slice(modes.ends[i], modes.ends[i + 1])
    costs = modes.cost[its]
    begin = _begun(modes, i, first[:, its])
    later, alive = _by_mode(fresh[:, its])
    half_way = 0.5 * (alive[:, 1:] + alive[:, :-1])[:, ::-1]  # alive at the end, begun in the middle of each step
    stays = np.concatenate([alive[:, -1:], half_way], axis=1)
    done: dict[float, Array] = {0.0: 1 - sum(mass.sum(axis=1) for mass in begin.values())}
    while begin:
        following: dict[float, Array] = {}
        for paid, mass in begin.items():
            ends = mass.sum(axis=1).max() < RARE
            done[paid] = done.get(paid, 0.0) + (mass if ends else mass * stays).sum(axis=1)
            for m, cost in enumerate(() if ends else costs):
                sum_ = round(paid + cost, CENTS)
                following[sum_] = following.get(sum_, 0.0) + _next(mass, later[m])
        begin = following
    return np.array(list(done)), np.maximum(np.array(list(done.values())), 0.0)


def _begun(modes: Modes, i: int, share: Array) -> dict[float, Array]:
    """What has been paid after the first failure -> when that was: mass (d, steps + 1), step 0 being now."""
    its = slice(modes.ends[i], modes.ends[i + 1])
    cost, there = modes.cost[its], -np.expm1(-modes.judged[its])
    shown, _ = _by_mode(share)
    first: dict[float, Array] = {}
    none = 1.0
    for m in np.argsort(-cost, kind="stable"):  # of those there now, the dearest counts
        now = np.zeros_like(shown[m])
        now[:, 0] = none * there[m]
        none *= 1 - there[m]
        paid = round(float(cost[m] - (modes.beyond[its][m] if modes.found[i] else 0.0)), CENTS)
        first[paid] = first.get(paid, 0.0) + now
    for m, later in enumerate(shown):
        paid = round(float(cost[m]), CENTS)
        first[paid] = first.get(paid, 0.0) + none * later
    return first


def _by_mode(share: Array) -> tuple[Array, Array]:
    """``share`` (d, m, k) without each mode -> first failures by each mode (m, d, k), and the share alive (d, k)."""
    logs = np.log(np.maximum(share, np.finfo(float).tiny))
    growth = -np.diff(logs, axis=2, prepend=0.0)
    total = growth.sum(axis=1)
    alive = np.exp(-np.cumsum(total, axis=1))
    mass = -np.diff(alive, axis=1, prepend=1.0)
    part = np.divide(growth, total[:, None], out=np.zeros_like(growth), where=total[:, None] > 0)
    return np.ascontiguousarray(np.moveaxis(part * mass[:, None], 1, 0)), alive


@njit(cache=True)
def _next(mass, life):  # type: ignore[no-untyped-def]
    """When the next failure comes, (d, k): after ``mass`` (d, k) of the last one, by a ``life`` (d, k).

    Both count from the middle of their steps: their sum is the end of a step, half in it and half in the next.
    """
    found = np.zeros(mass.shape)
    steps = mass.shape[1] - 1
    ends = np.empty(steps + 2)
    for d in range(mass.shape[0]):
        ends[:] = 0.0
        for i in range(1, steps + 1):
            begun = mass[d, i]
            if begun > 0:
                for j in range(1, steps - i + 2):
                    ends[i + j] += begun * life[d, j]
        for k in range(1, steps + 1):
            found[d, k] = mass[d, 0] * life[d, k] + 0.5 * (ends[k] + ends[k + 1])
    return found
