"""What it costs to bring a vehicle to standard now: all that is there cured in one visit, the way paid for once.

What is there is drawn from the chances; those in question by what was told hang together and are drawn together, the
others each by itself. What no look shows is not found in that visit: it brings its consequence before it is cured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.renewal.upkeep import Mask, Upkeep
from wearlore.trace import Fact, Solver, Suspect

TOGETHER = 12  # causes drawn together at most


@dataclass(frozen=True, slots=True)
class Standard:
    """Money to bring it to standard: ``draws`` (N,), one for each draw of what is there (``states`` (N, causes)).

    ``extra``: cause -> money more when it is there than when it is not, the other causes as they may be; ``likely``:
    causes that are likelier there than not.
    """

    draws: Array
    states: Mask
    extra: Mapping[str, float]

    @property
    def expected(self) -> float:
        return float(self.draws.mean())

    @property
    def clear(self) -> float:
        """Chance that nothing is there."""
        return float((~self.states.any(axis=1)).mean())

    def within(self, share: float) -> tuple[float, float]:
        """The middle ``share`` of the draws, money."""
        low, high = np.quantile(self.draws, [(1 - share) / 2, (1 + share) / 2])
        return float(low), float(high)


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
    suspects: Sequence[Suspect],
    there: Mask,
    shown: Mapping[str, float],
    consequence: Mapping[str, float],
) -> Standard:
    """``there`` (N, causes): draws of what is there, in the order of ``suspects``.

    ``shown``: cause -> chance that looking shows it; ``consequence``: mode -> money beyond its cure.
    """
    item = _items(upkeep, suspects)
    curing = np.zeros((len(suspects), len(upkeep.renewables)), np.bool_)
    for number, i in enumerate(item):
        if i is not None:
            curing[number, i] = True
            curing[number] |= upkeep.brings[i]
    beyond = np.array([consequence[one.mode] * (1 - shown[one.name]) for one in suspects])
    needs, price = _steps(upkeep)
    money = np.array([one.money for one in upkeep.renewables])

    def cost(of: Mask) -> Array:
        done = (of.astype(np.float32) @ curing) > 0
        steps = (done.astype(np.float32) @ needs) > 0
        total: Array = steps @ price + done @ money + of @ beyond
        return total

    extra = {}
    for number, one in enumerate(suspects):
        present, absent = there.copy(), there.copy()
        present[:, number], absent[:, number] = True, False
        extra[one.name] = float((cost(present) - cost(absent)).mean())
    return Standard(cost(there), there, extra)


def _items(upkeep: Upkeep, suspects: Sequence[Suspect]) -> list[int | None]:
    """The renewable that cures each suspect; None where the book has no cure."""
    place = {(one.unit, mode): i for i, one in enumerate(upkeep.renewables) for mode in one.modes}
    return [place.get((one.unit, one.mode)) for one in suspects]


def _steps(upkeep: Upkeep) -> tuple[NDArray[np.float32], Array]:
    """What each renewable needs (n, steps) as 0 and 1, and the prices of the steps."""
    names = sorted(upkeep.price)
    needs = np.array([[name in one.needs for name in names] for one in upkeep.renewables], np.float32)
    return needs.reshape(len(upkeep.renewables), len(names)), np.array([upkeep.price[name] for name in names])


def renewed_saves(bill: Standard, upkeep: Upkeep, later: Array, suspects: Sequence[Suspect]) -> dict[str, float]:
    """Cause -> what its cure saves later, since the piece is then new: ``later`` (n,) for each renewable, money.

    At most what it costs now: a good piece would be renewed as well if it saved more.
    """
    return {
        one.name: 0.0 if i is None else min(max(float(later[i]), 0.0), bill.extra[one.name])
        for one, i in zip(suspects, _items(upkeep, suspects), strict=True)
    }
