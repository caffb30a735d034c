"""The whole fleet as its records leave it, as arrays: the batch twin of `vehicle_at`."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.lifetimes import walk
from wearlore.lifetimes.feed import GRADES, NUMBERED, Codes, batches, codes_of, design_of, prepare
from wearlore.lives import Array
from wearlore.records.store import Store
from wearlore.vehicle import Fleet

Ints = NDArray[np.int32]
Flags = NDArray[np.bool_]


class _Ends(NamedTuple):
    """What a batch of vehicles leaves; one row a vehicle."""

    variant: Ints
    built: Ints
    last: Ints
    km: Array
    leg: Array
    revision: Ints
    grade: Ints
    at_least: Array
    applies: Flags
    age: Array
    seen_good: Array
    present: Flags


def fleet(store: Store, book: Book, *, progress: Callable[[int, int], None] | None = None) -> Fleet:
    """Every vehicle that has a visit, after one walk; equal to `vehicle_at` vehicle by vehicle.

    ``progress`` is told (vehicles done, vehicles in all). Raises RecordsErrors when stored records speak of what the
    book lacks.
    """
    codes = codes_of(book)
    design = design_of(book, codes)
    prepare(store, codes)
    rows = store.connection.execute(f"SELECT vehicle FROM ({NUMBERED}) ORDER BY number").fetchall()
    names = [name for (name,) in rows]
    numbers: list[NDArray[np.int32]] = []
    parts: list[_Ends] = []
    done = 0
    for history in batches(store):
        first = np.flatnonzero(np.diff(history.vehicle, prepend=-1)).astype(np.int64)
        ends = _room(first.size, design)
        emitted, units = walk.room_for(history, design), walk.blank_units(design)
        _walk_each(design, history, first, units, emitted, walk.watch(history, design), ends)
        parts.append(ends)
        numbers.append(history.vehicle[first])
        done += first.size
        if progress is not None:
            progress(done, len(names))
    parts = parts or [_room(0, design)]
    joined = _Ends(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
    order = np.concatenate(numbers).tolist() if numbers else []
    return Fleet(
        tuple(names[k] for k in order),
        **joined._asdict(),
        variants=codes.variants,
        units=codes.units,
        revisions=tuple(codes.revisions[c] for c in design.unit_component),
        unit_slot=design.unit_slot,
        modes=tuple(codes.modes[m] for m in _mode_of_slot(codes, design)),
        hidden=design.hidden[_mode_of_slot(codes, design)],
        grades=GRADES,
    )  # fmt: skip


def _mode_of_slot(codes: Codes, design: walk.Design) -> list[int]:
    return [
        int(design.first_mode[c]) + k
        for u, c in enumerate(design.unit_component)
        for k in range(int(design.unit_slot[u + 1] - design.unit_slot[u]))
    ]


def _room(n: int, design: walk.Design) -> _Ends:
    units, slots = design.unit_component.size, int(design.unit_slot[-1])
    return _Ends(
        variant=np.empty(n, np.int32), built=np.empty(n, np.int32), last=np.empty(n, np.int32),
        km=np.empty(n), leg=np.empty(n),
        revision=np.empty((n, units), np.int32), grade=np.empty((n, units), np.int32), at_least=np.empty((n, units)),
        applies=np.empty((n, slots), np.bool_), age=np.empty((n, slots)), seen_good=np.empty((n, slots)),
        present=np.empty((n, slots), np.bool_),
    )  # fmt: skip


@njit(cache=True)
def _walk_each(design, history, first, units, emitted, watch, ends):  # type: ignore[no-untyped-def]
    """Walk vehicle after vehicle, keeping how each ends; ``first`` (n,): the rows where they begin."""
    for i in range(first.size):
        start = first[i]
        end = first[i + 1] if i + 1 < first.size else history.vehicle.size
        own = walk.History(
            history.vehicle[start:end], history.variant[start:end], history.built[start:end],
            history.complete[start:end], history.day[start:end], history.km[start:end], history.unit[start:end],
            history.finding[start:end], history.mode[start:end], history.action[start:end],
            history.revision[start:end], history.grade[start:end],
        )  # fmt: skip
        walk.walk(design, own, units, emitted, walk.LEAVE_OUT, watch)
        ends.variant[i] = own.variant[0]
        ends.built[i] = own.built[0]
        ends.last[i] = own.day[-1]
        ends.km[i] = own.km[-1]
        ends.leg[i] = _usual_leg(own.km)
        _keep(design, units, ends, i)


@njit(cache=True)
def _usual_leg(km):  # type: ignore[no-untyped-def]
    """As `records.summary.usual_leg`."""
    distinct = np.unique(km)
    return np.median(np.diff(distinct)) if distinct.size > 1 else np.nan


@njit(cache=True)
def _keep(design, units, ends, i):  # type: ignore[no-untyped-def]
    km = ends.km[i]
    for u in range(design.unit_component.size):
        ends.revision[i, u] = units.revision[u]
        ends.grade[i, u] = units.grade[u]
        ends.at_least[i, u] = km - units.since[u]
        for s in range(design.unit_slot[u], design.unit_slot[u + 1]):
            mode = design.first_mode[design.unit_component[u]] + s - design.unit_slot[u]
            ends.applies[i, s] = units.applies[s]
            ends.present[i, s] = units.present[s]
            looked_back = design.hidden[mode] or units.present[s]
            good = units.good[s] if looked_back else km
            if units.known[s]:
                ends.age[i, s] = units.age0[s] + (km - units.km0[s])
                ends.seen_good[i, s] = units.age0[s] + (good - units.km0[s])
            else:
                ends.age[i, s] = np.nan
                ends.seen_good[i, s] = max(good - units.since[u], 0.0)
