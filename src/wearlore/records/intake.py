"""Intake: a file of records into the store, all of it or nothing; each line stored, or in quarantine with a reason."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from wearlore.book.model import Book
from wearlore.errors import RecordsError, RecordsErrors
from wearlore.records import checks
from wearlore.records.files import Kind, Progress, RecordFile, open_file
from wearlore.records.store import Connection, Store


@dataclass(frozen=True, slots=True)
class Intake:
    """What became of a file: ``read == stored + quarantined``, in records.

    ``known``: of those stored, the ones that an earlier file had brought already (they are not kept twice).
    ``duplicate_of``: the file of the same content that was taken before; then nothing was changed, and the counts are
    those of that earlier intake.
    """

    file: str
    kind: Kind
    read: int
    stored: int
    quarantined: int
    known: int = 0
    duplicate_of: str | None = None


def take(
    store: Store,
    book: Book,
    path: str | Path,
    *,
    today: date,
    quarantine: bool = False,
    progress: Progress | None = None,
    called: str = "",
) -> Intake:
    """Take a CSV or Parquet file of vehicles, lines or readings into the store, in one transaction.

    A file with bad lines is refused as a whole: RecordsErrors names every one of them, and the store is as it was. With
    ``quarantine`` the good lines are stored and the bad ones kept apart with their line number and the reason. Content
    that was taken before changes nothing; when lines of it went to quarantine, it is tried again (the book may have
    been mended since). ``called``: its name on record, unless its path. Raises RecordsError when the file as a whole
    cannot be read, StoreError when the store cannot be written.
    """
    file = open_file(path, called)
    with store.transaction() as connection:
        return _take(connection, book, file, today, quarantine, progress)


def take_together(store: Store, book: Book, paths: Iterable[str | Path], *, today: date) -> tuple[Intake, ...]:
    """Take several files as `take` does, in one transaction: all of them or none."""
    files = [open_file(path) for path in paths]
    with store.transaction() as connection:
        return tuple(_take(connection, book, file, today, False, None) for file in files)


def _take(
    connection: Connection, book: Book, file: RecordFile, today: date, quarantine: bool, progress: Progress | None
) -> Intake:
    digest = _sha256(file)
    earlier = connection.execute(
        "SELECT file, read, stored, quarantined, intake FROM intakes WHERE sha256 = ? AND kind = ?",
        [digest, file.kind],
    ).fetchall()
    for name, read, stored, quarantined, _ in earlier:
        if not (quarantined and quarantine):
            return Intake(file.name, file.kind, read, stored, quarantined, known=stored, duplicate_of=name)
    read = _stage(connection, file, progress)
    checks.stage_book(connection, book)
    checks.refine(connection, file.kind, book)
    bad = checks.find_problems(connection, checks.checks_of(file.kind, book, today))
    if bad and not quarantine:
        raise RecordsErrors(_errors(connection, file))
    number = earlier[0][4] if earlier else _next_intake(connection)
    known = _store(connection, file.kind, number)
    _quarantine(connection, file, number)
    connection.execute("DELETE FROM intakes WHERE intake = ?", [number])
    connection.execute(
        "INSERT INTO intakes VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [number, file.name, digest, file.kind, today, read, read - bad, bad],
    )
    for table in checks.TEMPORARY:
        connection.execute(f"DROP TABLE IF EXISTS temp.{table}")
    return Intake(file.name, file.kind, read, read - bad, bad, known)


def _sha256(file: RecordFile) -> str:
    with file.path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _stage(connection: Connection, file: RecordFile, progress: Progress | None) -> int:
    columns = ", ".join(f"{field} VARCHAR" for field in file.fields)
    connection.execute(f"CREATE OR REPLACE TEMP TABLE staging (line BIGINT, broken VARCHAR, {columns})")
    read = 0
    for batch in file.batches(progress):
        connection.register("batch", batch)
        connection.execute("INSERT INTO staging SELECT * FROM batch")
        connection.unregister("batch")
        read += batch.num_rows
    return read


def _errors(connection: Connection, file: RecordFile) -> list[RecordsError]:
    rows = connection.execute("SELECT line, field, expected, mend FROM problems ORDER BY line, rank").fetchall()
    return [RecordsError(file.name, *row) for row in rows]


def _next_intake(connection: Connection) -> int:
    row = connection.execute("SELECT coalesce(max(intake), 0) + 1 FROM intakes").fetchall()[0]
    return int(row[0])


STORED: dict[Kind, tuple[str, str, str]] = {  # table, its columns of content, the same from ``typed``
    "vehicles": (
        "vehicles", "vehicle, variant, built, history, duty",
        "vehicle, variant, day AS built, coalesce(history, 'unknown') AS history, duty",
    ),
    "lines": (
        "lines",
        "vehicle, date, km, visit, component, position, finding, mode, action, revision, grade, text",
        "vehicle, day AS date, km, visit, component, position, finding, mode, action, revision, grade, text",
    ),
    "readings": (
        "readings", "vehicle, date, km, reading, value", "vehicle, day AS date, km, reading, amount AS value",
    ),
}  # fmt: skip


def _store(connection: Connection, kind: Kind, intake: int) -> int:
    """Bring the good lines in; the count of those that were there already."""
    table, columns, typed = STORED[kind]
    good = f"SELECT {typed}, line FROM typed ANTI JOIN problems USING (line)"
    same = " AND ".join(f"t.{c} IS NOT DISTINCT FROM g.{c}" for c in columns.split(", "))
    new = f"SELECT g.* FROM ({good}) g ANTI JOIN {table} t ON ({same})"
    if kind == "vehicles":  # named twice with the same facts: kept once
        new = f"SELECT {columns}, min(line) AS line FROM ({new}) GROUP BY ALL"
    count = "SELECT count(*) FROM"
    known = connection.execute(f"{count} ({good}) g SEMI JOIN {table} t ON ({same})").fetchall()[0][0]
    kept = f"{columns}, {intake}" + ("" if kind == "vehicles" else ", line")
    connection.execute(f"INSERT INTO {table} SELECT {kept} FROM ({new}) ORDER BY line")
    if kind != "vehicles":
        connection.execute(
            f"INSERT INTO visits SELECT *, {intake} FROM (SELECT DISTINCT vehicle, date, km FROM ({good}) "
            "EXCEPT SELECT vehicle, date, km FROM visits) ORDER BY ALL"
        )
    return int(known)


def _quarantine(connection: Connection, file: RecordFile, intake: int) -> None:
    record = ", ".join(f"'{field}', {field}" for field in file.columns)
    connection.execute("DELETE FROM quarantine WHERE intake = ?", [intake])
    connection.execute(f"""
        INSERT INTO quarantine
        SELECT {intake}, line,
            string_agg(field || ': expected ' || expected || '. ' || mend, ' ' ORDER BY rank),
            any_value(record)
        FROM problems JOIN (SELECT line, json_object({record})::VARCHAR AS record FROM staging) USING (line)
        GROUP BY line ORDER BY line""")
