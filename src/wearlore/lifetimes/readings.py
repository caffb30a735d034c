"""Readings: measured values beside the age of the piece on which they were measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.lifetimes import walk
from wearlore.lifetimes.feed import (
    GRADES,
    NUMBERED,
    Names,
    UnknownStart,
    batches,
    codes_of,
    design_of,
    frozen,
    named,
    prepare,
    rule_of,
)
from wearlore.lives import Array
from wearlore.records.store import Connection, Store


@dataclass(frozen=True, slots=True)
class Readings:
    """The values of one reading, sorted by vehicle, date and odometer; shape (n,), distances in km.

    ``age`` is that of ``mode`` on the unit that was measured (after a clean its virtual age, Kijima type II), 0 where
    it is not ``known``. ``vehicle`` and ``piece`` name the path on which values follow each other: the piece has a new
    number after each renewal, and after each repair, clean or cure outside these records, since these bring the value
    back too. ``revision`` and ``grade`` are of the piece.
    """

    reading: str
    mode: str
    vehicle: Names
    date: NDArray[np.datetime64]
    km: Array
    value: Array
    age: Array
    known: NDArray[np.bool_]
    piece: NDArray[np.int32]
    revision: Names
    grade: Names

    def __len__(self) -> int:
        return int(self.value.size)

    def where(self, mask: NDArray[np.bool_]) -> Readings:
        """The values for which ``mask`` (shape (n,)) holds."""
        return Readings(
            self.reading, self.mode, frozen(self.vehicle[mask]), frozen(self.date[mask]), frozen(self.km[mask]),
            frozen(self.value[mask]), frozen(self.age[mask]), frozen(self.known[mask]), frozen(self.piece[mask]),
            frozen(self.revision[mask]), frozen(self.grade[mask]),
        )  # fmt: skip


def ages_of_readings(
    store: Store,
    book: Book,
    reading: str,
    *,
    mode: str | None = None,
    position: str | None = None,
    unknown_start: UnknownStart = "left out",
) -> Readings:
    """Every stored value of ``reading`` with the age of the unit that it speaks of.

    That unit is the one that can have ``mode``, which must name the reading among its observations; None: the only mode
    that does. Records of readings name no position: of a component with several the reader must say which ``position``
    is meant. A value read in the visit in which the unit is renewed belongs to the piece that came out. A rule for
    ``unknown_start`` as in `lifetimes`. Raises NameNotKnown for a reading, mode, position or rule that does not exist
    or must still be named, RecordsErrors when stored records speak of what the book lacks.
    """
    chosen = _mode(book, reading, mode)
    component = book.modes[chosen].component
    place = _place(book, component, position)
    rule = rule_of(unknown_start)
    codes = codes_of(book)
    design = design_of(book, codes)
    prepare(store, codes)
    aged = codes.units.index((component, place)), codes.modes.index(chosen)
    engine = store.connection.cursor()
    engine.register("measured", _measured(store, reading))
    parts = []
    for history in batches(store):
        watch = walk.watch(history, design, aged=aged)
        walk.walk(design, history, walk.blank_units(design), walk.room_for(history, design), rule, watch)
        parts.append(_joined(engine, watch.ages))
    return _readings(reading, chosen, codes.revisions[codes.components.index(component)], parts)


def _mode(book: Book, reading: str, mode: str | None) -> str:
    known = [id_ for id_, observation in book.observations.items() if observation.kind == "reading"]
    if reading not in known:
        raise NameNotKnown("reading", reading, known)
    naming = [id_ for id_, own in book.modes.items() if reading in own.observations]
    if mode is None and len(naming) == 1:
        return naming[0]
    if mode is None or mode not in naming:
        raise NameNotKnown(f"failure mode with {reading} among its observations", mode or "(none named)", naming)
    return mode


def _place(book: Book, component: str, position: str | None) -> str:
    places = book.components[component].places
    if position is None and len(places) == 1:
        return places[0]
    if position is None or position not in places:
        raise NameNotKnown(f"position of {component}", position or "(none named)", places)
    return position


def _measured(store: Store, reading: str) -> pa.Table:
    return store.connection.sql(
        f"""
        SELECT n.number, r.vehicle, r.date, date_diff('day', DATE '1970-01-01', r.date)::INTEGER AS day, r.km, r.value
        FROM readings r JOIN ({NUMBERED}) n USING (vehicle) WHERE r.reading = $reading""",
        params={"reading": reading},
    ).to_arrow_table()


def _joined(engine: Connection, ages: walk.Ages) -> pa.Table:
    n = int(ages.size[0])
    engine.register("ages", pa.table({
        "number": ages.row_vehicle[:n], "day": ages.row_day[:n], "km": ages.row_km[:n], "age": ages.row_age[:n],
        "known": ages.row_known[:n], "piece": ages.row_piece[:n], "revision": ages.row_revision[:n],
        "grade": ages.row_grade[:n],
    }))  # fmt: skip
    return engine.sql("""
        SELECT vehicle, date, km, value, age, known, piece, revision, grade
        FROM measured JOIN ages USING (number, day, km) ORDER BY number, day, km, value
    """).to_arrow_table()


def _readings(reading: str, mode: str, revisions: tuple[str, ...], parts: list[pa.Table]) -> Readings:
    table = pa.concat_tables(parts) if parts else None
    own = {
        name: table[name].to_numpy() if table else np.empty(0)
        for name in ("vehicle", "date", "km", "value", "age", "known", "piece", "revision", "grade")
    }
    return Readings(
        reading,
        mode,
        frozen(own["vehicle"].astype(np.str_)),
        frozen(own["date"].astype("datetime64[D]")),
        frozen(own["km"].astype(np.float64)),
        frozen(own["value"].astype(np.float64)),
        frozen(own["age"].astype(np.float64)),
        frozen(own["known"].astype(np.bool_)),
        frozen(own["piece"].astype(np.int32)),
        named(revisions, own["revision"]),
        named(GRADES, own["grade"]),
    )
