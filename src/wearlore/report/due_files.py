"""The due list as a table for an office: CSV or XLSX, one row a vehicle."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from io import BytesIO, StringIO
from pathlib import Path

import xlsxwriter
from xlsxwriter.exceptions import XlsxWriterException

from wearlore.answers.due import DueVehicle
from wearlore.errors import OutputError
from wearlore.report.due import scope_in_words
from wearlore.units import Units

Cell = str | float | int | date
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")  # a cell that begins so would be reckoned, not read
TEXT, WHOLE, MONEY, SHARE, DAY = "text", "whole", "money", "share", "day"
AS_TEXT = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
MOST_ROWS = 1_048_575  # that a sheet holds below its header


def columns(units: Units) -> tuple[tuple[str, str], ...]:
    """Header with unit, and kind, of each column."""
    money, distance = units.currency, units.distance
    return (
        ("Rank", WHOLE), ("Vehicle", TEXT), ("Variant", TEXT), ("Last visit", DAY),
        (f"Odometer at last visit ({distance})", WHOLE), (f"Expected odometer at next visit ({distance})", WHOLE),
        ("Open faults", TEXT), ("Do", TEXT), ("Do (unit=remedy:grade)", TEXT),
        (f"Cost now ({money})", MONEY), (f"Cost later if left ({money})", MONEY),
        (f"Cost later if done ({money})", MONEY), (f"Saving ({money})", MONEY),
        (f"Saving, low 95 % ({money})", MONEY), (f"Saving, high 95 % ({money})", MONEY),
        ("Chance of a failure before the visit after (0 to 1)", SHARE),
        ("Chance of a failure within the horizon (0 to 1)", SHARE),
        ("Chance of stopping on the road before the visit after (0 to 1)", SHARE),
        ("Chance of stopping on the road within the horizon (0 to 1)", SHARE),
    )  # fmt: skip


def cells(row: DueVehicle, units: Units) -> tuple[Cell, ...]:
    """One vehicle, as `columns` names it."""
    ids = "; ".join(f"{one.unit}={one.remedy}:{one.grade}" for one in row.items)
    return (
        row.rank, row.vehicle, row.variant, row.last_visit, round(units.from_km(row.last_km)),
        round(units.from_km(row.km)), "; ".join(row.faults), scope_in_words(row), ids,
        *(round(x, 2) for x in (row.now, row.left, row.done, row.saving.value, row.saving.low, row.saving.high)),
        *(round(x, 4) for x in (row.fails_soon, row.fails_far, row.stops_soon, row.stops_far)),
    )  # fmt: skip


def harmless(cell: Cell) -> Cell:
    """Text that a spreadsheet would take for a formula is led by an apostrophe."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell


def to_csv(rows: Iterable[DueVehicle], units: Units) -> bytes:
    """UTF-8 with a mark at its head, so that offices read it as such; dates as YYYY-MM-DD."""
    text = StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(header for header, _ in columns(units))
    writer.writerows([harmless(cell) for cell in cells(row, units)] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def to_xlsx(rows: Iterable[DueVehicle], units: Units) -> bytes:
    """A workbook with one sheet; text stays text. Raises OutputError for more rows than a sheet holds."""
    made = BytesIO()
    _write(made, rows, units, {"in_memory": True})
    return made.getvalue()


def save_xlsx(rows: Iterable[DueVehicle], units: Units, path: Path) -> None:
    """Write what `to_xlsx` makes, row by row. Raises OutputError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _write(str(path), rows, units, {"constant_memory": True})
    except (OSError, XlsxWriterException) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise OutputError(str(path), f"it cannot be written: {said}", "Name another place.") from error


def _write(to: str | BytesIO, rows: Iterable[DueVehicle], units: Units, how: Mapping[str, bool]) -> None:
    with xlsxwriter.Workbook(to, {**AS_TEXT, **how}) as book:
        _fill(book, rows, units)


def _fill(book: xlsxwriter.Workbook, rows: Iterable[DueVehicle], units: Units) -> None:
    formats = {
        WHOLE: book.add_format({"num_format": "#,##0"}),
        MONEY: book.add_format({"num_format": "#,##0"}),
        SHARE: book.add_format({"num_format": "0.0%"}),
        DAY: book.add_format({"num_format": "yyyy-mm-dd"}),
    }
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    sheet = book.add_worksheet("Due")
    named = columns(units)
    sheet.freeze_panes(1, 2)
    for k, (header, kind) in enumerate(named):
        sheet.set_column(k, k, 48 if header.startswith("Do") else 16 if kind in (TEXT, DAY) else 13)
        sheet.write_string(0, k, header, head)
    last = 0
    for last, row in enumerate(_limited(rows), start=1):
        for k, ((_, kind), cell) in enumerate(zip(named, cells(row, units), strict=True)):
            if isinstance(cell, date):
                sheet.write_datetime(last, k, cell, formats[DAY])
            elif isinstance(cell, str):
                sheet.write_string(last, k, cell)
            else:
                sheet.write_number(last, k, cell, formats[kind])
    sheet.autofilter(0, 0, last, len(named) - 1)


def _limited(rows: Iterable[DueVehicle]) -> Iterator[DueVehicle]:
    for number, row in enumerate(rows):
        if number == MOST_ROWS:
            raise OutputError("the sheet", f"a sheet holds {MOST_ROWS:,} vehicles", "Write a CSV, or give --top.")
        yield row
