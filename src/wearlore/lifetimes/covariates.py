"""Covariates: what else is known of a life, that may have made it longer or shorter.

    duty               the vehicle's duty, as the records say it
    position           of the unit
    history            "complete": the records reach back to new; "unknown": they begin somewhere
    built              decimal year in which the vehicle was built, to the nearest whole one
    per-year           distance (km) in a year, over the vehicle's visits; needs two that are 180 days apart
    interval:COMPONENT mean distance (km) between renewals of that component on the vehicle (at whatever position);
                       needs two such intervals

The last two are known only afterwards, from the whole record: each is taken as a constant habit of its vehicle, also
for lives that ended long before the record did. Numbers are rounded so that equal rows can be counted together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.lifetimes.feed import NUMBERED, Codes, Names
from wearlore.lifetimes.grouping import BUILT_STEP, INTERVAL_STEP, PER_YEAR_STEP, rounded, step_of
from wearlore.lifetimes.walk import NOTHING
from wearlore.lives import Array
from wearlore.records.store import Store

POSITION, INTERVAL = "position", "interval:"
APART_DAYS, INTERVALS = 180, 2  # at least

SQL = {
    "duty": "SELECT vehicle, duty AS value FROM vehicles",
    "history": "SELECT vehicle, history AS value FROM vehicles",
    "built": """
        SELECT vehicle, year(built) + (dayofyear(built) - 1) / dayofyear(make_date(year(built), 12, 31)) AS value
        FROM vehicles""",
    "per-year": f"""
        SELECT vehicle, (max(km) - min(km)) / (date_diff('day', min(date), max(date)) / 365.25) AS value
        FROM visits GROUP BY vehicle HAVING date_diff('day', min(date), max(date)) >= {APART_DAYS}""",
    INTERVAL: f"""
        SELECT vehicle, (max(km) - min(km)) / (count(DISTINCT km) - 1) AS value
        FROM lines WHERE component = $component AND action = 'renewed'
        GROUP BY vehicle HAVING count(DISTINCT km) > {INTERVALS}""",
}
STEPS = {"built": BUILT_STEP, "per-year": PER_YEAR_STEP, INTERVAL: INTERVAL_STEP}


@dataclass(frozen=True, slots=True)
class Covariate:
    """A covariate of every vehicle (by its number), or of every unit: positions in ``levels``; NOTHING: not known."""

    name: str
    levels: Names | Array
    codes: NDArray[np.int32]

    def of(self, vehicle: NDArray[np.int32], unit: NDArray[np.int32]) -> NDArray[np.int32]:
        """The codes for lives of these vehicles and units."""
        return self.codes[unit if self.name == POSITION else vehicle]


def covariates_of(store: Store, book: Book, codes: Codes, names: Sequence[str]) -> tuple[Covariate, ...]:
    """The covariates that are asked for; NameNotKnown for one that does not exist. After `feed.prepare`."""
    known = [POSITION, *(name for name in SQL if name != INTERVAL), *(f"{INTERVAL}{c}" for c in codes.components)]
    for name in names:
        if name not in known:
            raise NameNotKnown("covariate", name, known)
    if len(set(names)) < len(names):
        raise ValueError("each covariate is asked for once")
    return tuple(_covariate(store, book, codes, name) for name in names)


def _covariate(store: Store, book: Book, codes: Codes, name: str) -> Covariate:
    if name == POSITION:
        return _coded(name, np.array([position for _, position in codes.units]), None)
    kind, _, component = name.partition(":")
    source = SQL[f"{kind}:" if component else kind]
    rows: pa.Table = store.connection.sql(
        f"SELECT x.value FROM ({NUMBERED}) n LEFT JOIN ({source}) x USING (vehicle) ORDER BY n.number",
        params={"component": component} if component else None,
    ).to_arrow_table()
    known: NDArray[np.bool_] = rows["value"].is_valid().to_numpy()
    values = rows["value"].drop_null().to_numpy()
    step = STEPS.get(f"{kind}:" if component else kind)
    if step is None:
        return _coded(name, values.astype(np.str_), known)
    size = step if kind == "built" else step_of(book, step)
    near = rounded(values.astype(np.float64), size)
    return _coded(name, np.maximum(near, size) if component else near, known)  # an interval is never 0


def _coded(name: str, values: NDArray[Any], known: NDArray[np.bool_] | None) -> Covariate:
    levels, inverse = np.unique(values, return_inverse=True)
    if known is None:
        return Covariate(name, levels, inverse.astype(np.int32))
    codes = np.full(known.size, NOTHING, np.int32)
    codes[known] = inverse
    return Covariate(name, levels, codes)
