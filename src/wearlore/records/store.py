"""The store: one DuckDB file. Its tables, its opening and closing, and the one transaction of a change.

    vehicles     what is known of each vehicle: variant, day built, whether the records reach back to new, duty
    visits       a vehicle's stop at a workshop: date and odometer (km, or the family's hours or days)
    lines        one thing found or done in a visit, with the intake and the line of the file that it came from
    readings     one value measured in a visit, likewise
    populations  named sets of vehicles
    intakes      each file taken: name, content hash, kind, counts
    quarantine   each line of a file that was not stored, as it stood, with the reason
    aliases      what a person decided a spelling means
    predictions  what a trace predicted of each cause: its chance, whether it was in question; a store laid out before
                 has none until the first are kept

Text that was left empty is null.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic, sleep
from types import TracebackType

import duckdb

from wearlore.errors import StoreBusy, StoreError

FORMAT = 1
PATIENCE, PAUSE = 0.6, 0.05  # seconds: how long another process is waited for, and between two tries

PREDICTIONS = """
CREATE TABLE IF NOT EXISTS predictions (trace INTEGER, vehicle VARCHAR, date DATE, km DOUBLE,
    component VARCHAR, position VARCHAR, mode VARCHAR, chance DOUBLE, asked BOOLEAN);
"""
TABLES = f"""
CREATE TABLE store (wearlore INTEGER);
INSERT INTO store VALUES ({FORMAT});
CREATE TABLE vehicles (vehicle VARCHAR, variant VARCHAR, built DATE, history VARCHAR, duty VARCHAR, intake INTEGER);
CREATE TABLE visits (vehicle VARCHAR, date DATE, km DOUBLE, intake INTEGER);
CREATE TABLE lines (vehicle VARCHAR, date DATE, km DOUBLE, visit VARCHAR, component VARCHAR, position VARCHAR,
    finding VARCHAR, mode VARCHAR, action VARCHAR, revision VARCHAR, grade VARCHAR, text VARCHAR,
    intake INTEGER, line BIGINT);
CREATE TABLE readings (vehicle VARCHAR, date DATE, km DOUBLE, reading VARCHAR, value DOUBLE,
    intake INTEGER, line BIGINT);
CREATE TABLE populations (population VARCHAR, vehicle VARCHAR);
CREATE TABLE intakes (intake INTEGER, file VARCHAR, sha256 VARCHAR, kind VARCHAR, taken DATE,
    read BIGINT, stored BIGINT, quarantined BIGINT);
CREATE TABLE quarantine (intake INTEGER, line BIGINT, reason VARCHAR, record VARCHAR);
CREATE TABLE aliases (field VARCHAR, spelling VARCHAR, meaning VARCHAR);
{PREDICTIONS}"""

Connection = duckdb.DuckDBPyConnection


class Store:
    """An open store; use it in a ``with`` statement. ``connection`` is for `records` and `lifetimes` only."""

    def __init__(self, path: Path, connection: Connection) -> None:
        self.path = path
        self.connection = connection

    @classmethod
    def open(cls, path: str | Path, read_only: bool = False) -> Store:
        """Open the store at ``path``; a new file is laid out when there is none.

        Raises StoreBusy when another process keeps it; StoreError when the folder is missing, the file is not a store,
        or is one of another format; with ``read_only`` also when there is no file.
        """
        path = Path(path)
        if not path.parent.is_dir():
            raise StoreError(str(path), f"the folder {path.parent} does not exist", "Create it, or name another.")
        if read_only and not path.exists():
            raise StoreError(str(path), "there is no store", "Load records first; that makes one.")
        new = not path.exists()
        store = cls(path, _connect(path, read_only=read_only))
        try:
            store._lay_out() if new else store._check()
        except StoreError:
            store.connection.close()
            if new:
                path.unlink(missing_ok=True)
                path.with_name(f"{path.name}.wal").unlink(missing_ok=True)
            raise
        return store

    def _lay_out(self) -> None:
        with self.transaction() as connection:
            connection.execute(TABLES)

    def _check(self) -> None:
        try:
            found = self.connection.execute("SELECT wearlore FROM main.store").fetchall()
        except duckdb.Error as error:
            raise _not_a_store(self.path) from error
        if found != [(FORMAT,)]:
            raise StoreError(
                str(self.path),
                f"the store has format {found[0][0] if found else 'unknown'}, this version reads format {FORMAT}",
                "Open it with the version that wrote it, or load the record files into a new store.",
            )

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """All or nothing: whatever is raised inside, the store is as it was. StoreError when it cannot be written."""
        try:
            self.connection.begin()
            yield self.connection
            self.connection.commit()
        except BaseException as error:
            self._roll_back()
            if isinstance(error, (duckdb.IOException, duckdb.FatalException)) or _is_full(error):
                raise StoreError(
                    str(self.path),
                    f"the store cannot be written ({_first_line(error)}) and is as it was",
                    "Free some space on the disk, or move the store, and take the file again.",
                ) from error
            if isinstance(error, duckdb.InvalidInputException) and "read-only" in str(error):
                raise StoreError(
                    str(self.path), "the store is open for reading only", "Open it for writing."
                ) from error
            raise

    def _roll_back(self) -> None:
        try:
            self.connection.rollback()
        except duckdb.Error:
            # nothing was begun, or the engine has already given the transaction up; the file holds only commits
            return

    def close(self) -> None:
        """Close; raises StoreError when the last writes cannot be brought into the file."""
        try:
            self.connection.close()
        except duckdb.Error as error:
            raise StoreError(
                str(self.path), f"the store cannot be closed ({_first_line(error)})", "Free some space on the disk."
            ) from error

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        self.close()


def _connect(path: Path, *, read_only: bool) -> Connection:
    """A connection; while another process has the file, for a moment again and again."""
    until = monotonic() + PATIENCE
    while True:
        try:
            return duckdb.connect(str(path.absolute()), read_only=read_only)  # ":memory:" is a file's name too
        except duckdb.Error as error:
            problem = _opening(path, error)
            if not isinstance(problem, StoreBusy) or monotonic() > until:
                raise problem from error
        sleep(PAUSE)


def _first_line(error: BaseException) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__


def _is_full(error: BaseException) -> bool:
    return isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS)


def _not_a_store(path: Path) -> StoreError:
    return StoreError(
        str(path), "this is not a store of records", "Name the store's own file, or a new one for a new store."
    )


def _opening(path: Path, error: duckdb.Error) -> StoreError:
    """What DuckDB says on opening, in the words of a person."""
    said = str(error)
    if "lock" in said or "different configuration" in said:
        return StoreBusy(
            str(path), "the store is open elsewhere", "Close it there; only one process at a time may write to it."
        )
    if "Permission denied" in said or "Read-only file system" in said:
        return StoreError(
            str(path), "the store may not be opened for writing here", "Open it for reading, or mend its rights."
        )
    if "No space left" in said or "File too large" in said:
        return StoreError(str(path), "the disk is full", "Free some space.")
    return _not_a_store(path)
