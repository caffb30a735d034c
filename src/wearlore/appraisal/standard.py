"""What is there now, and what it costs: cured in one visit, the way paid for once, and beside it what then pays.

What is there is drawn from the chances; those in question by what was told hang together and are drawn together, the
others each by itself. In the visit the advice also renews what then costs less than it saves later: a fault takes off
the price only what it adds to that. What no look shows is not found in that visit: it brings its consequence before it
is cured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numba import njit

from wearlore.lives import Array
from wearlore.renewal.decision import KINDS, Wiring, choose, wiring
from wearlore.renewal.upkeep import Kind, Mask, Upkeep
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


@dataclass(frozen=True)
class Bills:
    """What visits cost that cure what is there. Each set of pieces to be cured is priced once, however often it is met.

    ``upkeep``: with nothing there; ``saves`` (n,): money that renewing each renewable now saves later.
    """

    upkeep: Upkeep
    saves: Array
    suspects: Sequence[Suspect]
    _priced: dict[Kind, dict[bytes, float]] = field(default_factory=lambda: {"failed": {}, "worth": {}}, repr=False)

    def cure(self, of: Mask) -> Array:
        """Money of a visit that cures just that; ``of`` (N, causes)."""
        return self._visits("failed", of, np.zeros_like(self.saves))

    def advised(self, of: Mask) -> Array:
        """Money of the visit that does what pays as well, less what it saves later."""
        return self._visits("worth", of, self.saves)

    def _visits(self, kind: Kind, of: Mask, saves: Array) -> Array:
        failed = np.zeros((len(of), self.saves.size), np.bool_)
        for cause, cured in enumerate(self._curing):
            if cured is not None:
                failed[:, cured] |= of[:, cause]
        sets = [row.tobytes() for row in np.packbits(failed, axis=1)]
        priced = self._priced[kind]
        new = {each: row for row, each in enumerate(sets) if each not in priced}
        if new:
            money = _visits(self._wired, KINDS[kind], failed[list(new.values())], saves)
            priced.update(zip(new, money.tolist(), strict=True))
        return np.array([priced[each] for each in sets])

    @cached_property
    def anyway(self) -> frozenset[str]:
        """Causes whose cure the advice does even if nothing is there."""
        due = np.concatenate([self._wired.price, np.zeros_like(self.saves)])
        nothing = np.zeros(self.saves.size, np.bool_)
        done = choose(self._wired, KINDS["worth"], nothing, self.saves - self._wired.money, due)
        cured = zip(self.suspects, self._curing, strict=True)
        return frozenset(one.name for one, by in cured if by is not None and done[by])

    @cached_property
    def _wired(self) -> Wiring:
        return wiring(self.upkeep)

    @cached_property
    def _curing(self) -> tuple[int | None, ...]:
        """Which renewable cures each suspect; None where the book has no cure."""
        place = {(one.unit, mode): i for i, one in enumerate(self.upkeep.renewables) for mode in one.modes}
        return tuple(place.get((one.unit, one.mode)) for one in self.suspects)


def standard(bills: Bills, there: Mask, shown: Mapping[str, float], consequence: Mapping[str, float]) -> Standard:
    """``there`` (N, causes): draws of what is there, in the order of the suspects.

    ``shown``: cause -> chance that looking shows it; ``consequence``: mode -> money beyond its cure.
    """
    missed = np.array([consequence[one.mode] * (1 - shown[one.name]) for one in bills.suspects])

    def advised(of: Mask) -> Array:
        """With what is missed and brings its consequence."""
        net: Array = bills.advised(of) + of @ missed
        return net

    count = len(bills.suspects)
    each = np.eye(count, dtype=np.bool_)
    some = there[:SOME]
    without, with_ = (np.concatenate([some & ~one for one in each]), np.concatenate([some | one for one in each]))
    added = (advised(with_) - advised(without)).reshape(count, -1).mean(axis=1)
    costs = {one.name: money for one, money in zip(bills.suspects, added.tolist(), strict=True)}
    return Standard(
        bill=bills.cure(there),
        beyond=advised(there) - advised(np.zeros((1, count), np.bool_))[0],
        states=there,
        costs=costs,
        alone=dict(zip(costs, bills.cure(each).tolist(), strict=True)),
        anyway=bills.anyway,
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
