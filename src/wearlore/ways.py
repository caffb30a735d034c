"""The ways to cure the units of a vehicle: each remedy in each source grade, and what a visit for it alone takes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from wearlore.access import Access
from wearlore.book.model import Grade, Offer, Remedy
from wearlore.renewal import Effect
from wearlore.vehicle import FittedUnit


@dataclass(frozen=True, slots=True)
class Way:
    """A remedy with parts of one source grade, as it can be done to a unit: before it becomes an option."""

    remedy: str
    effect: Effect
    grade: Grade | None  # of the main part; None when the remedy has none
    operations: frozenset[str]  # closed under access
    parts: dict[str, float]
    offers: dict[str, Offer]
    tools: frozenset[str]


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit made for one way alone, with all that goes with it. Hours of labour; the rest is money.

    ``shared_hours``: of operations that other components' remedies ask for too. ``parts``: of the remedy itself;
    ``beside``: what is spoiled on the way, one-time-use fasteners and the companions' parts.
    """

    shared_hours: float
    own_hours: float
    parts: float
    beside: float
    consumables: float
    hire: float

    @property
    def hours(self) -> float:
        return self.shared_hours + self.own_hours

    @property
    def materials(self) -> float:
        """All money beside labour and the visit's fixed cost."""
        return self.parts + self.beside + self.consumables + self.hire


@dataclass(frozen=True)
class Ways:
    """What can be done to each of the ``units`` of one vehicle."""

    access: Access
    units: Sequence[FittedUnit]

    @cached_property
    def of_unit(self) -> Mapping[str, tuple[Way, ...]]:
        """By the unit's name."""
        return {unit.name: tuple(self._ways(unit)) for unit in self.units}

    @cached_property
    def shared(self) -> frozenset[str]:
        """Operations that the remedies of more than one component ask for."""
        users: dict[str, set[str]] = {}
        for unit in self.units:
            for way in self.of_unit[unit.name]:
                for operation in way.operations:
                    users.setdefault(operation, set()).add(unit.component)
        return frozenset(operation for operation, components in users.items() if len(components) > 1)

    def visit(self, unit: FittedUnit, way: Way) -> Visit:
        """A visit for ``way`` on ``unit`` alone: operations once, each spoiled part bought once, tools hired once."""
        companions = self.with_companions(unit, way)
        operations = way.operations.union(*(other.operations for other in companions))
        parts, offers = dict(way.parts), dict(way.offers)
        for other in companions:
            offers |= other.offers
            for part, quantity in other.parts.items():
                parts[part] = parts.get(part, 0.0) + quantity
        for part, quantity in self.access.spoiled(operations).items():
            parts[part] = max(parts.get(part, 0.0), quantity)
        hours = {o: self.access.operations[o].total_hours for o in operations}
        own = self.access.parts_price(way.parts, way.offers)
        return Visit(
            shared_hours=sum(hours[o] for o in sorted(operations & self.shared)),
            own_hours=sum(hours[o] for o in sorted(operations - self.shared)),
            parts=own,
            beside=self.access.parts_price(parts, offers) - own,
            consumables=sum(self.access.consumed_by(o) for o in sorted(operations)),
            hire=sum(self.access.hires(operations).values()),
        )

    def with_companions(self, unit: FittedUnit, way: Way) -> list[Way]:
        """What goes with ``way`` and in turn with that, in parts of the same grade where they are to be had."""
        found: dict[tuple[str, str], Way] = {}
        todo = self.companions_of(way.remedy, unit)
        while todo:
            id_, beside = todo.pop()
            able = [other for other in self.of_unit[beside.name] if other.remedy == id_]
            if able and (id_, beside.name) not in found:
                best = min(able, key=lambda other: (other.grade != way.grade, other.grade != "original"))
                found[id_, beside.name] = best
                todo += self.companions_of(id_, beside)
        return list(found.values())

    def companions_of(self, remedy: str, unit: FittedUnit) -> list[tuple[str, FittedUnit]]:
        """Remedies of other units that go with ``remedy`` on ``unit``: at the same position where there is one, else at
        all. What has no unit of its own here is part of the remedy itself."""
        found = []
        for id_ in self.access.book.remedies[remedy].companions:
            component = self.access.book.remedies[id_].component
            if self._is_for_variant(id_) and component != unit.component:
                units = [other for other in self.units if other.component == component]
                here = [other for other in units if other.position and other.position == unit.position]
                found += [(id_, other) for other in here or units]
        return found

    def _ways(self, unit: FittedUnit) -> Iterator[Way]:
        for id_, remedy in self.access.book.remedies.items():
            if remedy.component != unit.component or not self._is_for_variant(id_):
                continue
            for grade, main in self._grades(remedy, unit.position):
                if (way := self._way(unit, id_, remedy, grade, main)) is not None:
                    yield way

    def _grades(self, remedy: Remedy, position: str) -> list[tuple[Grade | None, dict[str, Offer]]]:
        """The source grades in which the remedy's main part can be had: the piece of the component that ages.

        It is listed by the remedy, or spoiled on the way to it.
        """
        for part in (*remedy.parts, *self.access.spoiled(self.access.of_remedy(remedy, position))):
            if self.access.book.parts[part].component == remedy.component:
                offers = (
                    self.access.book.parts[part].offer_for(grade, self.access.variant, self.access.built)
                    for grade in dict.fromkeys(offer.grade for offer in self.access.book.parts[part].offers)
                )
                found = {offer.grade: offer for offer in offers if offer is not None}
                return [(grade, {part: offer}) for grade, offer in found.items()]
        return [(None, {})]

    def _way(
        self, unit: FittedUnit, id_: str, remedy: Remedy, grade: Grade | None, main: dict[str, Offer]
    ) -> Way | None:
        """None when a part of it cannot be had for this engine."""
        elsewhere = {companion for companion, _ in self.companions_of(id_, unit)}
        extra = [
            self.access.book.remedies[c] for c in remedy.companions if c not in elsewhere and self._is_for_variant(c)
        ]
        operations = self.access.reach([o for r in (remedy, *extra) for o in self.access.of_remedy(r, unit.position)])
        parts: dict[str, float] = {}
        for part, quantity in (item for r in (remedy, *extra) for item in r.parts.items()):
            parts[part] = parts.get(part, 0.0) + quantity
        parts |= {part: self._spoiled_here(part, unit, operations) for part in main if part not in parts}
        offers = dict(main)
        for part in parts.keys() - main.keys():
            offer = self.access.book.parts[part].offer_for(grade or "original", self.access.variant, self.access.built)
            if offer is None:
                return None
            offers[part] = offer
        revision = unit.revision if grade is None else next(iter(main.values())).revision or self._newest(unit)
        effect = Effect(frozenset(remedy.cures), revision, grade or unit.grade, remedy.restores, remedy.lowers)
        return Way(id_, effect, grade, operations, parts, offers, self.access.missing(operations))

    def _spoiled_here(self, part: str, unit: FittedUnit, operations: frozenset[str]) -> float:
        """Of the pieces that ``operations`` spoil those of ``unit``: away from a position they fall to every unit."""
        units = sum(other.component == unit.component for other in self.units)
        spoiled = {o: self.access.spoiled_by(o).get(part, 0.0) for o in sorted(operations)}
        return sum(quantity / (1 if "@" in o else units) for o, quantity in spoiled.items())

    def _newest(self, unit: FittedUnit) -> str:
        """The design level that no other supersedes, the latest of several; the unit's own when it has but one."""
        revisions = self.access.book.components[unit.component].revisions
        gone = {revision.supersedes for revision in revisions.values()}
        current = [name for name in revisions if name not in gone]
        return max(current, key=lambda name: str(revisions[name].from_date or ""), default=unit.revision)

    def _is_for_variant(self, remedy: str) -> bool:
        variants = self.access.book.remedies[remedy].variants
        return not variants or self.access.variant in variants
