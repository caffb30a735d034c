"""Exact sums over a noisy-OR network, adding positive numbers only.

Every cause, every finding that is not known for certain but bears on what is known, and every finding known to be
present is a *bit*. A bit opens, its edges fire one by one, it closes; the frontier is the array over all states of the
open bits. A finding's bit means "already brought about by what fired so far" (a running OR), so an edge fires by
moving the share ``chance`` of each state with parent 1 and finding 0 to finding 1. No sum is ever taken from another:
the cancellation by which inclusion and exclusion over present findings (QuickScore: Heckerman 1989) loses its digits
cannot happen.

Before that, what is certain is folded away: an absent finding multiplies each parent's weight by (1 - chance), a
present one acts on those downstream as a leak, and findings that bear on nothing known are left out. Components fall
apart by themselves, since the frontier between two of them is empty. The order of closing is greedy (least frontier
after closing), tried from several starts for as long as that costs less than the sums themselves. Marginals come from
one pass back over the same operations (the derivatives of a polynomial with positive coefficients: Darwiche 2003,
*Journal of the ACM* 50(3)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.trace.network import Network

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

OPEN, FIRE, CLOSE = 0, 1, 2
ABSENT, UNKNOWN, PRESENT = 0, 1, 2
WORK = 2.0**28  # cells touched by one pass; above that the network is too entangled
CELLS = 2.0**26  # doubles kept for the way back (half a gigabyte), likewise
STARTS = 12  # bits of a component from which an order is tried, by each of two criteria
EFFORT = 2.0**16  # cells of work that trying one more order is worth
SMALL = 1e-60  # rescale below this sum


@dataclass(frozen=True, slots=True)
class Compiled:
    """A network as arrays. Causes first, then findings with those upstream before those downstream (n in all).

    ``one``: prior or leak (n,); edges (m,) sorted by finding: ``source``, ``target``, ``chance``.
    """

    causes: int
    one: Array
    source: Ints
    target: Ints
    chance: Array

    @classmethod
    def of(cls, network: Network) -> Compiled:
        place = {name: i for i, name in enumerate(network.names)}
        edges = [
            (place[edge.parent], place[finding.name], edge.chance)
            for finding in network.findings
            for edge in finding.edges
        ]
        one = [*(cause.prior for cause in network.causes), *(finding.leak for finding in network.findings)]
        columns = list(zip(*edges, strict=True)) or [(), (), ()]
        return cls(
            len(network.causes),
            np.array(one, float),
            np.array(columns[0], np.int64),
            np.array(columns[1], np.int64),
            np.array(columns[2], float),
        )


@dataclass(frozen=True, slots=True)
class Folded:
    """What is left when the certain is folded away; ``begin`` and ``end`` (n, 2) weigh a bit as it opens and closes.

    ``bit`` (n,): takes part; ``active`` (m,): edges that still fire. ``log_constant`` belongs to the sum.
    """

    log_constant: float
    bit: Bools
    active: Bools
    begin: Array
    end: Array


@dataclass(frozen=True, slots=True)
class Plan:
    """Operations (k, 4): kind, the bit or edge meant, and the places in the frontier of the (parent and) bit.

    ``peak``: most bits open at once; ``cells``: doubles kept for the way back; ``last``: bits never closed, by place.
    """

    operations: Ints
    peak: int
    cells: int
    last: Ints


@njit(cache=True)
def _needed(n: int, source: Ints, target: Ints, chance: Array, weight: Array, kept: Bools) -> Bools:
    """Of all bits, those with a fact or upstream of one; and those asked for."""
    needed = kept.copy()
    for v in range(n):
        needed[v] |= weight[v, 0] != weight[v, 1]
    for e in range(source.size - 1, -1, -1):
        if needed[target[e]] and chance[e] > 0.0:
            needed[source[e]] = True
    return needed


@njit(cache=True)
def _meet(v: int, edges: range, source: Ints, chance: Array, role: Ints, begin: Array) -> int:
    """Parents known to be present act on ``v`` as its leak; the number of parents that are unknown."""
    unknown = 0
    for e in edges:
        if role[source[e]] == PRESENT:
            begin[v, 1] += begin[v, 0] * chance[e]
            begin[v, 0] *= 1.0 - chance[e]
        elif role[source[e]] == UNKNOWN and chance[e] > 0.0:
            unknown += 1
    return unknown


@njit(cache=True)
def _role(begin: Array, end: Array, unknown: int) -> int:
    """What those downstream of a bit may take it for."""
    if end[0] == 0.0 or begin[0] == 0.0:
        return PRESENT
    if end[1] == 0.0 or (begin[1] == 0.0 and not unknown):
        return ABSENT
    return UNKNOWN


@njit(cache=True)
def fold(
    causes: int, one: Array, source: Ints, target: Ints, chance: Array, weight: Array, kept: Bools
) -> tuple[float, Bools, Bools, Array, Array]:
    """The fields of `Folded` under the facts' ``weight`` (n, 2); bits that are ``kept`` are not folded away."""
    n, m = one.size, source.size
    needed = _needed(n, source, target, chance, weight, kept)
    begin, end = np.empty((n, 2)), weight.copy()
    begin[:, 0], begin[:, 1] = 1.0 - one, one
    bit, active, role = np.zeros(n, np.bool_), np.zeros(m, np.bool_), np.zeros(n, np.int64)
    constant, first = 0.0, 0
    for v in range(n):
        last = first
        while last < m and target[last] == v:
            last += 1
        edges = range(first, last)
        first = last
        if v >= causes and not needed[v]:
            constant += np.log(weight[v, 0])
            continue
        unknown = _meet(v, edges, source, chance, role, begin)
        role[v] = UNKNOWN if kept[v] else _role(begin[v], end[v], unknown)
        bit[v] = v < causes or kept[v] or (role[v] != ABSENT and begin[v, 0] > 0.0)
        if bit[v]:
            for e in edges:
                active[e] = role[source[e]] == UNKNOWN and chance[e] > 0.0
        elif role[v] == PRESENT:
            constant += np.log(end[v, 1])
        else:
            constant += np.log(begin[v, 0] * end[v, 0])
            for e in edges:
                if role[source[e]] == UNKNOWN:
                    end[source[e], 1] *= 1.0 - chance[e]
    return constant, bit, active, begin, end


@njit(cache=True)
def _finished(v: int, state: Ints, n: int, kept: Bools) -> bool:
    return state[v] == 1 and state[n + v] == 0 and state[2 * n + v] == 0 and not kept[v]


@njit(cache=True)
def _emit(kind: int, what: int, state: Ints, n: int, tally: Array, operations: Ints) -> None:
    """One more operation. ``tally``: operations so far, open bits, most open at once, cells of work, cells kept."""
    operations[int(tally[0]), 0], operations[int(tally[0]), 1] = kind, what
    tally[0] += 1.0
    if kind == OPEN:
        state[what] = 1
        tally[1] += 1.0
        tally[2] = max(tally[2], tally[1])
    tally[3] += 2.0 ** tally[1]
    if kind == CLOSE:
        state[what] = 2
        tally[4] += 2.0 ** tally[1]
        tally[1] -= 1.0


@njit(cache=True)
def _fire(e: int, source: Ints, target: Ints, state: Ints, n: int, tally: Array, operations: Ints) -> None:
    """The edge, its two bits opened where they are not."""
    for v in (source[e], target[e]):
        if state[v] == 0:
            _emit(OPEN, v, state, n, tally, operations)
    _emit(FIRE, e, state, n, tally, operations)
    state[3 * n + e] = 1
    state[n + target[e]] -= 1
    state[2 * n + source[e]] -= 1


@njit(cache=True)
def _complete(
    v: int, source: Ints, target: Ints, start: Ints, state: Ints, n: int, kept: Bools, tally: Array, operations: Ints
) -> None:
    """Fire all edges into ``v``, first those into its ancestors; close what this finishes."""
    wanted = np.zeros(v + 1, np.bool_)
    wanted[v] = True
    lowest = v
    for u in range(v, -1, -1):
        if wanted[u] and state[n + u] > 0:
            lowest = u
            for e in range(start[u], start[u + 1]):
                if state[3 * n + e] == 0:
                    wanted[source[e]] = True
    for u in range(lowest, v + 1):
        if wanted[u] and state[n + u] > 0:
            for e in range(start[u], start[u + 1]):
                if state[3 * n + e] == 0:
                    _fire(e, source, target, state, n, tally, operations)
                    if _finished(source[e], state, n, kept):
                        _emit(CLOSE, source[e], state, n, tally, operations)


@njit(cache=True)
def _close(
    v: int,
    source: Ints,
    target: Ints,
    start: Ints,
    out_start: Ints,
    out: Ints,
    state: Ints,
    n: int,
    kept: Bools,
    tally: Array,
    operations: Ints,
) -> None:
    """Fire all that touches ``v``, and close it and all that this finishes."""
    if state[v] == 0:
        _emit(OPEN, v, state, n, tally, operations)
    if state[n + v] > 0:
        _complete(v, source, target, start, state, n, kept, tally, operations)
    for i in range(out_start[v], out_start[v + 1]):
        e = out[i]
        if state[3 * n + e] == 0:
            _fire(e, source, target, state, n, tally, operations)
            if _finished(target[e], state, n, kept):
                _emit(CLOSE, target[e], state, n, tally, operations)
    if _finished(v, state, n, kept):
        _emit(CLOSE, v, state, n, tally, operations)


@njit(cache=True)
def _candidates(source: Ints, target: Ints, state: Ints, n: int) -> Ints:
    """Bits on the frontier or next to it that still have edges to fire."""
    near = np.zeros(n, np.bool_)
    for e in range(source.size):
        if state[3 * n + e] == 0 and (state[source[e]] == 1 or state[target[e]] == 1):
            near[source[e]] = near[target[e]] = True
    return np.flatnonzero(near)


@njit(cache=True)
def _order(
    begin_at: int,
    by_width: bool,
    source: Ints,
    target: Ints,
    start: Ints,
    out_start: Ints,
    out: Ints,
    state: Ints,
    n: int,
    kept: Bools,
    tally: Array,
    operations: Ints,
    limit: float,
) -> None:
    """Eliminate one component greedily from ``begin_at``; given up when its work exceeds ``limit``."""
    _close(begin_at, source, target, start, out_start, out, state, n, kept, tally, operations)
    scratch = operations.copy()
    while tally[3] < limit:
        near = _candidates(source, target, state, n)
        if near.size == 0:
            return
        best, least, then = -1, np.inf, np.inf
        for v in near:
            trial, count = state.copy(), tally.copy()
            count[2] = count[1]
            _close(v, source, target, start, out_start, out, trial, n, kept, count, scratch)
            after, work = count[1], count[2] + 1e-6 * (count[0] - tally[0])
            first, second = (after, work) if by_width else (work, after)
            if first < least or (first == least and second < then):
                best, least, then = v, first, second
        _close(best, source, target, start, out_start, out, state, n, kept, tally, operations)


@njit(cache=True)
def _component(v: int, source: Ints, target: Ints, n: int) -> Ints:
    inside = np.zeros(n, np.bool_)
    inside[v] = True
    grown = True
    while grown:
        grown = False
        for e in range(source.size):
            if inside[source[e]] != inside[target[e]]:
                inside[source[e]] = inside[target[e]] = grown = True
    return np.flatnonzero(inside)


@njit(cache=True)
def arrange(
    bit: Bools, source: Ints, target: Ints, kept: Bools, limit: float, attempts: int
) -> tuple[Ints, Array, bool]:
    """Operations (k, 2: kind, bit or edge), their tally, and whether the work stayed under ``limit``.

    Edges are the active ones, sorted by target; ``attempts``: most orders tried for each component.
    """
    n, m = bit.size, source.size
    start, out_start = np.zeros(n + 1, np.int64), np.zeros(n + 1, np.int64)
    for e in range(m):
        start[target[e] + 1] += 1
        out_start[source[e] + 1] += 1
    state = np.zeros(3 * n + m, np.int64)
    state[n : 2 * n], state[2 * n : 3 * n] = start[1:], out_start[1:]
    start, out_start = np.cumsum(start), np.cumsum(out_start)
    out = np.argsort(source, kind="mergesort")
    tally = np.zeros(5)
    operations = np.zeros((3 * n + m, 2), np.int64)
    for v in range(n):
        if not bit[v] or state[v] != 0:
            continue
        if state[n + v] == 0 and state[2 * n + v] == 0:
            _close(v, source, target, start, out_start, out, state, n, kept, tally, operations)
            continue
        members = _component(v, source, target, n)
        best_work, best_state, best_tally, best_operations = np.inf, state, tally, operations
        for attempt in range(attempts):
            if attempt and (best_work < EFFORT * attempt or attempt // 2 >= members.size):
                break
            trial, count, made = state.copy(), tally.copy(), operations.copy()
            at = members[(attempt // 2) * members.size // min(STARTS, members.size)]
            bound = tally[3] + min(limit, best_work)
            _order(at, attempt % 2 == 0, source, target, start, out_start, out, trial, n, kept, count, made, bound)
            if count[3] < bound:
                best_work, best_state, best_tally, best_operations = count[3] - tally[3], trial, count, made
        if best_work == np.inf:
            return operations[:0], tally, False
        state, tally, operations = best_state, best_tally, best_operations
    return operations[: int(tally[0])], tally, True


class Entangled(Exception):
    """No order was found that stays within `WORK` and `CELLS`."""


def plan(folded: Folded, compiled: Compiled, kept: Bools, attempts: int = 2 * STARTS) -> Plan:
    """Raises Entangled."""
    edges = np.flatnonzero(folded.active)
    source, target = compiled.source[edges], compiled.target[edges]
    operations, tally, found = arrange(folded.bit, source, target, kept, WORK, attempts)
    if not found or tally[3] > WORK or tally[4] > CELLS:
        raise Entangled
    placed, last = place(operations, folded.bit.size, source, target)
    fires = placed[:, 0] == FIRE
    placed[fires, 1] = edges[placed[fires, 1]]
    return Plan(placed, int(tally[2]), int(tally[4]), last)


@njit(cache=True)
def place(operations: Ints, n: int, source: Ints, target: Ints) -> tuple[Ints, Ints]:
    """Operations (k, 4) with the places of their bits, and the bits left open at the end by place.

    A new bit takes the top place; when one closes, those above it move down.
    """
    at = np.full(n, -1, np.int64)
    opened = np.empty(n, np.int64)
    width = 0
    placed = np.empty((operations.shape[0], 4), np.int64)
    for i in range(operations.shape[0]):
        kind, what = operations[i]
        p = q = width
        if kind == OPEN:
            at[what], opened[width] = width, what
            width += 1
        elif kind == FIRE:
            p, q = at[source[what]], at[target[what]]
        else:
            p = q = at[what]
            width -= 1
            for j in range(p, width):
                opened[j] = opened[j + 1]
                at[opened[j]] = j
        placed[i] = kind, what, p, q
    return placed, opened[:width].copy()


@njit(cache=True)
def _spread(frontier: Array, size: int, parent: int, child: int, chance: float) -> None:
    """In all states with the parent present and the child not yet, move ``chance`` of it to the child present."""
    u, v = 1 << parent, 1 << child
    low, high = min(u, v), max(u, v)
    for a in range(0, size, 2 * high):
        for b in range(a, a + high, 2 * low):
            for i in range(b + u, b + u + low):
                frontier[i + v] += chance * frontier[i]
                frontier[i] *= 1.0 - chance


@njit(cache=True)
def _gather(back: Array, size: int, parent: int, child: int, chance: float) -> None:
    """The transpose of `_spread`."""
    u, v = 1 << parent, 1 << child
    low, high = min(u, v), max(u, v)
    for a in range(0, size, 2 * high):
        for b in range(a, a + high, 2 * low):
            for i in range(b + u, b + u + low):
                back[i] = (1.0 - chance) * back[i] + chance * back[i + v]


@njit(cache=True)
def _sum_out(frontier: Array, size: int, at: int, end: Array, greatest: bool) -> float:
    """Close the bit in place, by the sum over its two states or by the greater of them; the total of what remains."""
    step, total = 1 << at, 0.0
    for a in range(0, size, 2 * step):
        for i in range(a, a + step):
            zero, one = end[0] * frontier[i], end[1] * frontier[i + step]
            both = max(zero, one) if greatest else zero + one
            frontier[a // 2 + i - a] = both
            total += both
    return total


@njit(cache=True)
def forward(
    operations: Ints, peak: int, chance: Array, begin: Array, end: Array, maximised: Bools, kept: Array
) -> tuple[float, Array]:
    """Log of the sum, and the frontier that is left (scaled by it). Bits ``maximised`` (n,) close by the greater state.

    ``kept`` receives the frontier before each closing, one after the other, for `backward`; of size 0 it is not filled.
    """
    frontier = np.empty(1 << peak)
    frontier[0] = 1.0
    size, log_scale, at = 1, 0.0, 0
    for i in range(operations.shape[0]):
        kind, what, p, q = operations[i]
        if kind == OPEN:
            for j in range(size):
                frontier[size + j] = begin[what, 1] * frontier[j]
                frontier[j] *= begin[what, 0]
            size *= 2
        elif kind == FIRE:
            _spread(frontier, size, p, q, chance[what])
        else:
            if kept.size:
                kept[at : at + size] = frontier[:size]
                at += size
            total = _sum_out(frontier, size, p, end[what], maximised[what])
            size //= 2
            if total == 0.0:
                return -np.inf, frontier[:size]
            if total < SMALL:
                frontier[:size] /= total
                log_scale += np.log(total)
    total = frontier[:size].sum()
    return log_scale + np.log(total), frontier[:size] / total


@njit(cache=True)
def backward(operations: Ints, peak: int, chance: Array, begin: Array, end: Array, kept: Array) -> Array:
    """Weights (n, 2) of absent and present for each bit, each pair in its own scale; every bit has been closed."""
    back = np.empty(1 << peak)
    back[0] = 1.0
    size, at = 1, kept.size
    weights = np.zeros(begin.shape)
    for i in range(operations.shape[0] - 1, -1, -1):
        kind, what, p, q = operations[i]
        if kind == OPEN:
            size //= 2
            for j in range(size):
                back[j] = begin[what, 0] * back[j] + begin[what, 1] * back[size + j]
        elif kind == FIRE:
            _gather(back, size, p, q, chance[what])
        else:
            size *= 2
            at -= size
            step, zero, one, top = 1 << p, 0.0, 0.0, 0.0
            for a in range(size - 2 * step, -1, -2 * step):
                for j in range(a + step - 1, a - 1, -1):
                    here = back[a // 2 + j - a]
                    top = max(top, here)
                    zero += kept[at + j] * end[what, 0] * here
                    one += kept[at + j + step] * end[what, 1] * here
                    back[j], back[j + step] = end[what, 0] * here, end[what, 1] * here
            weights[what, 0], weights[what, 1] = zero, one
            if top < SMALL and top > 0.0:
                for j in range(size):
                    back[j] /= top
    return weights
