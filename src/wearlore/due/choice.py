"""The best set to do now, exactly and for many vehicles: a closure where each unit has one way, branched where it has
several."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.renewal.decision import WORTH, Wiring, choose
from wearlore.threads import shared_out

Index = NDArray[np.int64]
Flags = NDArray[np.bool_]

MUST, BROUGHT, ALONE, TOGETHER = range(4)
OUT = 1e8  # money: stands above every real worth
TIE = 0.005  # money: no search for what is better by less
BRANCHES = 256  # at most open at once


@dataclass(frozen=True, slots=True)
class Offered:
    """One option of a shop: its unit, remedy and parts' grade, the steps it needs, and its own money.

    ``brings``: groups of options of which one must go with it. ``barred``: it cannot be done here.
    """

    unit: int
    remedy: str
    grade: str
    revision: str
    needs: frozenset[str]
    money: float
    cures: frozenset[str]
    brings: tuple[tuple[int, ...], ...]
    barred: bool


@dataclass(frozen=True)
class Shop:
    """What can be done to vehicles of one kind. Options of one unit and remedy (its grades) are one *node*.

    A node that takes all that another of its unit takes, and more, stands on that one, its ``parent`` (-1: none): it
    is worth only what it adds. Nodes of a unit that are apart stand on a *joint* node that takes what all of them take
    and is worth what the least of them is. So a choice among them seldom needs branching; what is done is the topmost.
    """

    offered: tuple[Offered, ...]
    node_of: Index  # (options,)
    unit_of: Index  # (nodes,)
    barred: Flags  # (nodes,)
    parent: Index  # (nodes,)
    joint: Flags  # (nodes,)
    wiring: Wiring

    @classmethod
    def of(
        cls,
        offered: Sequence[Offered],
        price: Mapping[str, float],
        spoils: Sequence[tuple[str, tuple[int, ...]]],
    ) -> Shop:
        """``price``: money of each step; ``spoils``: (step, options of which one must go with it)."""
        names = list(dict.fromkeys((one.unit, one.remedy) for one in offered))
        node_of = np.array([names.index((one.unit, one.remedy)) for one in offered], np.int64)
        n = len(names)
        barred = np.zeros(n, np.bool_)
        brings = np.zeros((n, n), np.bool_)
        for o, one in enumerate(offered):
            i = int(node_of[o])
            barred[i] |= one.barred
            groups = list(one.brings) + [group for step, group in spoils if step in one.needs]
            for group in groups:
                if o in group:
                    continue
                others = [other for other in group if offered[other].unit != one.unit]
                if not others:
                    barred[i] = True
                    continue
                brings[i, node_of[min(others, key=lambda other: offered[other].money)]] = True
        brings = _closed(brings)
        barred |= (brings & barred).any(axis=1)
        first = [int(np.flatnonzero(node_of == i)[0]) for i in range(n)]
        unit_of = np.array([unit for unit, _ in names], np.int64)
        nodes = _nodes([offered[o].needs for o in first], brings)
        parent = _parents(nodes, unit_of, barred | brings.any(axis=0))
        joints = [
            roots for u in np.unique(unit_of) if (roots := np.flatnonzero((unit_of == u) & (parent < 0))).size > 1
        ]
        needs = [offered[o].needs for o in first]
        whole = np.zeros((n + len(joints), n + len(joints)), np.bool_)
        whole[:n, :n] = brings
        parent = np.append(parent, np.full(len(joints), -1))
        for k, roots in enumerate(joints, start=n):
            common = frozenset.intersection(*(nodes[i] for i in roots))
            needs.append(frozenset(step for step in common if isinstance(step, str)))
            whole[k, [j for j in common if isinstance(j, int)]] = True
            parent[roots] = k
        stands = np.flatnonzero(parent >= 0)
        whole[stands, parent[stands]] = True
        whole = _closed(whole)
        return cls(
            tuple(offered),
            node_of,
            np.append(unit_of, [unit_of[roots[0]] for roots in joints]).astype(np.int64),
            np.append(barred, np.zeros(len(joints), np.bool_)),
            parent,
            np.arange(n + len(joints)) >= n,
            _wiring(needs, price, whole),
        )


def _closed(brings: Flags) -> Flags:
    """What is brought by what is brought too (Warshall 1962)."""
    closed = brings.copy()
    for k in range(len(closed)):
        closed |= closed[:, k : k + 1] & closed[k]
    np.fill_diagonal(closed, False)
    return closed


def _nodes(needs: Sequence[frozenset[str]], brings: Flags) -> list[frozenset[str | int]]:
    """All that each node takes: steps by name, nodes brought by number."""
    found: list[frozenset[str | int]] = []
    for i, own in enumerate(needs):
        taken: set[str | int] = {*own, *np.flatnonzero(brings[i]).tolist()}
        taken.update(*(needs[j] for j in np.flatnonzero(brings[i]).tolist()))
        found.append(frozenset(taken))
    return found


def _parents(nodes: Sequence[frozenset[str | int]], unit_of: Index, unfit: Flags) -> Index:
    """For each node the largest of its unit that it holds (of equal ones an earlier); -1: none.

    ``unfit``: barred, or wanted as it is by what brings it.
    """
    parent = np.full(len(nodes), -1, np.int64)
    for i, mine in enumerate(nodes):
        held = [
            j
            for j, other in enumerate(nodes)
            if unit_of[j] == unit_of[i] and not unfit[j] and (other < mine or (other == mine and j < i))
        ]
        if held:
            parent[i] = max(held, key=lambda j: (len(nodes[j]), j))
    return parent


def _wiring(needs: Sequence[frozenset[str]], price: Mapping[str, float], brings: Flags) -> Wiring:
    number = {name: s for s, name in enumerate(price)}
    own = [frozenset(number[name] for name in each) for each in needs]
    nodes = []
    for i, steps in enumerate(own):
        brought = np.flatnonzero(brings[i]).tolist()
        nodes.append(steps.union(*(own[j] for j in brought), [len(number) + j for j in brought]))
    none = np.zeros(0, np.int64)
    ends = np.zeros(len(own) + 1, np.int64)
    return Wiring(
        np.cumsum([0, *map(len, nodes)]).astype(np.int64),
        np.array([k for each in nodes for k in sorted(each)], np.int64),
        ends,
        none,
        np.cumsum([0, *map(len, own)]).astype(np.int64),
        np.array([k for each in own for k in sorted(each)], np.int64),
        np.array(list(price.values()), np.float64),
        np.zeros(len(number)),
        np.zeros(len(own)),
    )


@dataclass(frozen=True, slots=True)
class Choices:
    """For each of V vehicles: the option done to each unit (-1: none) and why (V, units); ``price`` (V,) of the steps
    and ``money`` (V,) of the parts; ``worth`` (V,): what is saved beyond both."""

    option: Index
    reason: Index
    price: Array
    money: Array
    worth: Array


def choices(shop: Shop, saving: Array, able: Flags, faulty: Flags) -> Choices:
    """The best choice for each vehicle.

    ``saving`` (V, options): what each saves later. ``faulty`` (V, units): something is open there that must be cured,
    by one of the options that are ``able`` (V, options).
    """
    v, units = faulty.shape
    money = np.array([one.money for one in shop.offered])
    option, reason = np.full((v, units), -1, np.int64), np.zeros((v, units), np.int64)
    price, worth = np.zeros(v), np.zeros(v)
    net = saving - money

    def some(begin: int, stop: int) -> None:
        _choices(
            shop.wiring, shop.node_of, shop.unit_of, shop.barred, shop.parent, shop.joint, net, able, faulty, option,
            reason, price, worth, begin, stop,
        )  # fmt: skip

    shared_out(some, v)
    paid = np.where(option >= 0, money[np.maximum(option, 0)], 0.0).sum(axis=1) if money.size else np.zeros(v)
    return Choices(option, reason, price, paid, worth)


@njit(cache=True, nogil=True)
def _choices(  # type: ignore[no-untyped-def]
    wiring, node_of, unit_of, barred, parent, joint, net, able, faulty, option, reason, price, worth, begin, stop
):
    for v in range(begin, stop):
        price[v], worth[v] = _choice(
            wiring, node_of, unit_of, barred, parent, joint, net[v], able[v], faulty[v], option[v], reason[v]
        )


@njit(cache=True)
def _choice(  # type: ignore[no-untyped-def]
    wiring, node_of, unit_of, barred, parent, joint, net, able, faulty, option, reason
):
    """One vehicle: fills ``option`` and ``reason`` (units,); the price of the steps, and the worth of all."""
    n = unit_of.size
    best, grade, cures = np.full(n, -np.inf), np.full(n, -1), np.zeros(n, np.bool_)
    for o in range(net.size):
        i = node_of[o]
        cures[i] |= able[o] and faulty[unit_of[i]]
        if net[o] > best[i]:
            best[i], grade[i] = net[o], o
    chosen, total = _best_set(wiring, unit_of, barred, parent, joint, best, cures, faulty)
    for i in range(n):
        if chosen[i] and not _stood_on(parent, chosen, i):
            option[unit_of[i]] = grade[i]
            reason[unit_of[i]] = MUST if cures[i] else _reason(wiring, unit_of, joint, chosen, best, i)
    return _price(wiring, chosen), total


@njit(cache=True)
def _stood_on(parent, chosen, i):  # type: ignore[no-untyped-def]
    return (chosen & (parent == i)).any()


@njit(cache=True)
def _stands_on(parent, j, i):  # type: ignore[no-untyped-def]
    """Whether ``j`` is ``i`` or stands on it, with any between."""
    while j >= 0:
        if j == i:
            return True
        j = parent[j]
    return False


@njit(cache=True)
def _price(wiring, chosen):  # type: ignore[no-untyped-def]
    """Money of the union of steps of what is ``chosen``."""
    paid, total = np.zeros(wiring.price.size, np.bool_), 0.0
    for i in range(chosen.size):
        if chosen[i]:
            for k in range(wiring.own_ends[i], wiring.own_ends[i + 1]):
                step = wiring.own[k]
                if not paid[step]:
                    paid[step] = True
                    total += wiring.price[step]
    return total


@njit(cache=True)
def _reason(wiring, unit_of, joint, chosen, best, i):  # type: ignore[no-untyped-def]
    steps = wiring.price.size
    for j in range(chosen.size):
        if chosen[j] and unit_of[j] != unit_of[i]:
            for k in range(wiring.node_ends[j], wiring.node_ends[j + 1]):
                if wiring.node[k] == steps + i:
                    return BROUGHT
    alone = best[i]
    for k in range(wiring.node_ends[i], wiring.node_ends[i + 1]):
        node = wiring.node[k]
        if node < steps:
            alone -= wiring.price[node]
        elif unit_of[node - steps] != unit_of[i] and not joint[node - steps]:
            alone += best[node - steps]
    return ALONE if alone >= 0 else TOGETHER


@njit(cache=True)
def _best_set(wiring, unit_of, barred, parent, joint, best, cures, faulty):  # type: ignore[no-untyped-def]
    """Nodes done, and their worth less the steps. Branch and bound over units with nodes apart from each other."""
    n = unit_of.size
    out, held = np.zeros((BRANCHES, n), np.bool_), np.zeros((BRANCHES, n), np.bool_)
    out[0] = barred
    for i in range(n):  # of a faulty unit only what cures, and what that stands on
        if (
            faulty[unit_of[i]]
            and not joint[i]
            and not _leads(parent, cures, i)
            and _any_cure(unit_of, cures, unit_of[i])
        ):
            out[0, i] = True
    open_, answer, top = 1, np.zeros(n, np.bool_), -np.inf
    while open_ > 0:
        open_ -= 1
        no, yes = out[open_].copy(), held[open_].copy()
        unit, branching = _uncured(unit_of, parent, cures, no, yes, faulty)
        if unit < 0:
            worth = _added(unit_of, parent, joint, best, no)
            due = np.zeros(wiring.price.size + n)
            due[: wiring.price.size] = wiring.price
            chosen = choose(wiring, WORTH, yes, worth, due)
            value = worth[chosen].sum() - _price(wiring, chosen)
            if value <= top + TIE or value < -0.5 * OUT:
                continue
            unit = _crowded(unit_of, parent, joint, chosen)
            if unit < 0:
                top, answer = value, chosen
                continue
            branching = ~no & ~joint & (unit_of == unit)
        for j in range(n):
            if branching[j] and open_ < BRANCHES and not _above(parent, branching, j):
                out[open_], held[open_] = no, yes
                for i in range(n):
                    if unit_of[i] == unit and not joint[i] and not _stands_on(parent, j, i):
                        out[open_, i] = True
                held[open_, j] = yes[j] or (faulty[unit] and cures[j])
                open_ += 1
    return answer, top if top > -np.inf else 0.0


@njit(cache=True)
def _added(unit_of, parent, joint, best, no):  # type: ignore[no-untyped-def]
    """What each node is worth beyond what it stands on; a joint what the least is of those that are not out, 0 where
    but one is left."""
    n = unit_of.size
    base, many = np.full(n, np.inf), np.zeros(n, np.int64)
    for i in range(n):
        if not no[i] and not joint[i] and parent[i] >= 0 and joint[parent[i]]:
            base[parent[i]] = min(base[parent[i]], best[i])
            many[parent[i]] += 1
    worth = np.full(n, -OUT)
    for i in range(n):
        if joint[i]:
            worth[i] = base[i] if many[i] > 1 else 0.0
        elif not no[i]:
            under = parent[i]
            worth[i] = best[i]
            if under >= 0:
                worth[i] -= (base[under] if many[under] > 1 else 0.0) if joint[under] else best[under]
    return worth


@njit(cache=True)
def _leads(parent, cures, i):  # type: ignore[no-untyped-def]
    """Whether ``i`` cures, or something that cures stands on it."""
    found = False
    for j in range(parent.size):
        found = found or (cures[j] and _stands_on(parent, j, i))
    return found


@njit(cache=True)
def _any_cure(unit_of, cures, unit):  # type: ignore[no-untyped-def]
    return (cures & (unit_of == unit)).any()


@njit(cache=True)
def _above(parent, among, i):  # type: ignore[no-untyped-def]
    """Whether another of ``among`` stands on ``i``: then that one's branch holds it."""
    found = False
    for j in range(parent.size):
        found = found or (j != i and among[j] and _stands_on(parent, j, i))
    return found


@njit(cache=True)
def _uncured(unit_of, parent, cures, no, yes, faulty):  # type: ignore[no-untyped-def]
    """A faulty unit of which it is not settled what cures it, with what may; -1: none. One that all other cures of its
    unit stand on is held at once."""
    nothing = np.zeros(unit_of.size, np.bool_)
    for unit in range(faulty.size):
        if not faulty[unit]:
            continue
        able = cures & ~no & (unit_of == unit)
        if not able.any() or (able & yes).any():
            continue
        for i in range(unit_of.size):
            if able[i]:
                below = True
                for j in range(unit_of.size):
                    below = below and (not able[j] or _stands_on(parent, j, i))
                if below:
                    yes[i] = True
        if not (able & yes).any():
            return unit, able
    return -1, nothing


@njit(cache=True)
def _crowded(unit_of, parent, joint, chosen):  # type: ignore[no-untyped-def]
    """A unit to which two things would be done of which neither stands on the other, or only a joint; -1: none."""
    for i in range(unit_of.size):
        if chosen[i] and joint[i] and not _stood_on(parent, chosen, i):
            return unit_of[i]
        if chosen[i]:
            for j in range(i):
                apart = not _stands_on(parent, j, i) and not _stands_on(parent, i, j)
                if chosen[j] and unit_of[j] == unit_of[i] and apart:
                    return unit_of[i]
    return -1
