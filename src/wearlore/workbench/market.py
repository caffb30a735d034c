"""A file of market prices -> sales: CSV with price, age or year, and odometer; every bad line named."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from pathlib import Path

from wearlore.appraisal import Sale
from wearlore.errors import RecordsError, RecordsErrors
from wearlore.units import DAYS_PER_YEAR, KM_PER, Units

COLUMNS = ("price", "age", "year", "odometer", "unit")
OLDEST = 1885  # no motor vehicle is older


@dataclass(frozen=True)
class _File:
    name: str
    columns: tuple[str, ...]
    units: Units
    today: date

    def sale(self, line: int, cells: Sequence[str]) -> Sale:
        """Raises RecordsErrors with all that is wrong with the line."""
        if len(cells) != len(self.columns):
            wanted = f"{len(self.columns)} cells, as in the header"
            raise RecordsErrors([RecordsError(self.name, line, "line", wanted, f"It has {len(cells)}.")])
        given = dict(zip(self.columns, map(str.strip, cells), strict=True))
        problems: list[RecordsError] = []
        found = [self._number(line, field, given, problems) for field in ("price", self._when, "odometer")]
        unit = given.get("unit") or self.units.distance
        if unit not in KM_PER:
            problems.append(RecordsError(self.name, line, "unit", " or ".join(KM_PER), f"It is {unit!r}."))
        if problems:
            raise RecordsErrors(problems)
        price, when, odometer = (number for number in found if number is not None)
        return Sale(price, when if self._when == "age" else self._age(when), odometer * KM_PER[unit])

    @property
    def _when(self) -> str:
        return "age" if "age" in self.columns else "year"

    def _age(self, year: float) -> float:
        """From the middle of its year."""
        return max(0.0, (self.today - date(int(year), 7, 1)).days / DAYS_PER_YEAR)

    def _number(self, line: int, field: str, given: dict[str, str], problems: list[RecordsError]) -> float | None:
        try:
            number = float(given[field])
        except ValueError:
            number = float("nan")
        this_year = self.today.year
        expected = {
            "price": ("a price above 0", number > 0),
            "age": ("an age in years, 0 or more", number >= 0),
            "year": (f"a year from {OLDEST} to {this_year}", number % 1 == 0 and OLDEST <= number <= this_year),
            "odometer": ("a distance, 0 or more", number >= 0),
        }[field]
        if isfinite(number) and expected[1]:
            return number
        problems.append(RecordsError(self.name, line, field, expected[0], f"It is {given[field]!r}."))
        return None


def sales(path: Path, units: Units, today: date) -> tuple[Sale, ...]:
    """The prices in a file; odometers are in ``units`` unless a column ``unit`` says otherwise.

    Raises RecordsError for a file that cannot be read, RecordsErrors for all bad lines at once.
    """
    rows = _rows(path)
    line, header = next(rows, (0, []))
    columns = tuple(cell.strip().casefold() for cell in header)
    if problems := list(_column_problems(str(path), line, columns)):
        raise RecordsErrors(problems)
    file = _File(str(path), columns, units, today)
    found: list[Sale] = []
    bad: list[RecordsError] = []
    for line, cells in rows:
        try:
            found.append(file.sale(line, cells))
        except RecordsErrors as errors:
            bad += errors.errors
    if bad:
        raise RecordsErrors(bad)
    return tuple(found)


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Records with the line on which each ends; blank lines and remarks (#) above the header left out."""
    name, begun = str(path), False
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise RecordsError(name, line, "file", "text in UTF-8", "Save the file as UTF-8.") from error
    except OSError as error:
        raise RecordsError(name, 0, "file", "a file that can be read", f"It cannot: {error.strerror}.") from error
    reader = csv.reader(text.splitlines(keepends=True), strict=True)
    try:
        for cells in reader:
            if any(map(str.strip, cells)) and (begun or not cells[0].lstrip().startswith("#")):
                begun = True
                yield reader.line_num, cells
    except csv.Error as error:
        raise RecordsError(name, reader.line_num, "file", "comma-separated values", f"{error}.") from error


def _column_problems(name: str, line: int, columns: tuple[str, ...]) -> Iterator[RecordsError]:
    if not columns:
        yield RecordsError(name, 0, "file", "a header and prices", "The file is empty.")
        return
    found = f"The columns are {', '.join(columns)}."
    for column in ("price", "odometer"):
        if column not in columns:
            yield RecordsError(name, line, column, "this column in a file of prices", found)
    if ("age" in columns) == ("year" in columns):
        yield RecordsError(name, line, "age", "a column age (years) or a column year, one of the two", found)
    for column in columns:
        if column not in COLUMNS:
            known = f"Known are {', '.join(COLUMNS)}."
            yield RecordsError(name, line, column or "header", "only columns that a file of prices has", known)
    for column in sorted({c for c in columns if columns.count(c) > 1}):
        yield RecordsError(name, line, column, "each column once", "Take one of them out.")
