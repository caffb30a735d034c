"""What a buyer looks at, in the order of what knowing it is worth per minute.

The decision is to buy at the asking price or to leave it. Buying gains the even price less the asking price; leaving
gains nothing. The even price is linear in the chances: each fault takes off what it costs if it is there. What a look
is worth is then exact: the expected gain of deciding after it, over all that it may say, less that of deciding now
(expected value of sample information: Raiffa & Schlaifer 1961, *Applied Statistical Decision Theory*, ch. 4). It is
never below 0, and it is 0 where nothing that the look may say changes the decision. That a fault found is put right in
time is no part of it: the new owner can look as well.

A look counts alone: what two tell only together is not seen. Of one that shows more than `SIGHTS` things those count
that move the price most; its worth is then at least what is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from math import exp, isfinite

from wearlore.errors import NameNotKnown
from wearlore.trace import Fact, Look, Means, Network, Posterior, Sight, Solver
from wearlore.trace.network import not_seen, reported, seen

SIGHTS = 4  # of one look, weighed together
COVERS = 30.0  # minutes that laying open may take, closing included, for a buyer: covers, no more (judgement)
ROUNDING = 1e-9  # of the price


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a look may say: ``chance`` that it says "there", the even price after that and after "not there".

    ``changes``: whether one of the two, alone, turns the decision.
    """

    about: str
    chance: float
    if_there: float
    if_not: float
    changes: bool


@dataclass(frozen=True, slots=True)
class Inspected:
    """A look and its ``worth``, money; ``moves``: by how much it is expected to move the even price, either way.

    ``findings``: those that count, by what they are expected to move; ``clear``: chance that it says "not there" of all
    of these, and the even price then. ``minutes``: with what must still be laid open after the looks before it.
    """

    look: Look
    worth: float
    moves: float
    findings: tuple[Finding, ...]
    clear: tuple[float, float]
    minutes: float

    @property
    def per_minute(self) -> float:
        return self.worth / self.minutes


@dataclass(frozen=True)
class Offer:
    """Buy at ``price`` or leave it, while the vehicle is worth ``even`` by ``facts``. ``costs``: cause -> money that it
    takes off the even price when it is there rather than not."""

    solver: Solver
    facts: tuple[Fact, ...]
    costs: Mapping[str, float]
    even: float
    price: float
    _now: Posterior = field(init=False, repr=False)

    def __post_init__(self) -> None:
        known = [cause.name for cause in self.solver.network.causes]
        for name in self.costs:
            if name not in known:
                raise NameNotKnown("cause", name, known)
        object.__setattr__(self, "_now", self.solver.posterior(self.facts))

    def gain(self, even: float) -> float:
        """Of the better of buying and leaving."""
        return max(0.0, even - self.price)

    def even_after(self, said: Sequence[Fact]) -> float:
        """The even price when ``said`` is known beside."""
        chance, before = self.solver.posterior([*self.facts, *said]).chance, self._now.chance
        return self.even - sum(money * (chance[name] - before[name]) for name, money in self.costs.items())

    def inspected(self, look: Look) -> Inspected:
        sights = list(dict.fromkeys(look.sights))
        alone = {sight: self._finding(sight) for sight in sights}
        moving = {
            sight: found for sight, found in alone.items() if found and self._moved(found) > ROUNDING * self.price
        }
        kept = sorted(moving, key=lambda sight: -self._moved(moving[sight]))[:SIGHTS]
        outcomes = list(self._outcomes(kept))
        gain = sum(chance * self.gain(even) for _, chance, even in outcomes) - self.gain(self.even)
        return Inspected(
            look,
            gain if gain > ROUNDING * max(self.even, self.price) else 0.0,
            sum(chance * abs(even - self.even) for _, chance, even in outcomes),
            tuple(moving[sight] for sight in kept),
            next(((chance, even) for said, chance, even in outcomes if not any(said)), (0.0, self.even)),
            look.time,
        )

    def _finding(self, sight: Sight) -> Finding | None:
        """None for what can only be said one way."""
        said = {answer: (chance, even) for (answer,), chance, even in self._outcomes([sight])}
        if len(said) < 2:
            return None
        (chance, there), (_, absent) = said[True], said[False]
        changes = any((even > self.price) != (self.even > self.price) for even in (there, absent))
        return Finding(sight.about, chance, there, absent, changes)

    def _moved(self, found: Finding) -> float:
        return found.chance * abs(found.if_there - self.even) + (1 - found.chance) * abs(found.if_not - self.even)

    def _outcomes(self, sights: Sequence[Sight]) -> Iterator[tuple[tuple[bool, ...], float, float]]:
        """All that a look may say: its answers, the chance of them, the even price after them."""
        before = self._now.log_evidence
        for answers in product((False, True), repeat=len(sights)):
            said = [
                reported(s.about, answer, s.sensitivity, s.specificity)
                for s, answer in zip(sights, answers, strict=True)
            ]
            after = self.solver.log_evidence([*self.facts, *said])
            if isfinite(after):
                yield answers, exp(after - before), self.even_after(said)


def in_order(found: Sequence[Inspected], minutes: Callable[[str, frozenset[str]], float]) -> tuple[Inspected, ...]:
    """By falling worth per minute, then by what a minute moves the price; what is laid open counts once.

    ``minutes(name, done)``: of a look after the looks ``done``.
    """
    left, ordered, done = list(found), [], frozenset[str]()
    while left:
        times = {one.look.name: minutes(one.look.name, done) for one in left}
        best = max(left, key=lambda one: (one.worth / times[one.look.name], one.moves / times[one.look.name]))
        left.remove(best)
        ordered.append(Inspected(best.look, best.worth, best.moves, best.findings, best.clear, times[best.look.name]))
        done |= {best.look.name}
    return tuple(ordered)


# ------------------------------------------------------------------------------------------------- without dismantling
def without_dismantling(means: Means, inspection: str, opened: frozenset[str]) -> bool:
    """Whether a buyer can look so: at most covers come off, with no special tool, and nothing is spoiled or used up."""
    access = means.access
    needs = means.opens(means.case.book.inspections[inspection], opened)
    return (
        sum(60.0 * access.operations[o].total_hours for o in sorted(needs)) <= COVERS
        and not any(access.spoiled_by(o) or access.consumed_by(o) > 0 for o in needs)
        and not any(access.operations[o].all_tools for o in needs)
    )


@dataclass(frozen=True, slots=True)
class Sighted:
    """How well what a buyer can look at shows one cause: the greatest difference that its being there makes to the
    chance of any one finding."""

    cause: str
    shown: float


def sighted(solver: Solver, facts: Sequence[Fact], causes: Sequence[str], looks: Sequence[Look]) -> tuple[Sighted, ...]:
    """For each of ``causes``. A look at the cause itself shows it by its own accuracy."""
    sights = [sight for look in looks for sight in look.sights]
    touched = _touched(solver.network, facts)
    found = []
    for cause in causes:
        shown = 0.0
        names = sorted({sight.about for sight in sights} & touched[cause])
        there, absent = (solver.findings([*facts, fact], names) for fact in (seen(cause), not_seen(cause)))
        for sight in sights:
            accuracy = sight.sensitivity + sight.specificity - 1
            if sight.about == cause:
                shown = max(shown, accuracy)
            elif sight.about in there:
                shown = max(shown, accuracy * abs(there[sight.about] - absent[sight.about]))
        found.append(Sighted(cause, shown))
    return tuple(found)


def _touched(network: Network, facts: Sequence[Fact]) -> dict[str, frozenset[str]]:
    """Cause -> the findings whose chance its being there can change: those that it brings about, and where a fact tells
    of one of these, those that any other cause behind a fact brings about."""
    brings: dict[str, set[str]] = {cause.name: set() for cause in network.causes}
    behind: dict[str, set[str]] = {cause.name: {cause.name} for cause in network.causes}
    for finding in network.findings:  # each follows those upstream of it
        behind[finding.name] = set().union(*(behind[edge.parent] for edge in finding.edges))
        for cause in behind[finding.name]:
            brings[cause].add(finding.name)
    told = set().union(*(behind[fact.about] for fact in facts))
    together = frozenset().union(*(brings[cause] for cause in told))
    return {cause: together if cause in told else frozenset(names) for cause, names in brings.items()}
