"""What a trace predicted, kept beside the records, and what the records said of it afterwards.

A prediction is one failure mode on one unit with the chance that it is present. It is resolved by what was found:

- by lines of the same vehicle, from the day of the trace on, at an odometer no further from its than ``within_km``;
- of the same component and position (``all``: of every position); ``failed`` of its mode, or ``good`` of its mode or of
  no mode in particular: then for every mode of the unit that is not written as failed in that visit;
- by the first visit that speaks of it. Once the unit is renewed, or the mode cleaned or repaired, in a visit that does
  not say what was found, later visits speak of another state: it stays open, as without any such line;
- of several predictions of one cause before one finding only the last counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from datetime import date

from wearlore.book.model import Book
from wearlore.records.store import PREDICTIONS, Connection, Store

WITHIN = 2_000.0  # km beyond the trace at which a finding still speaks of it (judgement)


@dataclass(frozen=True, slots=True)
class Prediction:
    """Chance that a failure mode is present; ``asked``: it was in question. ``position``: "" where there is one."""

    component: str
    position: str
    mode: str
    chance: float
    asked: bool


@dataclass(frozen=True, slots=True)
class ResolvedPrediction:
    """A prediction of the trace made on a day at an odometer (km), and what was found of it.

    ``found``: it was there. By which stored line: its day, odometer (km), text, and the file and line it came from.
    """

    vehicle: str
    traced_on: date
    traced_km: float
    component: str
    position: str
    mode: str
    chance: float
    asked: bool
    found: bool
    found_on: date
    found_km: float
    text: str
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class Resolved:
    """What became of ``predictions`` in ``traces``.

    ``rows``: those that count, by vehicle. ``superseded``: by a later one before the same finding; ``open``: nothing
    found of it yet; ``gone``: of modes that the book no longer has.
    """

    rows: tuple[ResolvedPrediction, ...]
    traces: int
    predictions: int
    superseded: int
    open: int
    gone: int


# the first visit after a trace that ends the question of each prediction, and the line of it that says what was found
ANSWERS = """
    WITH spoken AS (
        SELECT p.trace, p.component, coalesce(p.position, '') AS position, p.mode,
            l.date, l.km, l.intake, l.line, l.text,
            CASE WHEN l.finding = 'failed' AND l.mode = p.mode THEN 1
                WHEN l.finding = 'good' AND coalesce(l.mode, p.mode) = p.mode THEN 2
                WHEN l.action = 'renewed' OR (l.action IN ('cleaned', 'repaired') AND coalesce(l.mode, p.mode) = p.mode)
                THEN 3 END AS rank
        FROM predictions p JOIN lines l ON l.vehicle = p.vehicle AND l.component = p.component
            AND (coalesce(l.position, '') = coalesce(p.position, '') OR l.position = 'all')
            AND l.date >= p.date AND abs(l.km - p.km) <= $within
        WHERE rank IS NOT NULL AND ($trace IS NULL OR p.trace = $trace)
    ), told AS (
        SELECT * FROM spoken
        QUALIFY row_number() OVER (
            PARTITION BY trace, component, position, mode ORDER BY date, km, rank, intake, line) = 1
    )
    SELECT trace, component, position, mode, date AS found_on, km AS found_km, rank = 1 AS found, text, intake, line
    FROM told WHERE rank < 3"""


def keep(store: Store, *, vehicle: str, date: date, km: float, rows: Sequence[Prediction]) -> int:
    """Keep what a trace of ``vehicle`` at odometer ``km`` predicted; how many predictions are new in the store.

    In one transaction. What the store's records answer already is no prediction and is left out; a trace that was kept
    before changes nothing. Raises ValueError for a chance outside 0 to 1 or a cause named twice, StoreError when the
    store cannot be written.
    """
    if not all(0 <= row.chance <= 1 for row in rows):
        raise ValueError("a chance lies from 0 to 1")
    if len({(row.component, row.position, row.mode) for row in rows}) < len(rows):
        raise ValueError("a trace predicts each cause once")
    with store.transaction() as connection:
        connection.execute(PREDICTIONS)
        number = connection.execute("SELECT coalesce(max(trace), 0) + 1 FROM predictions").fetchall()[0][0]
        for row in rows:
            component, position, mode, chance, asked = astuple(row)
            values = [number, vehicle, date, km, component, position or None, mode, chance, asked]
            connection.execute("INSERT INTO predictions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", values)
        connection.execute(
            f"DELETE FROM predictions p USING ({ANSWERS}) a WHERE p.trace = a.trace AND p.component = a.component "
            "AND coalesce(p.position, '') = a.position AND p.mode = a.mode",
            {"within": WITHIN, "trace": number},
        )
        if _known(connection, number):
            connection.execute("DELETE FROM predictions WHERE trace = ?", [number])
        kept = connection.execute("SELECT count(*) FROM predictions WHERE trace = ?", [number]).fetchall()[0][0]
    return int(kept)


def _known(connection: Connection, trace: int) -> bool:
    """One earlier trace holds all that this one holds."""
    same = " AND ".join(
        f"old.{column} IS NOT DISTINCT FROM new.{column}"
        for column in ("vehicle", "date", "km", "component", "position", "mode", "chance", "asked")
    )
    held = connection.execute(
        f"""
        SELECT count(*) FROM predictions new JOIN predictions old ON {same}
        WHERE new.trace = $trace AND old.trace < $trace
        GROUP BY old.trace HAVING count(*) = (SELECT count(*) FROM predictions WHERE trace = $trace)""",
        {"trace": trace},
    ).fetchall()
    return bool(held)


def resolved(store: Store, book: Book, within_km: float = WITHIN) -> Resolved:
    """Every prediction in the store with what was found of it, by the rules at the head of this module."""
    if not store.connection.execute("SELECT 1 FROM duckdb_tables() WHERE table_name = 'predictions'").fetchall():
        return Resolved((), 0, 0, 0, 0, 0)
    rows = store.connection.execute(
        f"""
        SELECT p.trace, vehicle, date, p.km, p.component, coalesce(p.position, ''), p.mode, chance, asked, found,
            found_on, found_km, coalesce(text, ''), file, a.line
        FROM predictions p LEFT JOIN ({ANSWERS}) a ON p.trace = a.trace AND p.component = a.component
            AND coalesce(p.position, '') = a.position AND p.mode = a.mode LEFT JOIN intakes USING (intake)
        ORDER BY vehicle, date, p.km, p.trace, p.component, p.position, p.mode""",
        {"within": within_km, "trace": None},
    ).fetchall()
    modes = {mode: entry.component for mode, entry in book.modes.items()}
    known = [ResolvedPrediction(*row[1:]) for row in rows if modes.get(row[6]) == row[4]]
    answered = [row for row in known if row.found is not None]
    last = {(row.vehicle, row.component, row.position, row.mode, row.found_on, row.found_km): row for row in answered}
    return Resolved(
        rows=tuple(last.values()),
        traces=len({row[0] for row in rows}),
        predictions=len(rows),
        superseded=len(answered) - len(last),
        open=len(known) - len(answered),
        gone=len(rows) - len(known),
    )
