"""One vehicle's case: the network of what it may have and what that brings about, and what was said of it as facts.

Findings are the book's observations; a reading's finding is that its true value lies beyond the limit. Fluid runs from
a wet zone to those below it: each wet observation of a zone has those of the zones above, of the same fluid, among its
parents. A zone of which the book has no observation of that fluid passes it on unseen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import exp

from wearlore.book.model import Accuracy, Book, Rule
from wearlore.errors import CannotOccur, NameNotKnown, TraceError
from wearlore.trace.network import Cause, Edge, Fact, Finding, Network, reported
from wearlore.trace.suspects import Suspect
from wearlore.vehicle import Vehicle

SPREADS = 2 * 1.6449  # standard deviations between the 5 % and the 95 % point of a normal
MISREAD = 0.01  # share of readings that are simply wrong: misread, or taken of something else (judgement)
CERTAIN = Accuracy(sensitivity=1.0, specificity=1.0)


@dataclass(frozen=True, slots=True)
class Told:
    """One thing said: an observation, or a cause (``MODE``, ``MODE@POSITION``) looked at, is there or is not.

    ``value``: of a reading, in its unit, in the place of ``present``. ``by``: the inspection that showed it, and with
    whose accuracy it counts. Without one it counts as certain: a person saw it and stands by it.
    """

    about: str
    present: bool = True
    value: float | None = None
    by: str = ""


@dataclass(frozen=True)
class Case:
    """What can be traced on one vehicle."""

    book: Book
    vehicle: Vehicle
    suspects: tuple[Suspect, ...]

    # ------------------------------------------------------------------------------------------------------- network
    @cached_property
    def network(self) -> Network:
        """Raises TraceError for a prior or chance that is none."""
        causes = tuple(Cause(suspect.name, suspect.prior) for suspect in self.suspects)
        parents: dict[str, list[Edge]] = {id_: [] for id_ in self.book.observations}
        for suspect in self.suspects:
            for observation, chance in self.book.modes[suspect.mode].observations.items():
                parents[observation].append(Edge(suspect.name, chance))
        wet = (o.fluid for o in self.book.observations.values() if o.kind == "wet")
        for fluid in dict.fromkeys(fluid for fluid in wet if fluid):
            for finding, above in self._flow(fluid):
                parents.setdefault(finding, []).extend(above)
        leaks = {id_: observation.leak for id_, observation in self.book.observations.items()}
        return Network(causes, tuple(Finding(name, leaks.get(name, 0.0), tuple(e)) for name, e in parents.items()))

    def _flow(self, fluid: str) -> Iterator[tuple[str, list[Edge]]]:
        """What stands for the fluid in each zone, with the edges to it from the zones above."""
        standing: dict[str, list[str]] = {zone: [] for zone in self.book.zones}
        for id_, observation in self.book.observations.items():
            if observation.kind == "wet" and observation.fluid == fluid and observation.zone:
                standing[observation.zone].append(id_)
        for zone, found in standing.items():
            standing[zone] = found or [f"{fluid} in {zone}"]
        for zone, found in standing.items():
            above = [
                Edge(upper, entry.runs_to[zone])
                for other, entry in self.book.zones.items()
                if zone in entry.runs_to
                for upper in standing[other]
            ]
            yield from ((finding, above) for finding in found)

    # --------------------------------------------------------------------------------------------------------- facts
    def facts(self, told: Sequence[Told]) -> tuple[Fact, ...]:
        """What was said as likelihoods, one for each.

        Raises NameNotKnown; CannotOccur; TraceError for a reading of which the book says nothing, or one thing said to
        be there and not there.
        """
        said: dict[tuple[str, str], Told] = {}
        for one in told:
            self._check(one)
            before = said.setdefault((one.about, one.by), one)
            if before != one:
                raise TraceError(f"it is said: {self.say(before)}; and: {self.say(one)}", "Both cannot be: look again")
        return tuple(self._fact(one) for one in told)

    def say(self, one: Told) -> str:
        """In words: ``Oil at the bell housing: there (Look underneath with a lamp)``. The name must be known."""
        by = f" ({self.book.inspections[one.by].name})" if one.by else ""
        observation = self.book.observations.get(one.about)
        if observation and one.value is not None:
            return f"{observation.name}: {one.value:g} {observation.unit or ''}".rstrip() + by
        mode, _, position = one.about.partition("@")
        name = observation.name if observation else self.book.modes[mode].name
        place = f" ({position})" if position else ""
        return f"{name}{place}: {'there' if one.present else 'not there'}{by}"

    def _check(self, one: Told) -> None:
        if one.by and one.by not in self.book.inspections:
            raise NameNotKnown("inspection", one.by, self.book.inspections)
        observation = self.book.observations.get(one.about)
        if observation is None:
            self._check_cause(one.about)
        if one.value is not None and (observation is None or observation.kind != "reading"):
            raise TraceError(f"{one.about} is not a reading", "Say only whether it is there")

    def _check_cause(self, name: str) -> None:
        mode, _, position = name.partition("@")
        known = [suspect.name for suspect in self.suspects]
        here = [other for other in known if other.partition("@")[0] == mode]
        if mode not in self.book.modes:
            raise NameNotKnown("observation or failure mode", name, [*self.book.observations, *known])
        if not here:
            raise CannotOccur(mode, self.vehicle.id, self.vehicle.variant)
        if name not in known:
            raise NameNotKnown(f"position of {mode}", position, here)

    def _fact(self, one: Told) -> Fact:
        sure = self._accuracy(one)
        observation = self.book.observations.get(one.about)
        if observation and one.value is not None:
            if observation.sound and observation.faulty:
                return Fact(one.about, *_likelihoods(one.value, observation.sound, observation.faulty), self.say(one))
            if observation.limit is None:
                raise TraceError(f"the book states neither a limit nor ranges of {one.about}", "Write them there")
        fact = reported(one.about, self.is_there(one), sure.sensitivity, sure.specificity)
        return Fact(one.about, fact.absent, fact.present, self.say(one))

    def is_there(self, one: Told) -> bool:
        """Whether it was seen, or read beyond its limit."""
        limit = self.book.observations[one.about].limit if one.value is not None else None
        if one.value is None or limit is None:
            return one.present
        return one.value > limit if self.book.observations[one.about].worse == "higher" else one.value < limit

    def _accuracy(self, one: Told) -> Accuracy:
        if one.by:
            inspection = self.book.inspections[one.by]
            shown = {**inspection.observes, **inspection.tells}
            name = one.about if one.about in shown else one.about.partition("@")[0]
            if name not in shown:
                raise NameNotKnown(f"thing that {one.by} shows", one.about, shown)
            return shown[name]
        return CERTAIN

    # --------------------------------------------------------------------------------------------------------- rules
    def rules(self, told: Sequence[Told]) -> Iterator[tuple[str, Rule, tuple[str, ...]]]:
        """The stop-driving rules that hold now, with the observations that bring them."""
        there = {one.about for one in told if self.is_there(one)}
        for id_, rule in self.book.rules.items():
            if met := tuple(name for name in rule.when if name in there):
                yield id_, rule, met


def _likelihoods(value: float, sound: tuple[float, float], faulty: tuple[float, float]) -> tuple[float, float]:
    """Of a reading if its piece is sound and if it is faulty, up to one factor.

    Both normal about the middles of their ranges, with the wider of the two spreads, so that the ratio only rises
    towards the faulty side; mixed with a share of readings that say nothing.
    """
    middles = [(low + high) / 2 for low, high in (sound, faulty)]
    spread = max(high - low for low, high in (sound, faulty)) / SPREADS
    squares = [((value - middle) / spread) ** 2 / 2 for middle in middles]
    nearest = min(squares)
    good, bad = (exp(nearest - square) for square in squares)
    return MISREAD + (1 - MISREAD) * good, MISREAD + (1 - MISREAD) * bad
