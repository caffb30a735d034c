"""What can be done about a failure mode, and what that takes."""

from __future__ import annotations

from collections.abc import Iterator

from wearlore import plan as planning
from wearlore.access import Access
from wearlore.answers.remedies import ModeRemedies, RemedyAlone
from wearlore.errors import CannotOccur, NameNotKnown
from wearlore.vehicle import FittedUnit
from wearlore.ways import Way, Ways
from wearlore.workbench.depth import Depths


class Remedies(Depths):
    """The book's remedies with their hours and their money."""

    def remedies(self, mode: str, *, variant: str | None = None) -> ModeRemedies:
        """The ways to cure or hold off ``mode``, each alone; ``variant``: by default the first that can have it.

        Raises NameNotKnown, CannotOccur.
        """
        component = self._mode(mode).component
        fitted = variant or next(self.book.variants_with(mode))
        if fitted not in self.book.variants:
            raise NameNotKnown("variant", fitted, self.book.variants)
        built = self._newest_built(fitted)
        ways = Ways(Access.of(self.book, fitted, built), planning.as_built(self.book, fitted, built).units)
        unit = next((unit for unit in ways.units if unit.component == component), None)
        if unit is None:
            raise CannotOccur(mode, "a vehicle", fitted)
        found = sorted(self._alone(ways, unit, mode), key=lambda one: (one.money, one.remedy))
        return ModeRemedies(mode, fitted, unit.position, self.book.economics.labour_rate, tuple(found))

    def _alone(self, ways: Ways, unit: FittedUnit, mode: str) -> Iterator[RemedyAlone]:
        economics = self.book.economics
        for way in ways.of_unit[unit.name]:
            entry = self.book.remedies[way.remedy]
            if mode not in entry.cures:
                continue
            visit, operations = ways.visit(unit, way), _operations(ways, unit, way)
            tools = ways.access.tools(operations)
            yield RemedyAlone(
                remedy=way.remedy,
                name=entry.name,
                kind=entry.kind,
                restores=entry.restores,
                lowers=entry.lowers,
                grade=way.grade,
                revision=way.effect.revision or "",
                hours=visit.hours,
                parts=visit.parts,
                beside=visit.materials - visit.parts,
                money=economics.visit_fixed + economics.labour_rate * visit.hours + visit.materials,
                companions=tuple(self.book.remedies[id_].name for id_ in entry.companions),
                tools=tuple(self.book.tools[tool].name for tool in sorted(tools)),
                missing=tuple(self.book.tools[tool].name for tool in sorted(tools & ways.access.missing_tools)),
                operations=operations,
                procedure=entry.procedure,
                note=entry.note,
            )


def _operations(ways: Ways, unit: FittedUnit, way: Way) -> tuple[str, ...]:
    """All that is done in a visit for it, in the book's order."""
    done = way.operations.union(*(other.operations for other in ways.with_companions(unit, way)))
    return tuple(id_ for id_ in ways.access.operations if id_ in done)
