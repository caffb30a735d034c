"""What the store holds, and the records behind a failure mode."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.records.store import Store


@dataclass(frozen=True, slots=True)
class IntakeRow:
    """One file that was taken."""

    file: str
    kind: str
    taken: date
    read: int
    stored: int
    quarantined: int


@dataclass(frozen=True, slots=True)
class QuarantinedLine:
    """One record that was not stored: where it stood, why, and as it stood (JSON)."""

    file: str
    line: int
    reason: str
    record: str


@dataclass(frozen=True, slots=True)
class Summary:
    """What the store holds; dates and distances (km) are None while there are no visits."""

    vehicles: int
    visits: int
    lines: int
    readings: int
    first_date: date | None
    last_date: date | None
    least_km: float | None
    greatest_km: float | None
    intakes: tuple[IntakeRow, ...]
    quarantine: tuple[QuarantinedLine, ...]


def summary(store: Store) -> Summary:
    """Counts, spans, intakes in the order they were taken, and every line in quarantine."""
    vehicles, visits, lines, readings, *spans = store.connection.execute("""
        SELECT (SELECT count(*) FROM vehicles), count(*), (SELECT count(*) FROM lines),
            (SELECT count(*) FROM readings), min(date), max(date), min(km), max(km) FROM visits""").fetchall()[0]
    intakes = store.connection.execute(
        "SELECT file, kind, taken, read, stored, quarantined FROM intakes ORDER BY intake"
    ).fetchall()
    kept = store.connection.execute(
        "SELECT file, line, reason, record FROM quarantine JOIN intakes USING (intake) ORDER BY intake, line"
    ).fetchall()
    first_date, last_date, least_km, greatest_km = spans
    return Summary(
        vehicles, visits, lines, readings, first_date, last_date, least_km, greatest_km,
        intakes=tuple(IntakeRow(*row) for row in intakes),
        quarantine=tuple(QuarantinedLine(*row) for row in kept),
    )  # fmt: skip


def newest_built(store: Store, variant: str) -> date | None:
    """The day on which the newest vehicle of ``variant`` was built; None without any."""
    rows = store.connection.execute("SELECT max(built) FROM vehicles WHERE variant = ?", [variant]).fetchall()
    newest: date | None = rows[0][0]
    return newest


def usual_leg(store: Store, vehicle: str) -> float | None:
    """Median distance between the vehicle's visits, km; None before the second."""
    rows = store.connection.execute(
        "SELECT median(leg) FROM (SELECT km - lag(km) OVER (ORDER BY km) AS leg FROM "
        "(SELECT DISTINCT km FROM visits WHERE vehicle = ?))",
        [vehicle],
    ).fetchall()
    leg: float | None = rows[0][0]
    return leg


def driven(store: Store, vehicle: str) -> tuple[float, float]:
    """Distance (km) between the vehicle's first visit and its last, and the time between them, years."""
    rows = store.connection.execute(
        "SELECT coalesce(max(km) - min(km), 0), coalesce(max(date) - min(date), 0) / 365.25 FROM visits "
        "WHERE vehicle = ?",
        [vehicle],
    ).fetchall()
    km, years = rows[0]
    return float(km), float(years)


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One stored line, with the file and the line of it that it came from; text left empty is ``""``."""

    vehicle: str
    date: date
    km: float
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


def evidence_lines(
    store: Store, book: Book, mode: str, *, vehicle: str | None = None, failures_only: bool = False
) -> tuple[EvidenceLine, ...]:
    """The records behind a mode, by vehicle and date: all lines that speak of it.

    These are its failures, the looks that found it absent, and what began or ended its lives: renewals and cleans of
    its component, and units seen to be original. With ``failures_only`` the failures alone. Raises NameNotKnown.
    """
    if mode not in book.modes:
        raise NameNotKnown("mode", mode, book.modes)
    rows = store.connection.execute(
        """
        SELECT vehicle, date, km, component, coalesce(position, ''), coalesce(finding, ''), coalesce(mode, ''),
            coalesce(action, ''), coalesce(revision, ''), coalesce(grade, ''), coalesce(text, ''), file, line
        FROM lines JOIN intakes USING (intake)
        WHERE component = $component AND ($vehicle IS NULL OR vehicle = $vehicle)
            AND CASE WHEN $failures_only THEN finding = 'failed' AND mode = $mode
                ELSE action = 'renewed' OR finding = 'original'
                    OR ((mode = $mode OR mode IS NULL) AND (finding IS NOT NULL OR action IS NOT NULL)) END
        ORDER BY vehicle, date, km, intake, line""",
        {
            "component": book.modes[mode].component,
            "vehicle": vehicle,
            "failures_only": failures_only,
            "mode": mode,
        },
    ).fetchall()
    return tuple(EvidenceLine(*row) for row in rows)
