"""What is there now, and what it costs: cured in one visit, the way paid for once, and beside it what then pays.

What is there is drawn from the chances; those in question by what was told hang together and are drawn together, the
others each by itself. In the visit the advice also renews what then costs less than it saves later: a fault takes off
the price only what it adds to that. What no look shows is not found in that visit: it brings its consequence before it
is cured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.renewal.decision import KINDS, choose, wiring
from wearlore.renewal.upkeep import Mask, Upkeep
from wearlore.trace import Fact, Solver, Suspect

TOGETHER = 12  # causes drawn together at most
SOME = 250  # of the draws, for what each cause costs


@dataclass(frozen=True, slots=True)
class Standard:
    """Money for each of N draws of what is there, ``states`` (N, causes).

    ``bill`` (N,): of a visit that cures just that. ``beyond`` (N,): what it adds to the cost of a vehicle with nothing
    there, by the advice: at this visit more, later less. ``costs``: cause -> what is added when it is there rather than
    not, the other causes as they may be; ``alone``: cause -> the bill for it alone. ``anyway``: causes whose cure
    the advice does at this visit even if nothing is there.
    """

    bill: Array
    beyond: Array
    states: Mask
    costs: Mapping[str, float]
    alone: Mapping[str, float]
    anyway: frozenset[str]

    @property
    def clear(self) -> float:
        """Chance that nothing is there."""
        return float((~self.states.any(axis=1)).mean())


def states(
    solver: Solver, facts: Sequence[Fact], causes: Sequence[str], count: int, *, rng: np.random.Generator
) -> Mask:
    """``count`` draws of which ``causes`` are there, given the facts."""
    chance = solver.posterior(facts).chance
    drawn: Mask = rng.random((count, len(causes))) < np.array([chance[name] for name in causes])
    asked = sorted(
        set(solver.in_question(facts)) & set(causes), key=lambda name: (-chance[name] * (1 - chance[name]), name)
    )
    if len(together := asked[:TOGETHER]) > 1:
        table = np.cumsum(solver.joint(facts, together).ravel())
        found = np.unravel_index(np.searchsorted(table[:-1], rng.random(count), side="right"), (2,) * len(together))
        for name, there in zip(together, found, strict=True):
            drawn[:, causes.index(name)] = there > 0
    return drawn


def standard(
    upkeep: Upkeep,
    saves: Array,
    suspects: Sequence[Suspect],
    there: Mask,
    shown: Mapping[str, float],
    consequence: Mapping[str, float],
) -> Standard:
    """``there`` (N, causes): draws of what is there, in the order of ``suspects``; ``upkeep``: with nothing there.

    ``saves`` (n,): money that renewing each renewable now saves later. ``shown``: cause -> chance that looking shows
    it; ``consequence``: mode -> money beyond its cure.
    """
    curing = _curing(upkeep, suspects)
    missed = np.array([consequence[one.mode] * (1 - shown[one.name]) for one in suspects])
    wired = wiring(upkeep)

    none = np.zeros(saves.size)

    def cure(of: Mask) -> Array:
        """Money of a visit that cures just that."""
        bill: Array = _visits(wired, KINDS["failed"], of @ curing > 0, none)
        return bill

    def advised(of: Mask) -> Array:
        """Money of the visit that does what pays as well, less what it saves later, and of what is missed."""
        net: Array = _visits(wired, KINDS["worth"], of @ curing > 0, saves) + of @ missed
        return net

    costs = {}
    for number, one in enumerate(suspects):
        present, absent = there[:SOME].copy(), there[:SOME].copy()
        present[:, number], absent[:, number] = True, False
        costs[one.name] = float((advised(present) - advised(absent)).mean())
    nothing, each = np.zeros((1, len(suspects)), np.bool_), np.eye(len(suspects), dtype=np.bool_)
    due = np.concatenate([wired.price, none])
    anyway = choose(wired, KINDS["worth"], np.zeros(saves.size, np.bool_), saves - wired.money, due)
    return Standard(
        bill=cure(there),
        beyond=advised(there) - advised(nothing)[0],
        states=there,
        costs=costs,
        alone=dict(zip(costs, cure(each).tolist(), strict=True)),
        anyway=frozenset(one.name for one, cures in zip(suspects, curing, strict=True) if (cures * anyway).any()),
    )


@njit(cache=True)
def _visits(wired, kind, failed, saves):  # type: ignore[no-untyped-def]
    """For each row of ``failed`` the price of the visit that cures it, less what ``saves`` says of what is done."""
    money = np.zeros(failed.shape[0])
    steps = wired.price.size
    due = np.zeros(steps + saves.size)
    for row in range(failed.shape[0]):
        due[:steps] = wired.price
        done = choose(wired, kind, failed[row], saves - wired.money, due)
        needed = np.zeros(steps, np.bool_)
        for i in range(done.size):
            if done[i]:
                money[row] += wired.money[i] - saves[i]
                for k in range(wired.own_ends[i], wired.own_ends[i + 1]):
                    needed[wired.own[k]] = True
        for step in range(steps):
            if needed[step]:
                money[row] += wired.price[step]
    return money


def _curing(upkeep: Upkeep, suspects: Sequence[Suspect]) -> NDArray[np.float32]:
    """Which renewable cures each suspect, (causes, n) as 0 and 1; none where the book has no cure."""
    place = {(one.unit, mode): i for i, one in enumerate(upkeep.renewables) for mode in one.modes}
    curing = np.zeros((len(suspects), len(upkeep.renewables)), np.float32)
    for number, one in enumerate(suspects):
        if (one.unit, one.mode) in place:
            curing[number, place[one.unit, one.mode]] = 1.0
    return curing
