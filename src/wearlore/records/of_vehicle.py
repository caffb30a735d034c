"""What is on record of one vehicle, and finding vehicles; with a version that changes when anything of it does."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from itertools import groupby
from typing import Any

from wearlore.errors import NameNotKnown
from wearlore.records.store import Store


@dataclass(frozen=True, slots=True)
class FactsOnRecord:
    """What is known of a vehicle itself; ``complete``: its records reach back to new; ``duty`` ``""``: not said."""

    vehicle: str
    variant: str
    built: date
    complete: bool
    duty: str


@dataclass(frozen=True, slots=True)
class SeenVehicle:
    """A vehicle with its last visit: date and odometer (km), None before the first; ``visits``: how many."""

    vehicle: str
    variant: str
    built: date
    last: date | None
    km: float | None
    visits: int


@dataclass(frozen=True, slots=True)
class LineOnRecord:
    """One thing found or done, with the file and line that it came from; text left empty is ``""``."""

    component: str
    position: str
    finding: str
    mode: str
    action: str
    revision: str
    grade: str
    text: str
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class ReadingOnRecord:
    """One measured value, with the file and line that it came from."""

    reading: str
    value: float
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class VisitOnRecord:
    """A stop at a workshop: odometer in km."""

    date: date
    km: float
    lines: tuple[LineOnRecord, ...]
    readings: tuple[ReadingOnRecord, ...]


@dataclass(frozen=True, slots=True)
class OnRecord:
    """All that is on record of a vehicle, visits in order. ``version`` is another as soon as any of it is."""

    facts: FactsOnRecord
    visits: tuple[VisitOnRecord, ...]
    version: str


def on_record(store: Store, vehicle: str) -> OnRecord:
    """Raises NameNotKnown."""
    facts = _facts(store, vehicle)
    visits = store.connection.execute(
        "SELECT DISTINCT date, km FROM visits WHERE vehicle = ? ORDER BY date, km", [vehicle]
    ).fetchall()
    lines = store.connection.execute(
        """
        SELECT date, km, coalesce(component, ''), coalesce(position, ''), coalesce(finding, ''), coalesce(mode, ''),
            coalesce(action, ''), coalesce(revision, ''), coalesce(grade, ''), coalesce(text, ''), file, line
        FROM lines JOIN intakes USING (intake) WHERE vehicle = ? ORDER BY date, km, intake, line""",
        [vehicle],
    ).fetchall()
    readings = store.connection.execute(
        """
        SELECT date, km, reading, value, file, line
        FROM readings JOIN intakes USING (intake) WHERE vehicle = ? ORDER BY date, km, intake, line""",
        [vehicle],
    ).fetchall()
    said, read = _by_visit(lines), _by_visit(readings)
    return OnRecord(
        facts,
        tuple(
            VisitOnRecord(
                visit[0],
                visit[1],
                tuple(LineOnRecord(*line) for line in said.get(visit, ())),
                tuple(ReadingOnRecord(*reading) for reading in read.get(visit, ())),
            )
            for visit in visits
        ),
        sha256(repr((facts, visits, lines, readings)).encode()).hexdigest()[:16],
    )


def _by_visit(rows: list[tuple[Any, ...]]) -> dict[tuple[Any, ...], list[tuple[Any, ...]]]:
    return {visit: [row[2:] for row in group] for visit, group in groupby(rows, key=lambda row: row[:2])}


def _facts(store: Store, vehicle: str) -> FactsOnRecord:
    rows = store.connection.execute(
        "SELECT vehicle, variant, built, history = 'complete', coalesce(duty, '') FROM vehicles WHERE vehicle = ?",
        [vehicle],
    ).fetchall()
    if not rows:
        known = store.connection.execute("SELECT vehicle FROM vehicles").fetchall()
        raise NameNotKnown("vehicle", vehicle, [name for (name,) in known])
    return FactsOnRecord(*rows[0])


def seen_vehicles(store: Store, search: str, limit: int) -> tuple[int, tuple[SeenVehicle, ...]]:
    """How many vehicles have ``search`` in their name or variant, and the first ``limit`` of them.

    One of just that name comes first, then those seen last.
    """
    rows = store.connection.execute(
        """
        WITH found AS (
            SELECT vehicle, variant, built FROM vehicles
            WHERE contains(lower(vehicle), $search) OR contains(lower(variant), $search)
        ), seen AS (
            SELECT vehicle, max(date) AS last, max(km) AS km, count(*) AS visits
            FROM (SELECT DISTINCT vehicle, date, km FROM visits SEMI JOIN found USING (vehicle)) GROUP BY vehicle
        )
        SELECT count(*) OVER (), vehicle, variant, built, last, km, coalesce(visits, 0)
        FROM found LEFT JOIN seen USING (vehicle)
        ORDER BY lower(vehicle) = $search DESC, last DESC NULLS FIRST, vehicle LIMIT $limit""",
        {"search": search.strip().lower(), "limit": limit},
    ).fetchall()
    return (int(rows[0][0]) if rows else 0), tuple(SeenVehicle(*row[1:]) for row in rows)


def newest_intake(store: Store) -> int:
    """The number of the newest intake; 0 without any."""
    return int(store.connection.execute("SELECT coalesce(max(intake), 0) FROM intakes").fetchall()[0][0])
