"""Rounding: distances to groups, so that equal rows can be counted together."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from wearlore.book.model import Book
from wearlore.lives import Array
from wearlore.records.store import Connection

GROUP_KM = 100.0  # parameters of life move by less than 4e-5
GROUP_TIME = 1.0  # where the family's ages run in hours or days; what else is rounded there shrinks alike

BUILT_STEP = 1.0  # years
PER_YEAR_STEP = 1_000.0  # km
INTERVAL_STEP = 500.0  # km


def group_of(book: Book, asked: float | None = None) -> float:
    """The group that is asked for, or the family's; ValueError unless it is greater than 0."""
    if asked is None:
        return GROUP_KM if book.units.distance in ("km", "miles") else GROUP_TIME
    if not asked > 0:
        raise ValueError("group_km must be greater than 0")
    return asked


def step_of(book: Book, km: float) -> float:
    """A step of so many km, in the unit in which the family's ages run."""
    return km * group_of(book) / GROUP_KM


def rounded(values: Array, step: float) -> Array:
    """The nearest multiples of ``step``; halves go up."""
    return np.floor(values / step + 0.5) * step


def grouped(entry: Array, lower: Array, upper: Array, group: float) -> tuple[Array, Array, Array]:
    """Rows of lives with their distances rounded to multiples of ``group``.

    An exact failure stays exact and is never at 0: there it goes to half a group. An interval stays an interval: one
    that lies within a group becomes that whole group. The entry stays at or before the lower end.
    """
    nearest = [rounded(column, group) for column in (entry, lower, upper)]
    low, high = nearest[1], nearest[2]
    within = (lower < upper) & (low == high)
    low, high = np.where(within, np.maximum(low - group / 2, 0), low), np.where(within, high + group / 2, high)
    at_zero = high == 0
    low, high = np.where(at_zero, group / 2, low), np.where(at_zero, group / 2, high)
    return np.minimum(nearest[0], low), low, high


def summed(engine: Connection, rows: pa.Table) -> pa.Table:
    """Equal rows counted together (their ``count`` summed), sorted by the columns as they stand."""
    engine.register("emitted", rows)
    names = ", ".join(name for name in rows.column_names if name != "count")
    total = engine.sql(f'SELECT {names}, sum("count") AS "count" FROM emitted GROUP BY ALL ORDER BY ALL')
    return total.to_arrow_table()
