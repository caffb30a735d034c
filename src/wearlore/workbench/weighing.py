"""A visit of one vehicle being weighed: the terms in, the choice out; asked again as they are moved."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from wearlore.access import Access
from wearlore.answers import Opened, OwnChoice, WeighedVisit
from wearlore.estimate import Estimate
from wearlore.scope import Builder, Ground, Problem, Solution, Terms, outline, settle
from wearlore.scope.advice import estimate
from wearlore.vehicle import Vehicle


@dataclass(frozen=True)
class Weighing:
    """One vehicle with the tools at hand. ``unknown``: modes left out, of which there is neither record nor judgement.

    What does not hang on the terms is reckoned once. Not to be asked from two threads at a time.
    """

    ground: Ground
    unknown: tuple[str, ...] = ()

    @property
    def vehicle(self) -> Vehicle:
        return self.ground.vehicle

    def weigh(self, terms: Terms) -> WeighedVisit:
        """What to do under ``terms``, and what the person's own choices cost beside the advice without them.

        Figures are those of `scope.problem` with the share of set-up that the terms name. Raises NameNotKnown, and
        ScopeError when demands collide.
        """
        problem, solution = self._chosen(terms)
        made = outline(problem, solution)
        own = self._beside(problem, solution, _unasked(terms)) if terms.include or terms.refuse else None
        return WeighedVisit(self.vehicle, terms, made, own, self.opened([(one.unit, one.remedy) for one in made.doing]))

    def opened(self, doing: Sequence[tuple[str, str]]) -> tuple[Opened, ...]:
        """The operations that ``doing`` (unit, remedy) reaches."""
        return tuple(opened(self.ground.access, doing))

    def own(self, terms: Terms) -> tuple[OwnChoice, ...]:
        """What each of the person's own choices costs, the others standing: against the best with it left open."""
        problem, solution = self._chosen(terms)
        return tuple(
            self._beside(problem, solution, one, unit=unit, wanted=wanted) for unit, wanted, one in _without_each(terms)
        )

    def _beside(
        self, problem: Problem, solution: Solution, free: Terms, *, unit: str = "", wanted: str = ""
    ) -> OwnChoice:
        """The choice beside the one under ``free`` terms."""
        other_problem, other = self._chosen(free)
        adds = problem.later(solution.chosen) - other_problem.later(other.chosen)
        now = problem.visit_cost(solution.chosen) - other_problem.visit_cost(other.chosen)
        mine, theirs = _done(problem, solution), _done(other_problem, other)
        return OwnChoice(
            unit, wanted, now, _plus(estimate(adds), now), tuple(sorted(mine - theirs)), tuple(sorted(theirs - mine))
        )

    def _chosen(self, terms: Terms) -> tuple[Problem, Solution]:
        program, solution = settle(Builder(self.ground, terms).problem(turns=False))
        return program.problem, solution


def _done(problem: Problem, solution: Solution) -> frozenset[str]:
    """Names of the units that are done."""
    return frozenset(problem.candidates[problem.options[o].unit].name for o in solution.chosen)


def _plus(one: Estimate, money: float) -> Estimate:
    return replace(one, value=one.value + money, low=one.low + money, high=one.high + money)


def _unasked(terms: Terms) -> Terms:
    return replace(terms, include=frozenset(), refuse=frozenset())


def _without_each(terms: Terms) -> Iterator[tuple[str, str, Terms]]:
    for name in sorted(terms.include):
        yield name, "in", replace(terms, include=terms.include - {name})
    for name in sorted(terms.refuse):
        yield name, "out", replace(terms, refuse=terms.refuse - {name})


def opened(access: Access, doing: Sequence[tuple[str, str]]) -> Iterator[Opened]:
    """The operations that ``doing`` (unit, remedy) reaches, each below the last that must come off for it.

    In the order in which a person reads them: what stands free first, below it what it gives way to.
    """
    asking = {unit: access.of_remedy(access.book.remedies[remedy], unit.partition("/")[2]) for unit, remedy in doing}
    reached = {unit: access.reach(operations) for unit, operations in asking.items()}
    all_ = access.reach([operation for operations in asking.values() for operation in operations])
    listed = [name for name in access.operations if name in all_]
    before = {name: [b for b in access.reach(access.operations[name].needs) if b in all_] for name in listed}
    depth: dict[str, int] = {}
    for name in sorted(listed, key=lambda name: len(before[name])):
        depth[name] = 1 + max((depth[b] for b in before[name] if b in depth), default=-1)
    above = {name: max(before[name], key=lambda b: (depth[b], -listed.index(b)), default="") for name in listed}

    def below(parent: str, level: int) -> Iterator[Opened]:
        for name in (one for one in listed if above[one] == parent):
            operation = access.operations[name]
            yield Opened(
                name,
                _placed(operation.name, name),
                level,
                operation.total_hours,
                tuple(unit for unit, names in reached.items() if name in names),
                tuple(unit for unit, names in asking.items() if name in names),
                tuple(_placed(access.operations[b].name, b) for b in _direct(access, name, all_ - {parent})),
            )
            yield from below(name, level + 1)

    return below("", 0)


def _direct(access: Access, name: str, among: Collection[str]) -> list[str]:
    return [b for b in dict.fromkeys(access.operations[name].needs) if b in among]


def _placed(called: str, name: str) -> str:
    position = name.partition("@")[2]
    return f"{called} ({position})" if position and position not in called else called
