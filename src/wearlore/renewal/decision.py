"""One visit's decision in compiled code: the cheapest set that holds what must be done.

Beyond what has failed a set is chosen for which savings less prices are greatest, each step paid once whoever needs it:
a project selection (Picard 1976, Management Science 22). What pays alone is taken and what can never pay is dropped
first, which settles most visits; a maximum flow through the steps that several share settles the rest.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.renewal.upkeep import Kind, Mask, Moment, Rule, Upkeep

KINDS: dict[Kind, int] = {"failed": 0, "reach": 1, "worth": 2}
REACH, WORTH = KINDS["reach"], KINDS["worth"]
CENT = 1e-9  # money that counts as none

Index = NDArray[np.int64]


class Wiring(NamedTuple):
    """Who needs what, for n renewables and s steps. Rows of numbers are cut at ``*_ends`` (n + 1,).

    ``node``: for each renewable the steps that it and all it brings need, and s + j for each j that it brings.
    ``way``: those of its own steps that open the way to several units. ``price``, ``setup`` (s,); ``money`` (n,).
    """

    node_ends: Index
    node: Index
    way_ends: Index
    way: Index
    own_ends: Index
    own: Index
    price: Array
    setup: Array
    money: Array


def wiring(upkeep: Upkeep) -> Wiring:
    """The numbers behind the names of an upkeep; steps in the order of ``price``."""
    number = {name: s for s, name in enumerate(upkeep.price)}
    own = [frozenset(number[name] for name in item.needs) for item in upkeep.renewables]
    nodes = []
    for i, needs in enumerate(own):
        brought = np.flatnonzero(upkeep.brings[i]).tolist()
        nodes.append(needs.union(*(own[j] for j in brought), [len(number) + j for j in brought]))
    ways = [frozenset(s for name, s in number.items() if s in needs and upkeep.setup[name] > 0) for needs in own]
    return Wiring(
        *_rows(nodes),
        *_rows(ways),
        *_rows(own),
        np.array(list(upkeep.price.values()), np.float64),
        np.array([upkeep.setup[name] for name in number], np.float64),
        np.array([item.money for item in upkeep.renewables], np.float64),
    )


def _rows(sets: list[frozenset[int]]) -> tuple[Index, Index]:
    ends = np.cumsum([0, *(len(one) for one in sets)])
    return ends.astype(np.int64), np.array([k for one in sets for k in sorted(one)], np.int64)


@njit(cache=True)
def choose(wiring, kind, failed, worth, due):  # type: ignore[no-untyped-def]
    """What to do: (n,) bool. ``failed`` is done in any case; ``worth`` (n,): savings less money of its own.

    ``due`` (s + n,): the price of each step, 0 where it is open; changed: what is left to pay after the choice.
    """
    n, steps = failed.size, wiring.price.size
    chosen = np.zeros(n, np.bool_)
    due[steps:] = 0.0
    for i in range(n):
        if failed[i]:
            _take(wiring, i, chosen, due)
    if kind == REACH:
        _all_in_reach(wiring, chosen, due)
    elif kind == WORTH:
        for j in range(n):
            if not chosen[j] and worth[j] < 0:
                due[steps + j] = -worth[j]
        _what_pays(wiring, worth, chosen, due)
    return chosen


@njit(cache=True)
def _take(wiring, i, chosen, due):  # type: ignore[no-untyped-def]
    """Do ``i`` and all that it brings."""
    steps = wiring.price.size
    chosen[i] = True
    for k in range(wiring.node_ends[i], wiring.node_ends[i + 1]):
        node = wiring.node[k]
        due[node] = 0.0
        if node >= steps:
            chosen[node - steps] = True


@njit(cache=True)
def _all_in_reach(wiring, chosen, due):  # type: ignore[no-untyped-def]
    """Everything to which the way is open, unless it brings what is not in reach."""
    n, steps = chosen.size, wiring.price.size
    if not chosen.any():
        return
    reached = np.ones(n, np.bool_)
    for i in range(n):
        for k in range(wiring.way_ends[i], wiring.way_ends[i + 1]):
            if due[wiring.way[k]] > 0:
                reached[i] = False
    within = reached.copy()
    for i in range(n):
        for k in range(wiring.node_ends[i], wiring.node_ends[i + 1]):
            if wiring.node[k] >= steps and not reached[wiring.node[k] - steps]:
                within[i] = False
    for i in range(n):
        if within[i]:
            _take(wiring, i, chosen, due)


@njit(cache=True)
def _what_pays(wiring, worth, chosen, due):  # type: ignore[no-untyped-def]
    n = worth.size
    asking = np.zeros(due.size, np.int64)  # how many still in question need each node
    open_ = np.zeros(n, np.bool_)
    for i in range(n):
        open_[i] = worth[i] > CENT and not chosen[i]
        if open_[i]:
            _count(wiring, i, asking, 1)
    alone = np.zeros(n)
    changed = True
    while changed:
        changed = False
        for i in range(n):
            if not open_[i]:
                continue
            total = 0.0
            alone[i] = 0.0
            for k in range(wiring.node_ends[i], wiring.node_ends[i + 1]):
                node = wiring.node[k]
                total += due[node]
                if asking[node] == 1:
                    alone[i] += due[node]
            if chosen[i] or worth[i] > total + CENT:
                _take(wiring, i, chosen, due)
            elif worth[i] > alone[i] + CENT:
                continue
            open_[i] = False
            _count(wiring, i, asking, -1)
            changed = True
    if open_.any():
        _by_flow(wiring, worth - alone, np.flatnonzero(open_), asking, chosen, due)


@njit(cache=True)
def _count(wiring, i, asking, by):  # type: ignore[no-untyped-def]
    for k in range(wiring.node_ends[i], wiring.node_ends[i + 1]):
        asking[wiring.node[k]] += by


@njit(cache=True)
def _by_flow(wiring, excess, sources, asking, chosen, due):  # type: ignore[no-untyped-def]
    """Send what each of ``sources`` has in ``excess`` to the nodes that several ask for, as much as they take.

    Augmenting paths found in breadth (Edmonds & Karp 1972). Those that the last search reaches have more than all
    their nodes can take: they pay.
    """
    room, left = due * (asking > 1), excess[sources]
    needs, flow = room > np.zeros((sources.size, 1)), np.zeros((sources.size, due.size))
    for a in range(sources.size):
        mine = np.zeros(due.size, np.bool_)
        for k in range(wiring.node_ends[sources[a]], wiring.node_ends[sources[a] + 1]):
            mine[wiring.node[k]] = True
        needs[a] &= mine
    for a in range(sources.size):
        for node in np.flatnonzero(needs[a]):
            sent = min(left[a], room[node])
            flow[a, node] = sent
            left[a] -= sent
            room[node] -= sent
    by_node, by_source = np.empty(due.size, np.int64), np.empty_like(sources)
    end = _search(needs, flow, left, room, by_node, by_source)
    while end >= 0:
        _augment(end, by_node, by_source, flow, left, room)
        end = _search(needs, flow, left, room, by_node, by_source)
    for a in range(sources.size):
        if by_source[a] >= -1:
            _take(wiring, sources[a], chosen, due)


@njit(cache=True)
def _search(needs, flow, left, room, by_node, by_source):  # type: ignore[no-untyped-def]
    """A node that takes more, reached from a source that has more left; -1: none.

    ``by_node``: the source before each node reached (-1: not reached); ``by_source``: the node before each source
    reached (-1: it has more left itself; -2: not reached).
    """
    by_node[:] = -1
    by_source[:] = np.where(left > CENT, -1, -2)
    queue = np.empty(left.size, np.int64)
    begun = np.flatnonzero(left > CENT)
    last, at = begun.size, 0
    queue[:last] = begun
    while at < last:
        a = queue[at]
        at += 1
        for node in range(room.size):
            if not needs[a, node] or by_node[node] >= 0:
                continue
            by_node[node] = a
            if room[node] > CENT:
                return node
            for b in range(left.size):
                if by_source[b] == -2 and flow[b, node] > CENT:
                    by_source[b] = node
                    queue[last] = b
                    last += 1
    return -1


@njit(cache=True)
def _augment(end, by_node, by_source, flow, left, room):  # type: ignore[no-untyped-def]
    """Send as much as goes along the path found to ``end``."""
    sent, node = room[end], end
    while by_source[by_node[node]] >= 0:
        before = by_source[by_node[node]]
        sent = min(sent, flow[by_node[node], before])
        node = before
    sent = min(sent, left[by_node[node]])
    room[end] -= sent
    node = end
    while by_source[by_node[node]] >= 0:
        before = by_source[by_node[node]]
        flow[by_node[node], node] += sent
        flow[by_node[node], before] -= sent
        node = before
    flow[by_node[node], node] += sent
    left[by_node[node]] -= sent


def decide(upkeep: Upkeep, rule: Rule, moment: Moment) -> Mask:
    """One decision of ``rule`` at a visit."""
    worth = np.zeros(len(upkeep.renewables))
    wired = wiring(upkeep)
    if rule.savings is not None:
        found = np.array([item.failed for item in upkeep.renewables], dtype=bool)
        now = moment.first.all() and np.array_equal(moment.failed, found)  # later ones have cured or met another fault
        known = rule.savings
        worth = (known.unseen if now else known.at(moment.since, moment.ahead, moment.first)) - wired.money
    due = np.concatenate([wired.price, np.zeros(worth.size)])
    done: Mask = choose(wired, KINDS[rule.kind], moment.failed, worth, due)
    return done
