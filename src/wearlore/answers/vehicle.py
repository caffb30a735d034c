"""Answers on a vehicle: which there are, what is on record of one, what is likely on it now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from wearlore.answers.trace import Suspected
from wearlore.records.of_vehicle import VisitOnRecord


@dataclass(frozen=True, slots=True)
class FoundVehicle:
    """A vehicle with its last visit: date and odometer (km), None before the first.

    ``faults``: found on record and not cured.
    """

    vehicle: str
    variant: str
    built: date
    last: date | None
    km: float | None
    visits: int
    faults: int


@dataclass(frozen=True, slots=True)
class FoundVehicles:
    """The first of those that were found, of ``matching`` in all: one of just that name, then those seen last."""

    search: str
    matching: int
    vehicles: tuple[FoundVehicle, ...]


@dataclass(frozen=True, slots=True)
class UnitNow:
    """A unit on the vehicle. ``age``: km since it was new, None when not known: then it is ``at_least`` that old.

    ``modes``: the failure modes that it can have, and whether each is found on record and not cured.
    """

    component: str
    position: str
    name: str
    system: str
    revision: str
    grade: str
    age: float | None
    at_least: float
    modes: tuple[tuple[str, str, bool], ...]


@dataclass(frozen=True, slots=True)
class OpenFault:
    """A fault found on record and not cured. ``cause``: ``MODE`` or ``MODE@POSITION``; found last on ``since``."""

    cause: str
    name: str
    component: str
    position: str
    severity: str
    since: date | None
    km: float | None


@dataclass(frozen=True, slots=True)
class VehicleHistory:
    """What is on record of a vehicle; ``km``: its odometer at the last visit, 0 before the first.

    ``complete``: the records reach back to new. ``names``: of components, modes and readings, by their ids; ``systems``
    of components; ``limits`` of readings, with their units. ``version`` is another as soon as any of it is.
    """

    vehicle: str
    variant: str
    built: date
    complete: bool
    duty: str
    km: float
    visits: tuple[VisitOnRecord, ...]
    units: tuple[UnitNow, ...]
    open: tuple[OpenFault, ...]
    names: dict[str, str]
    systems: dict[str, str]
    limits: dict[str, tuple[float | None, str]]
    version: str

    def since(self, earlier: VehicleHistory) -> tuple[VisitOnRecord, ...]:
        """What was put on record since ``earlier``: visits with what is new in them alone."""
        seen = {(visit.date, visit.km): visit for visit in earlier.visits}
        made = []
        for visit in self.visits:
            before = seen.get((visit.date, visit.km))
            lines = tuple(line for line in visit.lines if not before or line not in before.lines)
            readings = tuple(one for one in visit.readings if not before or one not in before.readings)
            if not before or lines or readings:
                made.append(VisitOnRecord(visit.date, visit.km, lines, readings))
        return tuple(made)


@dataclass(frozen=True, slots=True)
class LikelyNow:
    """What may be wrong at odometer ``km``, ``since`` km after the last visit, with nothing told; likeliest first.

    Of each the chance that it is there now. ``unknown``: modes left out, without record or judgement.
    """

    vehicle: str
    km: float
    since: float
    suspects: tuple[Suspected, ...]
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class VehicleNow:
    """A vehicle's history, and what is likely now."""

    history: VehicleHistory
    likely: LikelyNow
