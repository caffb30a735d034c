"""Files of records as batches of text with line numbers; CSV and Parquet. Only their form is judged here."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import islice
from pathlib import Path
from typing import IO, Any, Literal

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from wearlore.errors import RecordsError, RecordsErrors

Kind = Literal["vehicles", "lines", "readings"]
Progress = Callable[[int, int], None]

REQUIRED: dict[Kind, tuple[str, ...]] = {
    "vehicles": ("vehicle", "variant", "built"),
    "lines": ("vehicle", "date", "odometer"),
    "readings": ("vehicle", "date", "odometer", "reading", "value"),
}
OPTIONAL: dict[Kind, tuple[str, ...]] = {
    "vehicles": ("history", "duty"),
    "lines": (
        "unit", "visit", "component", "position", "finding", "mode", "action", "revision", "grade", "text",
    ),
    "readings": ("unit",),
}  # fmt: skip
BATCH = 8_192  # records; many more at once and Python's garbage collector walks them over and over


@dataclass(frozen=True, slots=True)
class RecordFile:
    """A file whose kind is known; ``columns`` as it names them, in its order; ``name``: what it is called on record."""

    path: Path
    kind: Kind
    columns: tuple[str, ...]
    name: str

    @property
    def fields(self) -> tuple[str, ...]:
        """All columns that a file of this kind may have."""
        return REQUIRED[self.kind] + OPTIONAL[self.kind]

    def batches(self, progress: Progress | None = None) -> Iterator[pa.RecordBatch]:
        """Batches of ``line`` (int64), ``broken`` (text, null when the record has its form), and `fields` as text.

        ``line`` is the physical line on which a record starts (CSV) or the number of the row (Parquet). ``progress``
        is told the share that has been read as (done, total). Raises RecordsError when the rest cannot be read.
        """
        return (_parquet_batches if _is_parquet(self.path) else _csv_batches)(self, progress or (lambda *_: None))


def open_file(path: str | Path, called: str = "") -> RecordFile:
    """Look at a file's head and tell its kind by its columns; ``called``: its name on record, unless its path.

    Raises RecordsError or RecordsErrors.
    """
    path = Path(path)
    name = str(path)
    if path.suffix.lower() not in (".csv", ".parquet"):
        raise RecordsError(name, 0, "file", "a name ending in .csv or .parquet", "Export the records as one of these.")
    try:
        size = path.stat().st_size
    except OSError as error:
        raise _unreadable(path, error) from error
    if path.is_dir():
        raise RecordsError(name, 0, "file", "a file", "This is a folder: name one of the files in it.")
    if size == 0:
        raise RecordsError(name, 0, "file", "at least a header and one record", "The file is empty (0 bytes).")
    line, columns = (0, _parquet_columns(path)) if _is_parquet(path) else _csv_header(path)
    kind = _kind_of(columns)
    if problems := list(_column_problems(name, line, kind, columns)):
        raise RecordsErrors(problems)
    return RecordFile(path, kind, columns, called or name)


def _is_parquet(path: Path) -> bool:
    return path.suffix.lower() == ".parquet"


def _unreadable(path: Path, error: OSError) -> RecordsError:
    said = error.strerror or str(error)
    return RecordsError(str(path), 0, "file", "a file that can be read", f"It cannot: {said}.")


def _kind_of(columns: Sequence[str]) -> Kind:
    called = {column.casefold() for column in columns}
    if {"reading", "value"} & called:
        return "readings"
    return "vehicles" if {"variant", "built"} & called else "lines"


def _column_problems(name: str, line: int, kind: Kind, columns: Sequence[str]) -> Iterator[RecordsError]:
    for mark, called in ((";", "semicolons"), ("\t", "tabs")):
        if len(columns) == 1 and mark in columns[0]:
            mend = f"They stand between {called}: save the file as CSV with commas."
            yield RecordsError(name, line, "file", "commas between the columns", mend)
            return
    known = REQUIRED[kind] + OPTIONAL[kind]
    spare = [column for column in columns if column and column not in known]
    found = f"The columns are {', '.join(columns)}."
    for column in REQUIRED[kind]:
        if column not in columns:
            hint = _meant(column, spare, 0.4)
            yield RecordsError(name, line, column, f"this column in a file of {kind}", f"{found} {hint}".rstrip())
    for column in spare:
        hint = _meant(column, [k for k in known if k not in columns], 0.6) or f"Known are {', '.join(known)}."
        yield RecordsError(
            name, line, column, f"only columns that a file of {kind} has", f"{hint} Rename it or take it out."
        )
    for number, column in enumerate(columns, 1):
        if not column:
            yield RecordsError(name, line, f"column {number}", "a name in the header", "Name it, or take it out.")
    for column in sorted({c for c in columns if c and columns.count(c) > 1}):
        yield RecordsError(name, line, column, "each column once", "Take one of them out.")


def _meant(column: str, names: Sequence[str], cutoff: float) -> str:
    spelled = {name.casefold(): name for name in names}
    near = get_close_matches(column.casefold(), spelled, n=1, cutoff=cutoff)
    return f"Is {spelled[near[0]]!r} meant?" if near else ""


def _batch(file: RecordFile, lines: Sequence[int], broken: Any, cells: Sequence[Any]) -> pa.RecordBatch:
    given = dict(zip(file.columns, cells, strict=True))
    empty = pa.nulls(len(lines), pa.string())
    columns = [pa.array(lines, pa.int64()), broken, *(given.get(field, empty) for field in file.fields)]
    return pa.RecordBatch.from_arrays(columns, names=["line", "broken", *file.fields])


# --- CSV -----------------------------------------------------------------------------------------------------------


def _text_lines(path: Path, stream: IO[bytes]) -> Iterator[str]:
    """Lines as text, so that a byte that is not UTF-8 has its line number; remarks (#) above the header are blank."""
    above_header = True
    for number, raw in enumerate(stream, 1):
        try:
            text = raw.decode("utf-8-sig" if number == 1 else "utf-8")
            above_header = above_header and text.startswith(("#", "\n", "\r"))
            yield "\n" if above_header else text
        except UnicodeDecodeError as error:
            raise RecordsError(
                str(path), number, "file", "text in UTF-8",
                f"Byte {error.start + 1} of this line is 0x{raw[error.start]:02x}. Save the file as UTF-8.",
            ) from error  # fmt: skip


def _csv_records(path: Path, stream: IO[bytes]) -> Iterator[tuple[int, list[str]]]:
    """Each record that is not blank (bare commas are) with the line on which it starts."""
    reader = csv.reader(_text_lines(path, stream), strict=True)
    start = 1
    while True:
        try:
            record = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise RecordsError(
                str(path), start, "file", "comma-separated values, a cell with a comma, quote or line break in quotes",
                f"The record that starts here cannot be read: {error}.",
            ) from error  # fmt: skip
        if any(map(str.strip, record)):
            yield start, record
        start = reader.line_num + 1


def _csv_header(path: Path) -> tuple[int, tuple[str, ...]]:
    try:
        with path.open("rb") as stream:
            head = list(islice(_csv_records(path, stream), 2))
    except OSError as error:
        raise _unreadable(path, error) from error
    if len(head) < 2:
        raise RecordsError(str(path), 0, "file", "at least a header and one record", "There is none.")
    line, cells = head[0]
    return line, tuple(cell.strip() for cell in cells)


def _csv_batches(file: RecordFile, progress: Progress) -> Iterator[pa.RecordBatch]:
    width, total = len(file.columns), file.path.stat().st_size
    with file.path.open("rb") as stream:
        records = islice(_csv_records(file.path, stream), 1, None)
        while block := list(islice(records, BATCH)):
            lines, rows = [line for line, _ in block], [record for _, record in block]
            broken: list[str | None] = [None] * len(rows)
            for k, row in enumerate(rows):
                if len(row) != width:
                    broken[k] = f"{len(row)} cells: {_joined(row)}"
                    rows[k] = (row + [""] * width)[:width]
            cells = [pa.array(list(column), pa.string()) for column in zip(*rows, strict=True)]
            yield _batch(file, lines, pa.array(broken, pa.string()), cells)
            progress(stream.tell(), total)


def _joined(row: Sequence[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow(row)
    return text.getvalue()


# --- Parquet -------------------------------------------------------------------------------------------------------

PARQUET_FAULTS = (pa.ArrowException, OSError, ValueError, OverflowError, MemoryError, TypeError, KeyError)


def _corrupt(path: Path, error: BaseException) -> RecordsError:
    said = (str(error).splitlines() or [type(error).__name__])[0]
    return RecordsError(str(path), 0, "file", "a Parquet file", f"It cannot be read as one ({said}). Export it again.")


def _parquet_columns(path: Path) -> tuple[str, ...]:
    try:
        with pq.ParquetFile(path) as parquet:
            columns, rows = tuple(parquet.schema_arrow.names), parquet.metadata.num_rows
    except PARQUET_FAULTS as error:
        raise _corrupt(path, error) from error
    if not rows:
        raise RecordsError(str(path), 0, "file", "at least one record", "There is none.")
    return columns


def _parquet_batches(file: RecordFile, progress: Progress) -> Iterator[pa.RecordBatch]:
    done = 0
    try:
        with pq.ParquetFile(file.path) as parquet:
            total = parquet.metadata.num_rows
            for batch in parquet.iter_batches(BATCH, columns=list(file.columns)):
                lines = list(range(done + 1, done + 1 + batch.num_rows))
                done += batch.num_rows
                cells = [_as_text(file, name, batch.column(name)) for name in file.columns]
                yield _batch(file, lines, pa.nulls(len(lines), pa.string()), cells)
                progress(done, total)
    except RecordsError:
        raise
    except PARQUET_FAULTS as error:
        raise _corrupt(file.path, error) from error


def _as_text(file: RecordFile, name: str, cells: Any) -> Any:
    kind = cells.type
    if pa.types.is_dictionary(kind):
        return _as_text(file, name, cells.cast(kind.value_type))
    if pa.types.is_timestamp(kind):
        cells = cells.cast(pa.date32(), safe=False)
    try:
        if pa.types.is_floating(kind):  # what is missing in a column of numbers often comes as "not a number"
            cells = pc.if_else(pc.is_nan(cells), pa.scalar(None, kind), cells)
        text = cells.cast(pa.string())
        text.validate(full=True)
    except pa.ArrowException as error:
        raise RecordsError(file.name, 0, name, "a column of text, numbers or dates", f"It is {kind}.") from error
    return text
