"""What to look at next: the look with the greatest expected saving per minute, or stop and act.

The value of a look is myopic and exact: the expected cost of the best way to act (see `acting`) after each thing that
it may say, weighed by the chance that it says so, against acting now; less what it costs. Two looks that help only
together each show a value of 0.

Of the causes in question (those behind the complaint), the `REPAIRS` that could avert most are weighed together, in
batches with checks between them; a check shows whether one of the faults that these cure is still there. For each
further fault its chance alone decides whether its cheapest repair is worth the money. Which repairs are weighed
together stays the same after a look, so no look is worth less than nothing. Of a look that shows more than `SIGHTS`
things, those `SIGHTS` count that alone save most: its saving is then at least what is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import exp, inf, isfinite

import numpy as np

from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace.acting import best_way
from wearlore.trace.network import Fact, reported
from wearlore.trace.posterior import Solver

REPAIRS = 8  # weighed together
FAULTS = 8  # that these cure, at most
SIGHTS = 4  # of one look, weighed together
NOTHING = 1e-9  # money that a sight moves when it tells nothing of what is at stake: rounding


@dataclass(frozen=True, slots=True)
class Sight:
    """A cause or finding that a look shows, and how well."""

    about: str
    sensitivity: float
    specificity: float

    def __post_init__(self) -> None:
        if not (0 < self.sensitivity <= 1 and 0 < self.specificity <= 1):
            raise TraceError(
                f"a look at {self.about!r} has sensitivity {self.sensitivity:g} and specificity {self.specificity:g}",
                "Each lies above 0 and is at most 1",
            )


@dataclass(frozen=True, slots=True)
class Look:
    """An inspection. ``access_minutes`` and ``access_cost`` (parts spoiled on the way, money) count unless paid."""

    name: str
    minutes: float
    sights: tuple[Sight, ...]
    access_minutes: float = 0.0
    access_cost: float = 0.0
    access_paid: bool = False

    def __post_init__(self) -> None:
        if not (0 < self.minutes < inf and 0 <= self.access_minutes < inf and 0 <= self.access_cost < inf):
            raise TraceError(f"look {self.name!r} takes no time, or less than nothing", "Give its minutes and costs")

    @property
    def time(self) -> float:
        """Minutes, with access that is still to be made."""
        return self.minutes + (0.0 if self.access_paid else self.access_minutes)

    def cost(self, per_minute: float) -> float:
        """Money."""
        return self.time * per_minute + (0.0 if self.access_paid else self.access_cost)


@dataclass(frozen=True, slots=True)
class Repair:
    """Cures causes for certain; ``cost``: its parts and labour, money, paid also when it was the wrong one."""

    name: str
    cost: float
    cures: tuple[str, ...]

    def __post_init__(self) -> None:
        if not 0 <= self.cost < inf:
            raise TraceError(f"repair {self.name!r} costs {self.cost:g}", "Its cost is 0 or more")


@dataclass(frozen=True, slots=True)
class Stakes:
    """``left``: money that each cause costs if it is there and left; causes not named cost nothing.

    ``per_minute``: money for a minute of looking; ``check``: money for seeing whether a fault in question is still
    there; ``in_question``: the causes of which a check would show that, None: those that can bring about something that
    the facts speak for. ``unsolved``: money if any fault in question, of those weighed together, is left at the end.
    """

    left: Mapping[str, float]
    per_minute: float
    check: float
    in_question: tuple[str, ...] | None = None
    unsolved: float = 0.0

    def __post_init__(self) -> None:
        money = {"a minute": self.per_minute, "a check": self.check, "what is unsolved": self.unsolved, **self.left}
        for what, value in money.items():
            if not 0 <= value < inf:
                raise TraceError(f"{what} at {value:g}", "Each cost is 0 or more")


@dataclass(frozen=True, slots=True)
class Step:
    """Repairs done together (none: only check), and whether a check follows.

    The next step is for when the check finds a fault.
    """

    repairs: tuple[str, ...]
    check: bool


@dataclass(frozen=True, slots=True)
class Acting:
    """Expected cost (money) of acting without another look, and how.

    ``beside``: repairs of further faults, each worth its money by the chance of these alone.
    """

    cost: float
    steps: tuple[Step, ...]
    beside: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Worth:
    """A look: what it is expected to save (money) and costs. ``sights``: what it shows and is counted."""

    look: Look
    saving: float
    cost: float
    sights: tuple[str, ...]

    @property
    def net(self) -> float:
        return self.saving - self.cost

    @property
    def per_minute(self) -> float:
        return self.net / self.look.time


@dataclass(frozen=True, slots=True)
class NextStep:
    """``look`` next, or None: act now. ``worths``: all looks, by falling net saving per minute."""

    look: Look | None
    reason: str
    acting: Acting
    worths: tuple[Worth, ...]


def next_step(
    solver: Solver, facts: Sequence[Fact], looks: Sequence[Look], repairs: Sequence[Repair], stakes: Stakes
) -> NextStep:
    """Look on or act now, given the facts so far.

    Raises NameNotKnown, TraceError (see `Solver.posterior`).
    """
    decision = _Decision(solver, facts, repairs, stakes)
    now = decision.acting(facts)
    worths = sorted((decision.worth(look, facts, now) for look in looks), key=lambda worth: -worth.per_minute)
    best = worths[0] if worths and worths[0].net > 0 else None
    return NextStep(best.look if best else None, _reason(best, now, worths), now, tuple(worths))


def _reason(best: Worth | None, now: Acting, worths: Sequence[Worth]) -> str:
    if best:
        return (
            f"{best.look.name} is expected to save {best.saving:,.2f} for {best.cost:,.2f}: "
            f"{best.per_minute:,.2f} a minute net, more than any other look"
        )
    if not worths:
        return f"there is nothing left to look at; acting now is expected to cost {now.cost:,.2f}"
    near = max(worths, key=lambda worth: worth.net)
    return (
        f"acting now, expected to cost {now.cost:,.2f}, is cheaper than looking: the best look, {near.look.name}, "
        f"would save {near.saving:,.2f} and cost {near.cost:,.2f}"
    )


class _Decision:
    """Which repairs are weighed together, fixed by the facts at hand, and the best way to act under any facts."""

    def __init__(self, solver: Solver, facts: Sequence[Fact], repairs: Sequence[Repair], stakes: Stakes) -> None:
        self.solver, self.stakes = solver, stakes
        causes = frozenset(cause.name for cause in solver.network.causes)
        asked = solver.in_question(facts) if stakes.in_question is None else stakes.in_question
        for name in (*stakes.left, *asked, *(cause for repair in repairs for cause in repair.cures)):
            if name not in causes:
                raise NameNotKnown("cause", name, causes)
        chance = solver.posterior(facts).chance
        self.at_stake = {name: left for name, left in stakes.left.items() if left > 0}
        self.together: list[tuple[Repair, list[str]]] = []
        self.faults: list[str] = []
        able = [(repair, [name for name in dict.fromkeys(repair.cures) if name in asked]) for repair in repairs]
        averted = [
            sum(chance[name] * (stakes.left.get(name, 0.0) + stakes.unsolved) for name in cures) for _, cures in able
        ]
        for i in sorted(range(len(able)), key=lambda i: -averted[i]):
            faults = list(dict.fromkeys((*self.faults, *able[i][1])))
            if averted[i] > 0 and len(self.together) < REPAIRS and len(faults) <= FAULTS:
                self.together.append(able[i])
                self.faults = faults
        self.left = np.array([self.at_stake.get(name, 0.0) for name in self.faults])
        self.costs = np.array([repair.cost for repair, _ in self.together])
        self.cures = [frozenset(map(self.faults.index, cures)) for _, cures in self.together]
        self.worth_knowing = self.at_stake | {
            name: self.at_stake.get(name, 0.0) + stakes.unsolved for name in self.faults
        }
        self.beside: dict[Repair | None, list[str]] = {}
        for name in self.at_stake:
            if name not in self.faults:
                curing = (repair for repair in repairs if name in repair.cures)
                self.beside.setdefault(min(curing, key=lambda repair: repair.cost, default=None), []).append(name)

    def acting(self, facts: Sequence[Fact]) -> Acting:
        way = best_way(
            self.solver.joint(facts, self.faults),
            self.left,
            self.costs,
            self.cures,
            self.stakes.check,
            self.stakes.unsolved,
        )
        cost, done = way.cost, []
        chance = self.solver.posterior(facts).chance if self.beside else {}
        for repair, names in self.beside.items():
            leave = sum(chance[name] * self.at_stake[name] for name in names)
            if repair and repair.cost < leave:
                done.append(repair.name)
            cost += min(leave, repair.cost) if repair else leave
        steps = (Step(tuple(self.together[i][0].name for i in batch.repairs), batch.check) for batch in way.batches)
        return Acting(cost, tuple(steps), tuple(done))

    def worth(self, look: Look, facts: Sequence[Fact], now: Acting) -> Worth:
        sights = list(dict.fromkeys(look.sights))
        if len(sights) > SIGHTS:
            alone = {sight: self._alone(sight, facts) for sight in sights}
            telling = (sight for sight in sights if alone[sight][1] < -NOTHING)
            sights = sorted(telling, key=lambda sight: alone[sight])[:SIGHTS]
        after = sum(chance * self.acting(known).cost for chance, known in self._outcomes(sights, facts))
        saving = max(0.0, now.cost - after)
        return Worth(look, saving, look.cost(self.stakes.per_minute), tuple(sight.about for sight in sights))

    def _alone(self, sight: Sight, facts: Sequence[Fact]) -> tuple[float, float]:
        """To sort by: expected cost after this sight alone; then how little it moves what is at stake."""
        before = self.solver.posterior(facts).chance
        cost = moved = 0.0
        for weight, known in self._outcomes([sight], facts):
            after = self.solver.posterior(known).chance
            cost += weight * self.acting(known).cost
            moved += weight * sum(money * abs(after[name] - before[name]) for name, money in self.worth_knowing.items())
        return cost, -moved

    def _outcomes(self, sights: Sequence[Sight], facts: Sequence[Fact]) -> Iterator[tuple[float, list[Fact]]]:
        """Each thing that a look may say: its chance, and the facts known after it."""
        before = self.solver.log_evidence(facts)
        for answers in product((False, True), repeat=len(sights)):
            said = [
                reported(s.about, answer, s.sensitivity, s.specificity)
                for s, answer in zip(sights, answers, strict=True)
            ]
            after = self.solver.log_evidence([*facts, *said])
            if isfinite(after):
                yield exp(after - before), [*facts, *said]
