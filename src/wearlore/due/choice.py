"""The best set to do now, exactly and for many vehicles: a closure where each unit has one way, branched where it has
several."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.renewal.decision import WORTH, Wiring, choose

Index = NDArray[np.int64]
Flags = NDArray[np.bool_]

MUST, BROUGHT, ALONE, TOGETHER = range(4)
OUT = 1e8  # money: stands above every real worth
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
    """What can be done to vehicles of one kind. Options of one unit and remedy (its grades) are one *node*."""

    offered: tuple[Offered, ...]
    node_of: Index  # (options,)
    unit_of: Index  # (nodes,)
    barred: Flags  # (nodes,)
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
        for k in range(n):  # Warshall (1962)
            brings |= brings[:, k : k + 1] & brings[k]
        np.fill_diagonal(brings, False)
        barred |= (brings & barred).any(axis=1)
        first = [int(np.flatnonzero(node_of == i)[0]) for i in range(n)]
        return cls(
            tuple(offered),
            node_of,
            np.array([unit for unit, _ in names], np.int64),
            barred,
            _wiring([offered[o].needs for o in first], price, brings),
        )


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
    _choices(
        shop.wiring, shop.node_of, shop.unit_of, shop.barred, saving - money, able, faulty, option, reason, price, worth
    )
    paid = np.where(option >= 0, money[np.maximum(option, 0)], 0.0).sum(axis=1) if money.size else np.zeros(v)
    return Choices(option, reason, price, paid, worth)


@njit(cache=True, parallel=True)
def _choices(  # type: ignore[no-untyped-def]
    wiring, node_of, unit_of, barred, net, able, faulty, option, reason, price, worth
):
    for v in prange(net.shape[0]):
        _choice(wiring, node_of, unit_of, barred, net[v], able[v], faulty[v], option[v], reason[v], price, worth, v)


@njit(cache=True)
def _choice(  # type: ignore[no-untyped-def]
    wiring, node_of, unit_of, barred, net, able, faulty, option, reason, price, worth, v
):
    n = unit_of.size
    best, grade = np.full(n, -np.inf), np.full(n, -1)
    cures = np.zeros(n, np.bool_)
    for o in range(net.size):
        i = node_of[o]
        if able[o] and faulty[unit_of[i]]:
            cures[i] = True
    for o in range(net.size):
        i = node_of[o]
        if net[o] > best[i]:
            best[i], grade[i] = net[o], o
    forced, total = _best_set(wiring, unit_of, barred, best, cures, faulty)
    chosen, must = forced == 1, (forced == 1) & cures
    for i in range(n):
        if chosen[i]:
            option[unit_of[i]] = grade[i]
            reason[unit_of[i]] = _reason(wiring, chosen, must, best, i)
    price[v] = _price(wiring, chosen)
    worth[v] = total


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
def _reason(wiring, chosen, must, best, i):  # type: ignore[no-untyped-def]
    steps = wiring.price.size
    if must[i]:
        return MUST
    for j in range(chosen.size):
        if chosen[j] and j != i:
            for k in range(wiring.node_ends[j], wiring.node_ends[j + 1]):
                if wiring.node[k] == steps + i:
                    return BROUGHT
    alone = best[i]
    for k in range(wiring.node_ends[i], wiring.node_ends[i + 1]):
        node = wiring.node[k]
        alone += best[node - steps] if node >= steps else -wiring.price[node]
    return ALONE if alone >= 0 else TOGETHER


@njit(cache=True)
def _best_set(wiring, unit_of, barred, best, cures, faulty):  # type: ignore[no-untyped-def]
    """Nodes done (1) or not, and their worth less the steps. Branch and bound over units that have several nodes."""
    n = unit_of.size
    out, held = np.zeros((BRANCHES, n), np.bool_), np.zeros((BRANCHES, n), np.bool_)
    out[0] = barred
    open_, answer, top = 1, np.zeros(n, np.int64), -np.inf
    while open_ > 0:
        open_ -= 1
        no, yes = out[open_].copy(), held[open_].copy()
        unit = _undecided(unit_of, cures & ~no, yes, faulty)
        branching = cures & ~no
        if unit < 0:
            worth = np.where(no, -OUT, best)
            due = np.zeros(wiring.price.size + n)
            due[: wiring.price.size] = wiring.price
            chosen = choose(wiring, WORTH, yes, worth, due)
            value = worth[chosen].sum() - _price(wiring, chosen)
            if value <= top or value < -0.5 * OUT:
                continue
            unit = _crowded(unit_of, chosen)
            if unit < 0:
                top, answer = value, chosen.astype(np.int64)
                continue
            branching = ~no
        for j in range(n):
            if branching[j] and unit_of[j] == unit and open_ < BRANCHES:
                out[open_], held[open_] = no, yes
                for i in range(n):
                    if unit_of[i] == unit and i != j:
                        out[open_, i] = True
                held[open_, j] = yes[j] or (faulty[unit] and cures[j])
                open_ += 1
    return answer, top if top > -np.inf else 0.0


@njit(cache=True)
def _undecided(unit_of, cures, yes, faulty):  # type: ignore[no-untyped-def]
    """A faulty unit of which it is not settled what cures it; -1: none."""
    settled = ~faulty
    for i in range(unit_of.size):
        if yes[i] and cures[i]:
            settled[unit_of[i]] = True
    for i in range(unit_of.size):
        if cures[i] and not settled[unit_of[i]]:
            return unit_of[i]
    return -1


@njit(cache=True)
def _crowded(unit_of, chosen):  # type: ignore[no-untyped-def]
    """A unit to which two things would be done; -1: none."""
    seen = np.zeros(unit_of.max() + 1 if unit_of.size else 0, np.bool_)
    for i in range(unit_of.size):
        if chosen[i]:
            if seen[unit_of[i]]:
                return unit_of[i]
            seen[unit_of[i]] = True
    return -1
