"""Book, vehicle and life models -> the failure modes to be planned for, and what each step of access costs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from math import inf

import numpy as np

from wearlore.access import Access
from wearlore.book.model import Book, Inspection, Mode
from wearlore.errors import FitError
from wearlore.plan.ages import renewed_at
from wearlore.plan.lives import ModelLife
from wearlore.plan.looks import Lead
from wearlore.plan.model import Sight, Subject, Terms
from wearlore.renewal import Models
from wearlore.vehicle import FittedUnit, ModeState, Vehicle
from wearlore.ways import Way, Ways

TELLING = 0.25  # a look that shows less of what is coming is none


@dataclass(frozen=True)
class Builder:
    """What can be planned for ``vehicle``: its variant and design levels count, not its ages."""

    book: Book
    vehicle: Vehicle
    models: Models
    terms: Terms
    access: Access

    @cached_property
    def ways(self) -> Ways:
        return Ways(self.access, self.vehicle.units)

    def subjects(self) -> Iterator[Subject]:
        """One for each mode that the vehicle can have, that something cures and of which something is known."""
        for id_, mode in self.book.modes.items():
            units = [
                unit
                for unit in self.vehicle.units
                if unit.component == mode.component and mode.applies(self.vehicle.variant, unit.revision)
            ]
            if units and (subject := self._subject(id_, mode, units)):
                yield subject

    def ended(self, mode: str) -> bool:
        """Whether a piece that can be fitted now no longer has the mode: one renewal ends it for good."""
        entry = self.book.modes[mode]
        units = [unit for unit in self.vehicle.units if unit.component == entry.component]
        ways = [way for unit in units for way in self._able(mode, unit)]
        return any(not entry.applies(self.vehicle.variant, way.effect.revision) for way in ways)

    @cached_property
    def prices(self) -> dict[str, float]:
        """Money of each step: an operation with its labour and what it consumes, or the time of an inspection."""
        rate = self.terms.labour_rate
        operations = {
            id_: rate * operation.total_hours + self.access.consumed_by(id_)
            for id_, operation in self.access.operations.items()
        }
        return operations | {
            look_step(id_): rate * inspection.minutes / 60 + self._hire(inspection)
            for id_, inspection in self.book.inspections.items()
        }

    def _subject(self, id_: str, mode: Mode, units: list[FittedUnit]) -> Subject | None:
        unit = units[0]
        cures = [self._cure(id_, mode, unit, way) for way in self._able(id_, unit)]
        if not (known := [cure for cure in cures if cure is not None]):
            return None
        way, life, share, planned, failure = min(
            known, key=lambda c: float(c[1].weight @ renewed_at(c[1], np.array([inf])).cost(c[3], c[4])[:, 0])
        )
        operations = way.operations.union(*(other.operations for other in self.ways.with_companions(unit, way)))
        return Subject(
            mode=id_,
            name=mode.name,
            component=mode.component,
            units=tuple(one.name for one in units),
            hidden=mode.noticed == "hidden",
            severity=mode.consequence.severity,
            remedy=way.remedy,
            life=life,
            lead=Lead(*mode.lead.lognormal) if mode.lead else None,
            planned=planned - sum(self.prices[o] for o in sorted(operations)),
            failure=failure,
            steps=operations,
            sights=tuple(self._sights(id_, mode)) if mode.lead else (),
            record_share=share,
        )

    def _able(self, mode: str, unit: FittedUnit) -> list[Way]:
        """Ways that cure it with tools that are to be had, in parts of original grade where there are any."""
        able = [
            way
            for way in self.ways.of_unit[unit.name]
            if mode in way.effect.cures and way.effect.lowers is None and not way.tools
        ]
        return [way for way in able if way.grade in (None, "original")] or able

    def _cure(
        self, id_: str, mode: Mode, unit: FittedUnit, way: Way
    ) -> tuple[Way, ModelLife, float, float, float] | None:
        """The way with the life after it, the record's share in that, and money of it at a service and for a failure.

        None where nothing is known of the life, or the cure ends the mode for good.
        """
        if not mode.applies(self.vehicle.variant, way.effect.revision):
            return None
        try:
            model = self.models(id_, way.effect.revision, way.effect.grade)
        except FitError:
            return None
        visit = self.ways.visit(unit, way)
        planned = self.terms.labour_rate * visit.hours + visit.materials
        failure = planned + self.terms.visit_fixed + mode.consequence.cost
        return way, ModelLife.of(model, way.effect.restores), model.record_share, planned, failure

    def _sights(self, id_: str, mode: Mode) -> Iterator[Sight]:
        for name, inspection in self.book.inspections.items():
            if self.access.missing_tools & {*inspection.tools, *self.access.tools(inspection.needs)}:
                continue
            sensitivity, false = _shows(inspection, id_, mode)
            if sensitivity < TELLING:
                continue
            steps = self.access.reach(inspection.needs)
            spoiled = self.access.parts_price(self.access.spoiled(inspection.needs), {})
            again = false * (self.prices[look_step(name)] + sum(self.prices[o] for o in sorted(steps)) + spoiled)
            yield Sight(name, sensitivity, spoiled + again, steps | {look_step(name)})

    def _hire(self, inspection: Inspection) -> float:
        return sum(self.access.hire(tool) for tool in inspection.tools)


def look_step(inspection: str) -> str:
    """The time of an inspection as a step: paid once in a visit, whatever it is made for."""
    return f"(look: {inspection})"


def _shows(inspection: Inspection, id_: str, mode: Mode) -> tuple[float, float]:
    """The chance that a look shows the mode where it is, and that it seems to show it where it is not.

    Observations come about independently of each other, each with its own chance while the mode is there.
    """
    signs = [
        (chance * sure.sensitivity, 1 - sure.specificity)
        for name, chance in mode.observations.items()
        if (sure := inspection.observes.get(name))
    ]
    if direct := inspection.tells.get(id_):
        signs.append((direct.sensitivity, 1 - direct.specificity))
    missed = float(np.prod([1 - shown for shown, _ in signs]))
    quiet = float(np.prod([1 - false for _, false in signs]))
    return 1 - missed, 1 - quiet


def as_built(book: Book, variant: str, built: date) -> Vehicle:
    """A vehicle of ``variant`` as it left the works, all modes of all its units new."""
    units = tuple(
        FittedUnit(id_, place, revision, "original", 0.0, tuple(_new_modes(book, id_, variant, revision)))
        for id_, component in book.components.items()
        if not component.variants or variant in component.variants
        for revision in [component.revision_at(built)]
        for place in component.places
    )
    return Vehicle("", variant, built, 0.0, units)


def _new_modes(book: Book, component: str, variant: str, revision: str) -> Iterator[ModeState]:
    return (ModeState(id_, 0.0, 0.0) for id_, mode in book.modes_of(component) if mode.applies(variant, revision))
