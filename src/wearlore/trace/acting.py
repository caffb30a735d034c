"""What acting now costs: the best way to repair, check and stop, when several faults may be present at once.

A way to act: repair a batch; then stop, or pay for a check that shows whether any fault in question is still there; if
it is, repair a further batch, and so on. The check may also come before the first repair. A repair cures its faults for
certain and is paid whether they were there or not, so a wrong repair costs its parts and labour. Stopping (at once:
"declare none") costs what is left uncured. Every such way is weighed, exactly, by dynamic programming over the sets of
repairs done, since all that is learnt on the way is "still there". Stopping while any fault is still there may cost
something of its own beside: the complaint is not solved, and the vehicle comes back.

With one fault that may not be left and a check after each repair, the best order is by falling chance over cost, check
included (Heckerman, Breese & Rommelse 1995, *Communications of the ACM* 38(3)): `search_order`. `best_way` goes in that
order where checks are free; one that costs it spares after the last repair, which can change what should come last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit

from wearlore.lives import Array
from wearlore.trace.elimination import Ints


@dataclass(frozen=True, slots=True)
class Batch:
    """Repairs (by number; none: only check) done together, and whether a check follows.

    The next batch is for when the check finds a fault.
    """

    repairs: tuple[int, ...]
    check: bool


@dataclass(frozen=True, slots=True)
class Way:
    """Expected cost (money) of the best way to act, and its batches in order; none: repair nothing."""

    cost: float
    batches: tuple[Batch, ...]


@dataclass(frozen=True, slots=True)
class SearchOrder:
    """Places in the order to look at, and the expected cost until the fault is found."""

    order: tuple[int, ...]
    cost: float


def best_way(
    states: Array, left: Array, costs: Array, cures: Sequence[frozenset[int]], check: float, unsolved: float = 0.0
) -> Way:
    """The cheapest way to act.

    ``states``, shape (2,) * n: chance of each combination of n faults (need not add up to 1: the cost scales with it);
    ``left`` (n,): money each costs if left; ``costs`` (r,) of the repairs; ``cures``: the faults that each cures;
    ``check``: money for seeing whether a fault is still there; ``unsolved``: for stopping while any is. Work grows as
    3^r + 2^(r + n).
    """
    by_mask = np.ascontiguousarray(states.transpose(range(states.ndim)[::-1])).ravel()  # bit i of the index: fault i
    masks = np.array([sum(1 << fault for fault in cured) for cured in cures], np.int64)
    cost, batch, checked = _best_way(by_mask, np.asarray(left, float), np.asarray(costs, float), masks, check, unsolved)
    batches, done, at = [], 0, len(cost) - 1
    while batch[at] or checked[at]:
        chosen = int(batch[at])
        batches.append(Batch(tuple(i for i in range(len(costs)) if chosen >> i & 1), bool(checked[at])))
        if not checked[at]:
            break
        at = done = done | chosen
    return Way(float(cost[-1]), tuple(batches))


@njit(cache=True)
def _tables(states: Array, left: Array, costs: Array, cures: Ints, unsolved: float) -> tuple[Array, Array, Array]:
    """For each set of repairs: its price, the chance that a fault is still there after it, and the cost of stopping."""
    sets = 1 << costs.size
    price, cured = np.zeros(sets), np.zeros(sets, np.int64)
    for i in range(costs.size):
        for done in range(1 << i):
            price[done | 1 << i] = price[done] + costs[i]
            cured[done | 1 << i] = cured[done] | cures[i]
    present = np.zeros(left.size)
    for fault in range(left.size):
        for state in range(states.size):
            if state >> fault & 1:
                present[fault] += states[state]
    still, leave = np.zeros(sets), np.zeros(sets)
    for state in range(states.size):  # in this order many sets at once
        for done in range(sets):
            still[done] += states[state] if state & ~cured[done] else 0.0
    for done in range(sets):
        leave[done] = unsolved * still[done]
        for fault in range(left.size):
            if not cured[done] >> fault & 1:
                leave[done] += left[fault] * present[fault]
    return price, still, leave


@njit(cache=True)
def _best_way(
    states: Array, left: Array, costs: Array, cures: Ints, check: float, unsolved: float
) -> tuple[Array, Ints, Ints]:
    """For each set of repairs done, a fault known to be still there: expected cost, next batch, whether to check after.

    Costs are weighed with the chance of getting there. The last row is the beginning, when nothing is known.
    """
    price, still, leave = _tables(states, left, costs, cures, unsolved)
    sets = price.size
    still, leave = np.append(still, states.sum()), np.append(leave, leave[0])
    cost, batch, checked = leave.copy(), np.zeros(sets + 1, np.int64), np.zeros(sets + 1, np.int64)
    for i in range(sets, -1, -1):
        at = sets if i == 0 else i - 1  # row by row down from all repairs done; the beginning last
        done = 0 if at == sets else at
        rest = (sets - 1) & ~done
        more = rest
        while more:
            then = done | more
            pay, going_on = price[more] * still[at], check * still[at] + cost[then]
            if pay + min(leave[then], going_on) < cost[at]:
                cost[at] = pay + min(leave[then], going_on)
                batch[at], checked[at] = more, going_on < leave[then]
            more = (more - 1) & rest
    if check * still[sets] + cost[0] < cost[sets]:
        cost[sets], batch[sets], checked[sets] = check * still[sets] + cost[0], 0, 1
    return cost, batch, checked


def search_order(chances: Sequence[float], costs: Sequence[float]) -> SearchOrder:
    """One fault, looked for with tests that are independent and perfect: test by falling chance over cost.

    ``chances`` that the fault is at each place (adding up to 1), ``costs`` of the tests. Source as of this module.
    """
    if len(chances) != len(costs) or min(costs, default=0) < 0 or min(chances, default=0) < 0:
        raise ValueError("one cost for each chance, none below 0")
    order = sorted(range(len(costs)), key=lambda i: -chances[i] / costs[i] if costs[i] > 0 else -np.inf)
    cost, remaining = 0.0, 0.0
    for i in reversed(order):
        remaining += chances[i]
        cost += costs[i] * remaining
    return SearchOrder(tuple(order), cost)
