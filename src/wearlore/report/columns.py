"""A table in plain text: columns that fit the width, nothing cut off, headings across."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import floor

from rich.cells import cell_len
from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from wearlore.report.sheet import Column, Table

GAP = 2
NARROWEST = 12  # of a wide column, before the others must give way
READABLE = 24  # of a wide column, before spare ones are left out


def lay_out(table: Table, width: int) -> list[RenderableType]:
    """The table as parts to print one after another; cells too long for their column go on below."""
    table = _fitting(table, width)
    widths = _widths(table, width)
    rule = Text("─" * width)
    parts: list[RenderableType] = [_grid(table.columns, widths, [[column.label for column in table.columns]]), rule]
    body = len(table.rows) - table.totals
    rows: list[Sequence[str]] = []
    for number, row in enumerate(table.rows):
        if number == body or _across(table, row):
            parts += [_grid(table.columns, widths, rows)] * bool(rows)
            rows = []
        if number == body:
            parts.append(rule)
        if _across(table, row):
            parts.append(Padding(Text(row[0]), (int(number > 0), 0, 0, 0)))
        else:
            rows.append(row)
    return [*parts, *[_grid(table.columns, widths, rows)] * bool(rows)]


def _across(table: Table, row: Sequence[str]) -> bool:
    return len(row) < len(table.columns)


def _grid(columns: Sequence[Column], widths: Sequence[int], rows: Sequence[Sequence[str]]) -> Grid:
    grid = Grid.grid(padding=(0, GAP, 0, 0))
    for column, room in zip(columns, widths, strict=True):
        grid.add_column(justify=column.align, width=room, overflow="fold")
    for row in rows:
        grid.add_row(*(Text(cell) for cell in row))
    return grid


def _fitting(table: Table, width: int) -> Table:
    """The table without as many of its spare columns as it takes to fit, the last going first."""
    spare = [i for i, column in enumerate(table.columns) if column.spare]
    wanted = [min(want, READABLE) if c.wide else want for want, c in zip(_wanted(table), table.columns, strict=True)]
    while spare and sum(wanted) + GAP * len(wanted) > width:
        gone = spare.pop()
        del wanted[gone]
        rows = tuple(row if _across(table, row) else row[:gone] + row[gone + 1 :] for row in table.rows)
        table = replace(table, columns=table.columns[:gone] + table.columns[gone + 1 :], rows=rows)
    return table


def _wanted(table: Table) -> list[int]:
    """The widest cell of each column."""
    whole = [row for row in table.rows if not _across(table, row)]
    return [
        max(cell_len(line) for row in [[column.label], *([row[i]] for row in whole)] for line in row[0].split("\n"))
        for i, column in enumerate(table.columns)
    ]


def _longest_words(table: Table) -> list[int]:
    """The longest word of each column, which is not to be broken."""
    whole = [row for row in table.rows if not _across(table, row)]
    return [
        max((cell_len(word) for cell in [column.label, *(row[i] for row in whole)] for word in cell.split()), default=0)
        for i, column in enumerate(table.columns)
    ]


def _widths(table: Table, width: int) -> list[int]:
    """Columns as wide as their cells; the wide ones share what is left, or all share when that is too little."""
    wanted, words = _wanted(table), _longest_words(table)
    room = width - GAP * len(wanted)
    flexible = [i for i, column in enumerate(table.columns) if column.wide] or [0]
    left = room - sum(want for i, want in enumerate(wanted) if i not in flexible)
    if left < NARROWEST * len(flexible):
        flexible, left = list(range(len(wanted))), room
    shared = _shared([wanted[i] for i in flexible], [words[i] for i in flexible], left)
    widths = dict(enumerate(wanted)) | dict(zip(flexible, shared, strict=True))
    return [widths[i] for i in range(len(wanted))]


def _shared(wanted: Sequence[int], words: Sequence[int], room: int) -> list[int]:
    """``room`` in proportion to what is wanted beyond the longest words, the last taking the rest.

    Where not even the words fit, in proportion to what is wanted; each gets at least 1.
    """
    least = list(words) if sum(words) <= room else [0] * len(words)
    more = [max(want - start, 0) for want, start in zip(wanted, least, strict=True)]
    spare, total = room - sum(least), max(sum(more), 1)
    shares = [max(1, start + floor(spare * extra / total)) for start, extra in zip(least, more, strict=True)]
    return [*shares[:-1], max(1, room - sum(shares[:-1]))]
