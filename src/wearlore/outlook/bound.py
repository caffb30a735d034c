"""What no rule can fall below: a lower bound on the reachable cost of a vehicle, by taking its visits apart.

Whatever the rule, a visit renews some set D of units and pays each step once. Let each unit have a price ``along`` for
being renewed in passing, such that no visit costs less than the sum of these prices of all it renews. Charge a unit
that fails what a visit for it costs at least beyond the prices of what goes along,

    charge of j = minimum, over the sets D that hold j, of: cost of D - sum of ``along`` over D without j,

and let every unit be renewed at its price ``along`` whenever it likes. Then in no visit the units pay more together
than the visit costs, each is a replacement problem of its own (see `wearlore.outlook.alone`), and the sum of their
least costs is below the cost of every rule. That holds for any such prices, which may change with the distance; the sum
is concave in them, and the best are found by ascent (Lagrangian relaxation of weakly coupled decisions: Adelman &
Mersereau 2008, Operations Research 56). What is done in the visit now is chosen exactly. Beside that the rule that pays
the bound knows the parameters of every life, of which the owner has only a distribution (information relaxation: Brown,
Smith & Sun 2010, Operations Research 58).

It holds for rules that renew what has failed, and whatever else they like at any distance; not for rules that look for
faults before they make themselves known, nor where other work pays for planned visits.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np
from numba import njit

from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.outlook.alone import Cells, cells_of, least_alone
from wearlore.renewal.decision import WORTH, Wiring, choose, wiring
from wearlore.renewal.upkeep import Mask, Upkeep

ZONES = np.array([0.0, 0.02, 0.06, 0.12, 0.2, 0.34, 0.5, 0.7])  # of the span: from each on prices of its own
COARSE, FINE = 50, 200  # cells of the search and of the answer
FEW = 16  # draws of the search
ROUNDS = 80  # of the search
REACH = 0.15  # share of its dearest by which a price moves at most in one round
PATIENCE = 4  # rounds without gain after which the ascent goes on from the best prices, hoping for half
HOPE = 0.05  # of the cost: the gain hoped for at first
CENT = 1e-6  # money by which a charge is rounded down


@dataclass(frozen=True, slots=True)
class Bound:
    """No rule costs less than ``cost`` over the span, discounted, on the mean.

    ``along`` (n, Z): the prices that prove it, of renewing each unit in passing, in each zone of the distance.
    """

    cost: float
    along: Array

    def within(self, cost: Estimate) -> Estimate:
        """By which share of its mean ``cost``, with the interval of that, a rule could at most be better."""
        low, value, high = (max(0.0, 1 - self.cost / x) if x > 0 else 0.0 for x in (cost.low, cost.value, cost.high))
        return Estimate(value, low, high, cost.level)


def best_possible(upkeep: Upkeep, rounds: int = ROUNDS) -> Bound:
    """The highest bound found in so many ``rounds`` of the search for prices."""
    return bound_at(upkeep, _searched(upkeep, rounds))


def bound_at(upkeep: Upkeep, along: Array) -> Bound:
    """The bound that the prices ``along`` (n, Z) prove, lowered where a visit would cost less than their sum."""
    wired = wiring(upkeep)
    cells = cells_of(upkeep, FINE, upkeep.renewables[0].age.shape[0])
    along = _covered(wired, along)
    cost, _ = _taken_apart(upkeep, wired, cells, along, count=False)
    return Bound(cost, along)


def _searched(upkeep: Upkeep, rounds: int) -> Array:
    """Projected ascent by supergradients; the length of a step is for the gain hoped for (Polyak 1969)."""
    wired = wiring(upkeep)
    cells = cells_of(upkeep, COARSE, min(FEW, upkeep.renewables[0].age.shape[0]))
    n = wired.money.size
    top = _charges(wired, np.zeros((n, 1)))[0]
    along = 0.8 * _split(wired)[:, None] * np.ones(ZONES.size)
    best, kept, uphill, hoped, stale = -inf, along, np.zeros_like(along), 0.0, 0
    for _ in range(rounds):
        along = _covered(wired, np.clip(along, 0.0, top))
        cost, slope = _taken_apart(upkeep, wired, cells, along, count=True)
        hoped = hoped or HOPE * cost
        stale = 0 if cost > best + 0.02 * hoped else stale + 1
        if cost > best:
            best, kept, uphill = cost, along, slope
        if stale == PATIENCE:
            hoped, stale, cost, along, slope = 0.5 * hoped, 0, best, kept, uphill
        slope = np.where(((along <= 0) & (slope < 0)) | ((along >= top) & (slope > 0)), 0.0, slope)
        length = float(((slope * top) ** 2).sum())
        if length == 0:
            break
        step = (best + hoped - cost) / length * slope * top**2
        along = along + np.clip(step, -REACH * top, REACH * top)
    return kept


def _taken_apart(upkeep: Upkeep, wired: Wiring, cells: Cells, along: Array, *, count: bool) -> tuple[float, Array]:
    """The sum of all units at their least, and its supergradient in ``along`` (n, Z), if it is to ``count``."""
    zone = np.searchsorted(np.round(ZONES * (cells.old.shape[2] - 1)), np.arange(cells.old.shape[2] - 1), "right") - 1
    charge, beside = _charges(wired, along)
    alone = least_alone(cells, charge, along, zone, count=count)
    left, renewed = alone.left.mean(axis=1), alone.renewed.mean(axis=1)
    failed = np.array([item.failed for item in upkeep.renewables], dtype=np.bool_)
    now = _chosen(wired, failed, left - renewed)
    cost = visit_cost(wired, now) + float(np.where(now, renewed, left).sum())
    failures, before = (np.where(now[:, None], new, old) for old, new in (alone.failures, alone.before))
    return cost, before - np.einsum("jiz,jz->iz", beside, failures)


def _chosen(wired: Wiring, failed: Mask, worth: Array) -> Mask:
    """The set that holds ``failed`` with the least cost less ``worth`` (n,)."""
    due = np.concatenate([wired.price, np.zeros(worth.size)])
    done: Mask = choose(wired, WORTH, failed, worth - wired.money, due)
    return done


def _covered(wired: Wiring, along: Array) -> Array:
    """``along`` lowered in each zone until no visit costs less than the prices of what it renews."""
    lowered, nothing = along.copy(), np.zeros(along.shape[0], np.bool_)
    for prices in lowered.T:
        while True:
            worst = _chosen(wired, nothing, prices)
            paid, sum_of = visit_cost(wired, worst), float(prices[worst].sum())
            if paid >= sum_of:
                break
            prices *= paid / sum_of * (1 - 1e-9)
    return lowered


def _split(wired: Wiring) -> Array:
    """What each unit would pay (n,) if those who share a step paid more than their even part of it: a start."""
    users = np.bincount(wired.own, minlength=wired.price.size)
    part = wired.price / np.sqrt(np.maximum(users, 1))
    return np.array(
        [
            m + part[wired.own[a:b]].sum()
            for m, a, b in zip(wired.money, wired.own_ends, wired.own_ends[1:], strict=False)
        ]
    )


@njit(cache=True)
def _charges(wired, along):  # type: ignore[no-untyped-def]
    """For a failure of each in each zone: its charge (n, Z), and what goes along in the visit it is for (n, n, Z)."""
    n, zones = along.shape
    charge, beside = np.zeros((n, zones)), np.zeros((n, n, zones))
    for x in range(n * zones):
        j, z = x // zones, x % zones
        failed, due = np.zeros(n, np.bool_), np.zeros(wired.price.size + n)
        failed[j], due[: wired.price.size] = True, wired.price
        done = choose(wired, WORTH, failed, along[:, z] - wired.money, due)
        total = visit_cost(wired, done) - CENT
        for i in range(n):
            if done[i] and i != j:
                total -= along[i, z]
                beside[j, i, z] = 1.0
        charge[j, z] = max(total, along[j, z])
    return charge, beside


@njit(cache=True)
def visit_cost(wired, done):  # type: ignore[no-untyped-def]
    """Money of a visit in which ``done`` (n,) is renewed: each step once."""
    paid, total = np.zeros(wired.price.size, np.bool_), 0.0
    for i in range(done.size):
        if done[i]:
            total += wired.money[i]
            for k in range(wired.own_ends[i], wired.own_ends[i + 1]):
                if not paid[wired.own[k]]:
                    paid[wired.own[k]] = True
                    total += wired.price[wired.own[k]]
    return total
