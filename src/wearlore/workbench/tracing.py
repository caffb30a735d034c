"""A fault being traced on one vehicle: what is told so far in, the answer out; asked again as more is told."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields

import numpy as np

from wearlore.answers import Argument, Explained, LookAhead, Standing, Stop, Suspected, TracedFault, Withheld
from wearlore.book.model import Book, Inspection
from wearlore.estimate import Estimate
from wearlore.lives import Evidence
from wearlore.trace import Case, Fact, Means, NextStep, Solver, Suspect, Told, Worth, next_step, with_intervals

LIKELIEST = 5  # explanations told


@dataclass(frozen=True)
class Tracing:
    """One vehicle's case with the means at hand. ``supposed``: nobody said the odometer; ``evidence`` of each mode."""

    case: Case
    means: Means
    since: float
    supposed: bool
    evidence: Mapping[str, Evidence]
    unknown: tuple[str, ...] = ()
    solver: Solver = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "solver", Solver(self.case.network))

    @property
    def book(self) -> Book:
        return self.case.book

    def answer(self, told: Sequence[Told], off: Iterable[str] = (), skip: Collection[str] = ()) -> TracedFault:
        """``off``: operations that are done already; ``skip``: inspections not to be offered.

        Raises NameNotKnown, TraceError.
        """
        return self.onward(self.standing(told), off, skip)

    def onward(self, standing: Standing, off: Iterable[str] = (), skip: Collection[str] = ()) -> TracedFault:
        """The rest of the answer, from its `standing` on. Raises NameNotKnown, TraceError."""
        off = tuple(off)
        step = self.next_step(standing.told, off, skip)
        opened = self.means.access.reach(off)
        looks = tuple(self._look(worth, opened) for worth in step.worths)
        return TracedFault(
            **{one.name: getattr(standing, one.name) for one in fields(standing)},
            next=next((look for look in looks if step.look and look.inspection == step.look.name), None),
            reason=step.reason,
            looks=looks,
            withheld=tuple(self._withheld(standing.told, opened)),
            acting=step.acting,
            repairs={repair.name: (self._remedy(repair.name), repair.cost) for repair in self.means.repairs(off)},
        )

    def standing(self, told: Sequence[Told]) -> Standing:
        """What it may be, without what to look at next: the part of the answer that is there at once.

        Raises as `answer`.
        """
        told = tuple(dict.fromkeys(told))
        facts = self.case.facts(told)
        asked = self.solver.in_question(facts)
        vehicle = self.case.vehicle
        return Standing(
            vehicle=vehicle.id,
            variant=vehicle.variant,
            km=vehicle.km + self.since,
            supposed=self.supposed,
            since=self.since,
            unknown=self.unknown,
            stops=tuple(self._stops(told)),
            told=told,
            said=tuple(self.case.say(one) for one in told),
            suspects=self._suspects(facts, frozenset(asked)),
            explanations=tuple(
                Explained(e.causes, e.chance) for e in self.solver.explanations(facts, LIKELIEST, asked)
            ),
            unexplained=self.solver.none_of(facts, asked),
            arguments=tuple(self._arguments(told, facts, asked)),
        )

    def next_step(self, told: Sequence[Told], off: Iterable[str] = (), skip: Collection[str] = ()) -> NextStep:
        """Look on, or act now.

        What must be solved is what a person told; what an inspection showed beside that is weighed, not searched for.
        """
        complaint = [one for one in told if not one.by] or told
        stakes = self.means.stakes(self.solver.in_question(self.case.facts(complaint)))
        return next_step(
            self.solver, self.case.facts(told), self.means.looks(told, off, skip), self.means.repairs(off), stakes
        )

    def sights(self, inspection: str, told: Sequence[Told], off: Iterable[str] = ()) -> tuple[tuple[str, str], ...]:
        """What an inspection can show beyond what is known, each with its name."""
        looks = self.means.looks(told, off)
        shown = next((look.sights for look in looks if look.name == inspection), ())
        return tuple((sight.about, self._called(sight.about)) for sight in shown)

    # suspects

    def _suspects(self, facts: Sequence[Fact], asked: frozenset[str]) -> tuple[Suspected, ...]:
        chances = with_intervals(self.solver, self.case.suspects, facts)
        rows = [self._suspected(s, *chances[s.name], asked=s.name in asked) for s in self.case.suspects]
        return tuple(sorted(rows, key=lambda row: (not row.asked, -row.chance.value)))

    def _suspected(self, suspect: Suspect, prior: Estimate, chance: Estimate, *, asked: bool) -> Suspected:
        mode = self.book.modes[suspect.mode]
        return Suspected(
            suspect.name, mode.name, mode.component, suspect.position, suspect.mode, prior, chance, asked,
            suspect.open, suspect.age, suspect.unseen, self.evidence.get(suspect.mode, Evidence()),
        )  # fmt: skip

    def _arguments(self, told: Sequence[Told], facts: Sequence[Fact], asked: Sequence[str]) -> Iterator[Argument]:
        for one, influence in zip(told, self.solver.influence(facts), strict=True):
            with np.errstate(over="ignore"):
                factors = {name: float(np.exp(influence.log_odds[name])) for name in asked}
            yield Argument(self.case.say(one), factors)

    # rules and looks

    def _stops(self, told: Sequence[Told]) -> Iterator[Stop]:
        for id_, rule, met in self.case.rules(told):
            yield Stop(id_, rule.name, rule.signal, rule.text, tuple(self.book.observations[name].name for name in met))

    def _bars(self, inspection: Inspection, hazards: Sequence[str], opened: frozenset[str]) -> bool:
        return bool(self.means.hazards(inspection, opened) & frozenset(hazards))

    def _withheld(self, told: Sequence[Told], opened: frozenset[str]) -> Iterator[Withheld]:
        for id_, inspection in self.book.inspections.items():
            for _, rule, _ in self.case.rules(told):
                if self._bars(inspection, rule.bars, opened):
                    yield Withheld(id_, inspection.name, f"not while this holds: {rule.name}")
                    break
            else:
                if tools := sorted(self.means.missing_tools(inspection)):
                    names = ", ".join(self.book.tools[tool].name for tool in tools)
                    yield Withheld(id_, inspection.name, f"missing here: {names}")

    def _look(self, worth: Worth, opened: frozenset[str]) -> LookAhead:
        look, inspection = worth.look, self.book.inspections[worth.look.name]
        hazards = [h for h in self.book.hazards if h in self.means.hazards(inspection, opened)]
        return LookAhead(
            look.name,
            inspection.name,
            look.minutes,
            look.access_minutes,
            worth.cost,
            worth.saving,
            worth.per_minute,
            tuple(self._called(sight.about) for sight in look.sights),
            tuple(self._called(name) for name in worth.sights),
            tuple(self.means.access.operations[o].name for o in sorted(self.means.opens(inspection, opened))),
            tuple((self.book.hazards[h].signal, self.book.hazards[h].caution) for h in hazards),
        )

    def _called(self, name: str) -> str:
        """An observation or cause by name."""
        if name in self.book.observations:
            return self.book.observations[name].name
        mode, _, position = name.partition("@")
        return f"{self.book.modes[mode].name}{f' ({position})' if position else ''}"

    def _remedy(self, name: str) -> str:
        remedy, _, position = name.partition("@")
        return f"{self.book.remedies[remedy].name}{f' ({position})' if position else ''}"
