"""What can be looked at and what can be done in one case, with its minutes and money."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from wearlore.access import Access
from wearlore.book.model import Inspection
from wearlore.trace.case import Case, Told
from wearlore.trace.looking import Look, Repair, Sight, Stakes
from wearlore.vehicle import FittedUnit
from wearlore.ways import Visit, Way, Ways

CHECK_MINUTES = 15.0  # to drive and see whether the complaint is gone (common practice, no source)


@dataclass(frozen=True, slots=True)
class _Cure:
    """A way to cure a unit, named ``REMEDY`` or ``REMEDY@POSITION``, and the visit made for it alone."""

    name: str
    way: Way
    visit: Visit


@dataclass(frozen=True)
class Means:
    """Inspections and remedies for a case. ``visit_fixed``: what coming back later costs the owner beside the cure."""

    case: Case
    access: Access
    labour_rate: float
    visit_fixed: float

    @property
    def per_minute(self) -> float:
        """Money."""
        return self.labour_rate / 60.0

    def looks(self, told: Sequence[Told], off: Iterable[str] = (), skip: Collection[str] = ()) -> tuple[Look, ...]:
        """What is left to look at, but for the inspections to ``skip``.

        ``off``: operations that are done already. Raises NameNotKnown.
        """
        opened = self.access.reach(off)
        barred = {hazard for _, rule, _ in self.case.rules(told) for hazard in rule.bars}
        found = []
        for id_, inspection in self.case.book.inspections.items():
            needs = sorted(self.opens(inspection, opened))
            sights = tuple(self._sights(id_, inspection, told))
            if id_ in skip or not sights or self.missing_tools(inspection) or self.hazards(inspection, opened) & barred:
                continue
            hours = sum(self.access.operations[o].total_hours for o in needs)
            money = sum(self.access.consumed_by(o) for o in needs)
            money += sum(self.access.parts_price(self.access.spoiled_by(o), {}) for o in needs)
            tools = {*inspection.tools, *(tool for o in needs for tool in self.access.operations[o].all_tools)}
            money += sum(self.access.hire(tool) for tool in sorted(tools))
            found.append(Look(id_, inspection.minutes, sights, 60.0 * hours, money))
        return tuple(found)

    def opens(self, inspection: Inspection, opened: frozenset[str]) -> frozenset[str]:
        """Operations that must still be done before it."""
        return self.access.reach(inspection.needs) - opened

    def missing_tools(self, inspection: Inspection) -> frozenset[str]:
        """Tools for it that this workshop does not have."""
        wanted = {*inspection.tools, *self.access.tools(inspection.needs)}
        return self.access.missing_tools & wanted

    def hazards(self, inspection: Inspection, opened: frozenset[str]) -> frozenset[str]:
        """Hazards met in it and on the way to it."""
        operations = (self.access.operations[o] for o in self.opens(inspection, opened))
        return frozenset(inspection.hazards).union(*(o.hazards for o in operations))

    def _sights(self, id_: str, inspection: Inspection, told: Sequence[Told]) -> Iterator[Sight]:
        """What it would show beyond what a person has said and what it has shown already."""
        known = {one.about for one in told if one.by in ("", id_)}
        for name, sure in inspection.observes.items():
            if name not in known:
                yield Sight(name, sure.sensitivity, sure.specificity)
        for suspect in self.case.suspects:
            if suspect.mode in inspection.tells and suspect.name not in known:
                sure = inspection.tells[suspect.mode]
                yield Sight(suspect.name, sure.sensitivity, sure.specificity)

    @cached_property
    def _ways(self) -> Ways:
        return Ways(self.access, self.case.vehicle.units)

    @cached_property
    def _cures(self) -> Mapping[str, _Cure]:
        """Cause -> the way that cures it for least money in a visit of its own."""
        units = {unit.name: unit for unit in self.case.vehicle.units}
        cures = {name: [self._cure(unit, way) for way in self._ways.of_unit[name]] for name, unit in units.items()}
        found = {}
        for suspect in self.case.suspects:
            able = [cure for cure in cures[suspect.unit] if cure and suspect.mode in cure.way.effect.cures]
            if able:
                found[suspect.name] = min(able, key=self._cost)
        return found

    def _cure(self, unit: FittedUnit, way: Way) -> _Cure | None:
        """None for what only guards, or wants a tool that is missing."""
        if way.effect.lowers is not None or way.tools:
            return None
        return _Cure(f"{way.remedy}@{unit.position}" if unit.position else way.remedy, way, self._ways.visit(unit, way))

    def _cost(self, cure: _Cure, opened: frozenset[str] = frozenset()) -> float:
        """Money of a repair now; what is ``opened`` already is not paid again."""
        done = sum(self.access.operations[o].total_hours for o in sorted(cure.way.operations & opened))
        return self.labour_rate * max(cure.visit.hours - done, 0.0) + cure.visit.materials

    def repairs(self, off: Iterable[str] = ()) -> tuple[Repair, ...]:
        """The cheapest cure of each cause, those that one remedy cures together in one; named ``REMEDY`` or
        ``REMEDY@POSITION``."""
        opened = self.access.reach(off)
        together: dict[str, tuple[_Cure, list[str]]] = {}
        for name, cure in self._cures.items():
            together.setdefault(cure.name, (cure, []))[1].append(name)
        return tuple(
            Repair(called, self._cost(cure, opened), tuple(names)) for called, (cure, names) in together.items()
        )

    def stakes(self, asked: Iterable[str]) -> Stakes:
        """What is at stake in the causes ``asked`` about: the consequence of each that is left.

        While any is left the complaint is not solved and brings the vehicle back: in a visit of its own all that may be
        behind it is then cured. So a fault may be left for its small chance, never for its price.
        """
        wanted = tuple(asked)
        modes = {suspect.name: self.case.book.modes[suspect.mode] for suspect in self.case.suspects}
        each = {self._cures[name].name: self._cost(self._cures[name]) for name in wanted if name in self._cures}
        return Stakes(
            left={name: modes[name].consequence.cost for name in wanted},
            per_minute=self.per_minute,
            check=CHECK_MINUTES * self.per_minute,
            in_question=wanted,
            unsolved=self.visit_fixed + sum(each.values()) if each else 0.0,
        )
