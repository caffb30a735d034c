"""Finding and adding vehicles, what is on record of one, and putting more on record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from wearlore.answers.vehicle import FoundVehicle, FoundVehicles, LikelyNow, OpenFault, UnitNow, VehicleHistory
from wearlore.errors import ChangedSince, RecordsError, RecordsErrors
from wearlore.lifetimes import vehicle_at
from wearlore.lifetimes.fleet import fleet
from wearlore.records import intake
from wearlore.records.files import open_file
from wearlore.records.of_vehicle import OnRecord, newest_intake, on_record, seen_vehicles
from wearlore.vehicle import FittedUnit, cause_named
from wearlore.workbench.appraisals import Appraisals
from wearlore.workbench.loop import Table

FOUND = 40  # vehicles told of at most
LEAST = 0.01  # chance from which a cause is told
BARE = "odometer read"  # what a line says that brings nothing but the odometer
OF_A_VISIT = ("vehicle", "date", "odometer", "unit")
WHOLE = {*OF_A_VISIT, "text"}  # fields in which all lines of a visit agree, or that are not asked of each


@dataclass(frozen=True, slots=True)
class NewVehicle:
    """A vehicle as a person typed it; ``odometer`` in ``unit``, as it is today, or nothing."""

    vehicle: str
    variant: str
    built: str
    history: str = "unknown"
    duty: str = ""
    odometer: str = ""
    unit: str = "km"


@dataclass(frozen=True, slots=True)
class NotedLine:
    """One thing found or done, as the columns of a file of lines have it."""

    component: str = ""
    position: str = ""
    finding: str = ""
    mode: str = ""
    action: str = ""
    revision: str = ""
    grade: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class NotedVisit:
    """A visit as a person typed it: date, odometer in ``unit``, what was found or done, (reading, value) pairs."""

    date: str
    odometer: str
    unit: str
    lines: tuple[NotedLine, ...] = ()
    readings: tuple[tuple[str, str], ...] = ()


class Vehicles(Appraisals):
    """Finding and adding vehicles, what is on record of one, and putting more on record."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._open_faults: dict[int, Mapping[str, int]] = {}  # by the newest intake that it was counted with

    def vehicles(self, search: str = "", limit: int = FOUND) -> FoundVehicles:
        """Vehicles with ``search`` in their name or variant; all of them when it is empty. Raises StoreError."""
        with self._reading() as store:
            matching, seen = seen_vehicles(store, search, limit)
            if (newest := newest_intake(store)) not in self._open_faults:
                whole = fleet(store, self.book)
                counts = np.count_nonzero(whole.present, axis=1).tolist()
                self._open_faults[newest] = dict(zip(whole.vehicle, counts, strict=True))
        faults = self._open_faults[newest]
        found = tuple(
            FoundVehicle(v.vehicle, v.variant, v.built, v.last, v.km, v.visits, faults.get(v.vehicle, 0)) for v in seen
        )
        return FoundVehicles(search, matching, found)

    def history(self, vehicle: str) -> VehicleHistory:
        """What is on record of ``vehicle``. Raises NameNotKnown."""
        with self._reading() as store:
            record = on_record(store, vehicle)
            now = vehicle_at(store, self.book, vehicle)
        components = {unit.component for unit in now.units}
        components |= {line.component for visit in record.visits for line in visit.lines if line.component}
        readings = {reading.reading for visit in record.visits for reading in visit.readings}
        known = {id_: self.book.components[id_] for id_ in sorted(components)}
        observed = {id_: self.book.observations[id_] for id_ in sorted(readings) if id_ in self.book.observations}
        modes = {id_: mode.name for id_, mode in self.book.modes.items() if mode.component in components}
        return VehicleHistory(
            vehicle=vehicle,
            variant=now.variant,
            built=now.built,
            complete=record.facts.complete,
            duty=record.facts.duty,
            km=now.km,
            visits=record.visits,
            units=tuple(self._unit(record, unit) for unit in now.units),
            open=tuple(
                self._open(record, unit, state.mode) for unit in now.units for state in unit.modes if state.present
            ),
            names={id_: entry.name for id_, entry in (known | observed).items()} | modes,
            systems={id_: entry.system for id_, entry in known.items()},
            limits={id_: (entry.limit, entry.unit or "") for id_, entry in observed.items()},
            version=record.version,
        )

    def _unit(self, record: OnRecord, unit: FittedUnit) -> UnitNow:
        entry = self.book.components[unit.component]
        ages = [state.age for state in unit.modes]  # a clean sets back the age of some, never that of the piece
        if not ages and (record.facts.complete or _was_renewed(record, unit)):
            ages = [unit.at_least]
        return UnitNow(
            component=unit.component,
            position=unit.position,
            name=entry.name,
            system=entry.system,
            revision=unit.revision,
            grade=unit.grade,
            age=max((age for age in ages if age is not None), default=None) if None not in ages else None,
            at_least=unit.at_least,
            modes=tuple((state.mode, self.book.modes[state.mode].name, state.present) for state in unit.modes),
        )

    def _open(self, record: OnRecord, unit: FittedUnit, mode: str) -> OpenFault:
        seen = [
            visit
            for visit in record.visits
            for line in visit.lines
            if line.finding == "failed" and line.mode == mode and line.position in (unit.position, "", "all")
        ]
        return OpenFault(
            cause=cause_named(mode, unit.position),
            name=self.book.modes[mode].name,
            component=unit.component,
            position=unit.position,
            severity=self.book.modes[mode].consequence.severity,
            since=seen[-1].date if seen else None,
            km=seen[-1].km if seen else None,
        )

    def likely(self, vehicle: str) -> LikelyNow:
        """What may be wrong with it by age, history and the last look alone. Raises NameNotKnown."""
        traced = self.tracing(vehicle).answer([])
        likely = [suspect for suspect in traced.suspects if suspect.chance.value >= LEAST and not suspect.open]
        likely.sort(key=lambda suspect: -suspect.chance.value)
        return LikelyNow(vehicle, traced.km, traced.since, tuple(likely), traced.unknown)

    # putting on record ------------------------------------------------------------------------------------------------

    def add(self, new: NewVehicle, *, today: date) -> tuple[intake.Intake, ...]:
        """Put a vehicle on record that is not there yet, with its odometer of today where that is said.

        Like all that is put on record here it is written into a file in the folder ``found`` and taken like any other,
        all of it or nothing. Raises RecordsErrors, each with its field (line 0); OutputError, StoreError.
        """
        called = new.vehicle.strip()
        facts = (called, new.variant, new.built, new.history, new.duty)
        tables: list[Table] = [(("vehicle", "variant", "built", "history", "duty"), [facts])]
        if new.odometer:
            seen = (called, today.isoformat(), new.odometer, new.unit, BARE)
            tables.append(((*OF_A_VISIT, "text"), [seen]))
        with self._writing() as store:
            if called and any(one.vehicle == called for one in seen_vehicles(store, called, 1)[1]):
                raise RecordsErrors([
                    RecordsError("new vehicle", 0, "vehicle", "a name that is not on record", f"{called} is: open it.")
                ])  # fmt: skip
            try:
                return self._take_new(store, called, tables, today)
            except RecordsErrors as refused:
                raise _told("new vehicle", refused, {"record"}.union(*(columns for columns, _ in tables))) from refused

    def note(
        self, vehicle: str, noted: NotedVisit, *, today: date, expected: str | None = None
    ) -> tuple[intake.Intake, ...]:
        """Put a visit on record; ``expected``: the version of its history that one had before one.

        Raises NameNotKnown; ChangedSince when that is no longer what is on record (nothing is written then);
        RecordsErrors, each with its field and the number of the line that it is of (0: the visit).
        """
        with self._writing() as store:
            now = on_record(store, vehicle).version
            if expected is not None and now != expected:
                raise ChangedSince(vehicle, expected, now)
            try:
                return self._take_new(store, vehicle, _tables(vehicle, noted), today)
            except RecordsErrors as refused:
                raise _told(f"visit of {vehicle}", refused, WHOLE) from refused

    def vehicles_first(self, paths: Sequence[Path]) -> tuple[tuple[Path, bool], ...]:
        """Files in the order in which to take them, and whether each can be opened as records."""
        opened = [(path, _kind_or_none(path)) for path in paths]
        return tuple((path, kind is not None) for path, kind in sorted(opened, key=lambda one: one[1] != "vehicles"))

    def take_as(self, path: Path, called: str, *, today: date, quarantine: bool = False) -> intake.Intake:
        """Take a file of records under another name than its path, as `take` does."""
        try:
            with self._writing() as store:
                return intake.take(
                    store,
                    self.book,
                    path,
                    today=today,
                    quarantine=quarantine,
                    progress=partial(self.progress, f"taking {called}"),
                    called=called,
                )
        except RecordsErrors as refused:
            raise RecordsErrors(RecordsError(called, *error.args[1:]) for error in refused.errors) from refused
        except RecordsError as refused:
            raise RecordsError(called, *refused.args[1:]) from refused


def _kind_or_none(path: Path) -> str | None:
    try:
        return open_file(path).kind
    except (RecordsError, RecordsErrors):
        return None


def _was_renewed(record: OnRecord, unit: FittedUnit) -> bool:
    return any(
        line.action == "renewed" and line.component == unit.component and line.position in (unit.position, "", "all")
        for visit in record.visits
        for line in visit.lines
    )


def _tables(vehicle: str, noted: NotedVisit) -> list[Table]:
    """The visit as files of records; without anything else a line that brings the odometer."""
    visit = (vehicle, noted.date, noted.odometer, noted.unit)
    fields = NotedLine.__slots__
    said = noted.lines or (() if noted.readings else (NotedLine(text=BARE),))
    tables: list[Table] = []
    if said:
        tables.append(((*OF_A_VISIT, *fields), [(*visit, *(getattr(line, f) for f in fields)) for line in said]))
    if noted.readings:
        tables.append(((*OF_A_VISIT, "reading", "value"), [(*visit, *pair) for pair in noted.readings]))
    return tables


def _told(about: str, refused: RecordsErrors, whole: set[str]) -> RecordsErrors:
    """Each thing once; the header is no line, and what all lines share is said of line 0."""
    said = (
        (0 if field in whole else max(line - 1, 0), field, *rest)
        for _, line, field, *rest in (error.args for error in refused.errors)
    )
    return RecordsErrors(RecordsError(about, *parts) for parts in dict.fromkeys(said))
