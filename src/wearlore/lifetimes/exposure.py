"""Exposure: how far each life of one mode was driven while another mode was present on the vehicle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.lifetimes import walk
from wearlore.lifetimes.feed import (
    GRADES,
    Names,
    UnknownStart,
    batches,
    codes_of,
    design_of,
    named,
    prepare,
    rule_of,
)
from wearlore.lifetimes.grouping import group_of, grouped, rounded, summed
from wearlore.lives import Array, Exposure, Lives
from wearlore.records.store import Store

GRAIN = 1e-3  # km: no stretch is shorter, and no difference of odometers less exact
COLUMNS = ("variant", "revision", "grade", "entry", "lower", "upper", "at_entry", "at_lower", "at_upper", "present")


@dataclass(frozen=True, slots=True)
class ExposedLives:
    """The lives of ``mode`` and their exposure to ``by``, row by row; shape (n,).

    ``left_out`` lives of which the exposure is not known are not among them.
    """

    mode: str
    by: str
    lives: Lives
    exposure: Exposure
    variant: Names
    revision: Names
    grade: Names
    left_out: int

    def __len__(self) -> int:
        return len(self.lives)


def exposed(
    store: Store,
    book: Book,
    mode: str,
    by: str,
    *,
    group_km: float | None = None,
    unknown_start: UnknownStart = "left out",
    progress: Callable[[int, int], None] | None = None,
) -> ExposedLives:
    """The lives of ``mode``, each with the distance that it was driven with ``by`` present.

    ``by`` counts as present on the vehicle from where it was found failed on any unit of its component to its cure (or
    the last visit); a hidden ``by`` from the middle between its last look and the finding, and what nobody found was
    not there. The distance runs from where the life began, after a clean anew. ``present`` says that ``by`` was there
    just before the failure: what is found for the first time in the visit of the failure itself would be all failure
    and no distance.

    Left out and counted is a life that meets a stretch of which nobody knows whether ``by`` was present:

    - before the records begin, unless the unit of ``by`` is known to be the maker's own; also then, when an evident
      ``by`` is found failed in the first visit;
    - a hidden ``by`` on a unit of unknown start: up to the first look, renewal, repair or clean;
    - from the last finding of ``by`` to the visit in which it is seen to have been cured outside these records.

    Distances and ``group_km``, ``unknown_start`` (also for the units of ``by``) and ``progress`` as in `lifetimes`.
    Raises NameNotKnown, RecordsErrors.
    """
    for name in (mode, by):
        if name not in book.modes:
            raise NameNotKnown("failure mode", name, book.modes)
    if mode == by:
        raise ValueError("a mode is not exposed to itself: name two modes")
    group, rule = group_of(book, group_km), rule_of(unknown_start)
    codes = codes_of(book)
    design = design_of(book, codes)
    prepare(store, codes)
    total = int(store.connection.execute("SELECT count(DISTINCT vehicle) FROM visits").fetchall()[0][0])
    engine = store.connection.cursor()
    watched, wanted = codes.modes.index(by), codes.modes.index(mode)
    parts, done, left_out = [], 0, 0
    for history in batches(store):
        emitted, watch = walk.room_for(history, design), walk.watch(history, design, [watched])
        walk.walk(design, history, walk.blank_units(design), emitted, rule, watch)
        rows, known = _rows(history, emitted, watch.spells, wanted, group)
        left_out += int(np.count_nonzero(~known))
        parts.append(summed(engine, pa.table({name: column[known] for name, column in rows.items()})))
        done += int(np.count_nonzero(np.diff(history.vehicle))) + 1
        if progress is not None:
            progress(done, total)
    table = summed(engine, pa.concat_tables(parts)) if parts else None
    own = {name: table[name].to_numpy() if table else np.empty(0) for name in (*COLUMNS, "count")}
    return ExposedLives(
        mode,
        by,
        Lives(own["entry"], own["lower"], own["upper"], own["count"]),
        Exposure(own["at_entry"], own["at_lower"], own["at_upper"], own["present"].astype(np.bool_)),
        named(codes.variants, own["variant"]),
        named(codes.revisions[codes.mode_component[wanted]], own["revision"]),
        named(GRADES, own["grade"]),
        left_out,
    )


def _rows(
    history: walk.History, emitted: walk.Emitted, spells: walk.Spells, mode: int, group: float
) -> tuple[dict[str, NDArray[Any]], NDArray[np.bool_]]:
    """The lives of ``mode`` in one batch with their exposure, rounded; and which of them have a known one."""
    chosen = np.flatnonzero(emitted.mode[: int(emitted.size[0])] == mode)
    vehicle, born, began = emitted.vehicle[chosen], emitted.born[chosen], emitted.began[chosen]
    entry, lower, upper = emitted.entry[chosen], emitted.lower[chosen], emitted.upper[chosen]
    present, unsure = _stretches(history, spells)
    last = np.where(np.isinf(upper), lower, upper)
    at_start = present.driven(vehicle, began)
    at_entry, at_lower, at_last = (present.driven(vehicle, born + age) - at_start for age in (entry, lower, last))
    doubtful = unsure.driven(vehicle, born + last) - unsure.driven(vehicle, began)
    now = (lower == upper) & present.inside(vehicle, born + lower)
    entry, lower, upper = grouped(entry, lower, upper, group)
    rows = {
        "variant": history.variant[np.searchsorted(history.vehicle, vehicle)],
        "revision": emitted.revision[chosen], "grade": emitted.grade[chosen],
        "entry": entry, "lower": lower, "upper": upper,
        **_grouped_exposure(entry, lower, upper, (at_entry, at_lower, at_last), group),
        "present": now, "count": np.ones(chosen.size),
    }  # fmt: skip
    return rows, doubtful - at_last < GRAIN


def _grouped_exposure(
    entry: Array, lower: Array, upper: Array, at: tuple[Array, Array, Array], group: float
) -> dict[str, Array]:
    """Exposures rounded like the (grouped) distances of their lives, and never more than these."""
    at_entry, at_lower, at_last = (rounded(np.maximum(column, 0.0), group) for column in at)
    at_entry = np.minimum(at_entry, entry)
    at_lower = np.clip(at_lower, at_entry, at_entry + (lower - entry))
    more = np.where(np.isinf(upper), 0.0, upper - lower)
    return {"at_entry": at_entry, "at_lower": at_lower, "at_upper": np.clip(at_last, at_lower, at_lower + more)}


def _stretches(history: walk.History, spells: walk.Spells) -> tuple[_Stretches, _Stretches]:
    """Where the watched mode was present; and where it was or may have been."""
    n = int(spells.size[0])
    vehicle, known, end = spells.row_vehicle[:n], spells.row_known[:n], spells.row_end[:n]
    start = 0.5 * (spells.row_low[:n] + spells.row_start[:n])
    first, room = int(history.vehicle[0]), float(history.km.max()) + 1.0
    present = _Stretches.of(vehicle[known], start[known], end[known], first, room)
    return present, _Stretches.of(vehicle, start, end, first, room)


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Stretches of the odometers of many vehicles on one axis, overlapping ones joined; shape (s,)."""

    start: Array
    end: Array
    first: int  # vehicle that lies at 0
    room: float  # for each vehicle

    @classmethod
    def of(cls, vehicle: NDArray[np.int32], start: Array, end: Array, first: int, room: float) -> _Stretches:
        real = end - start >= GRAIN
        at = (vehicle[real] - first) * room
        low, high = at + start[real], at + end[real]
        order = np.argsort(low)
        low, reach = low[order], np.maximum.accumulate(high[order])
        apart = low[1:] > reach[:-1]
        edge = np.ones(min(low.size, 1), np.bool_)
        return cls(low[np.concatenate([edge, apart])], reach[np.concatenate([apart, edge])], first, room)

    def driven(self, vehicle: NDArray[np.int32], km: Array) -> Array:
        """Distance within the stretches on the whole axis up to this vehicle's odometer."""
        if not self.start.size:
            return np.zeros(km.size)
        before = np.concatenate([[0.0], np.cumsum(self.end - self.start)])
        knots = np.column_stack([self.start, self.end]).ravel()
        driven: Array = np.interp((vehicle - self.first) * self.room + km, knots, np.repeat(before, 2)[1:-1])
        return driven

    def inside(self, vehicle: NDArray[np.int32], km: Array) -> NDArray[np.bool_]:
        """Whether a stretch holds what lies just before this odometer."""
        if not self.start.size:
            return np.zeros(km.size, np.bool_)
        before = (vehicle - self.first) * self.room + km - GRAIN / 2
        k = np.searchsorted(self.start, before) - 1  # the last stretch that starts by then
        held: NDArray[np.bool_] = (k >= 0) & (before <= self.end[k])
        return held
