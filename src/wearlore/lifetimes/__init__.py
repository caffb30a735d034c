"""Lifetimes: records and book in, lives and units out. The one door from tables to arrays.

The engine sorts and joins, `walk` tells each vehicle's history, the engine groups the lives that come out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, RecordsError
from wearlore.lifetimes import walk
from wearlore.lifetimes.feed import EPOCH, GRADES, Codes, batches, codes_of, design_of, prepare
from wearlore.lives import Array, Evidence, Lives
from wearlore.records.store import Connection, Store
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

__all__ = ["Lifetimes", "ModeLives", "grouped", "lifetimes", "vehicle_at"]

Names = NDArray[np.str_]


@dataclass(frozen=True, slots=True)
class ModeLives:
    """The lives of one mode; row k of ``lives`` was of ``variant[k]``, ``revision[k]``, ``grade[k]`` (shape (n,))."""

    mode: str
    lives: Lives
    variant: Names
    revision: Names
    grade: Names
    evidence: Evidence

    def select(self, variant: str | None = None, revision: str | None = None, grade: str | None = None) -> Lives:
        """The lives of one variant, revision, grade; of all when None."""
        mask = np.ones(len(self.lives), np.bool_)
        for names, wanted in ((self.variant, variant), (self.revision, revision), (self.grade, grade)):
            if wanted is not None:
                mask &= names == wanted
        return self.lives.where(mask)


@dataclass(frozen=True, slots=True)
class Lifetimes:
    """The lives of every mode of the book (a mode without any has none), grouped to ``group_km``."""

    modes: Mapping[str, ModeLives]
    vehicles: int
    group_km: float

    @classmethod
    def none(cls, book: Book) -> Lifetimes:
        """No records at all."""
        codes = codes_of(book)
        return cls(MappingProxyType(_by_mode(None, codes, _Counts(len(codes.modes)))), 0, 0.0)


def lifetimes(
    store: Store, book: Book, *, group_km: float | None = None, progress: Callable[[int, int], None] | None = None
) -> Lifetimes:
    """The lives of all modes from the records.

    Distances are grouped to ``group_km`` (None: 100 km, or 1 hour or day where the family's ages run in these).
    ``progress`` is told (vehicles done, vehicles in all). Raises RecordsErrors when stored records speak of what the
    book lacks.
    """
    if group_km is None:
        group_km = 100.0 if book.units.distance in ("km", "miles") else 1.0
    if not group_km > 0:
        raise ValueError("group_km must be greater than 0")
    codes = codes_of(book)
    design = design_of(book, codes)
    prepare(store, codes)
    total = int(store.connection.execute("SELECT count(DISTINCT vehicle) FROM visits").fetchall()[0][0])
    counts = _Counts(len(codes.modes))
    engine = store.connection.cursor()  # groups while the store's own connection hands the batches over
    parts, done = [], 0
    for history in batches(store):
        emitted = walk.room_for(history, design)
        walk.walk(design, history, walk.blank_units(design), emitted)
        counts.add(emitted)
        parts.append(_group(engine, history, emitted, group_km))
        done += int(np.count_nonzero(np.diff(history.vehicle))) + 1
        if progress is not None:
            progress(done, total)
    table = _summed(engine, pa.concat_tables(parts)) if parts else None
    return Lifetimes(MappingProxyType(_by_mode(table, codes, counts)), done, group_km)


def grouped(entry: Array, lower: Array, upper: Array, group: float) -> tuple[Array, Array, Array]:
    """Rows of lives with their distances rounded to multiples of ``group``.

    An exact failure stays exact and is never at 0: there it goes to half a group. An interval stays an interval: one
    that lies within a group becomes that whole group. The entry stays at or before the lower end.
    """
    nearest = [np.floor(column / group + 0.5) * group for column in (entry, lower, upper)]
    low, high = nearest[1], nearest[2]
    within = (lower < upper) & (low == high)
    low, high = np.where(within, np.maximum(low - group / 2, 0), low), np.where(within, high + group / 2, high)
    at_zero = high == 0
    low, high = np.where(at_zero, group / 2, low), np.where(at_zero, group / 2, high)
    return np.minimum(nearest[0], low), low, high


class _Counts:
    """Evidence, summed over the batches; each array has shape (M,)."""

    def __init__(self, modes: int) -> None:
        self.modes = modes
        self.sums: dict[str, NDArray[np.float64]] = {}

    def add(self, emitted: walk.Emitted) -> None:
        n = int(emitted.size[0])
        mode, vehicle = emitted.mode[:n], emitted.vehicle[:n]
        entry, lower, upper = emitted.entry[:n], emitted.lower[:n], emitted.upper[:n]
        good, exact = np.isinf(upper), lower == upper
        between = ~good & ~exact
        end = np.where(good, lower, (lower + np.where(good, lower, upper)) / 2)
        self._add("exact", mode, exact)
        self._add("interval", mode, between & (lower > 0))
        self._add("left", mode, between & (lower == 0))
        self._add("good", mode, good)
        self._add("late_entry", mode, entry > 0)
        self._add("distance_at_risk", mode, end - entry)
        if n:
            contributes = np.zeros((int(vehicle[-1] - vehicle[0]) + 1, self.modes), np.bool_)
            contributes[vehicle - vehicle[0], mode] = True
            self._sum("vehicles", contributes.sum(axis=0))
        for k, name in enumerate(("unknown_start", "never_looked", "at_entry", "no_distance", "contradicted")):
            self._sum(name, emitted.left_out[:, k].astype(np.float64))

    def _add(self, name: str, mode: NDArray[Any], weight: NDArray[Any]) -> None:
        self._sum(name, np.bincount(mode, weights=weight.astype(np.float64), minlength=self.modes))

    def _sum(self, name: str, values: NDArray[Any]) -> None:
        self.sums[name] = self.sums.get(name, 0.0) + values

    def evidence(self, mode: int) -> Evidence:
        sums = {name: float(values[mode]) for name, values in self.sums.items()}
        distance = sums.pop("distance_at_risk", 0.0)
        return Evidence(distance_at_risk=distance, **{name: round(count) for name, count in sums.items()})


GROUPED = "mode, variant, revision, grade, entry, lower, upper"


def _group(engine: Connection, history: walk.History, emitted: walk.Emitted, group: float) -> pa.Table:
    """What one batch emitted, rounded, equal rows counted together."""
    n = int(emitted.size[0])
    first = np.searchsorted(history.vehicle, emitted.vehicle[:n])
    entry, lower, upper = grouped(emitted.entry[:n], emitted.lower[:n], emitted.upper[:n], group)
    codes = (emitted.mode[:n], history.variant[first], emitted.revision[:n], emitted.grade[:n])
    names = [*GROUPED.split(", "), "count"]
    return _summed(engine, pa.table([*codes, entry, lower, upper, np.ones(n)], names=names))


def _summed(engine: Connection, rows: pa.Table) -> pa.Table:
    engine.register("emitted", rows)
    summed = engine.sql(f'SELECT {GROUPED}, sum("count") AS "count" FROM emitted GROUP BY ALL ORDER BY ALL')
    return summed.to_arrow_table()


def _by_mode(table: pa.Table | None, codes: Codes, counts: _Counts) -> dict[str, ModeLives]:
    columns = {name: table[name].to_numpy() if table else np.empty(0) for name in [*GROUPED.split(", "), "count"]}
    variants, grades = np.array(codes.variants), np.array(GRADES)
    result = {}
    for k, mode in enumerate(codes.modes):
        rows = slice(*np.searchsorted(columns["mode"], [k, k + 1]))
        own = {name: column[rows] for name, column in columns.items()}
        revisions = np.array(codes.revisions[codes.mode_component[k]])
        result[mode] = ModeLives(
            mode,
            Lives(own["entry"], own["lower"], own["upper"], own["count"]),
            _frozen(variants[own["variant"].astype(np.intp)]),
            _frozen(revisions[own["revision"].astype(np.intp)]),
            _frozen(grades[own["grade"].astype(np.intp)]),
            counts.evidence(k),
        )
    return result


def _frozen(names: Names) -> Names:
    names.setflags(write=False)
    return names


def vehicle_at(store: Store, book: Book, vehicle_id: str, *, km: float | None = None) -> Vehicle:
    """The vehicle at its last visit, or at odometer ``km`` since: its units, their ages, what is known to be wrong.

    Without any visit and ``km`` the odometer is 0. Raises NameNotKnown, and RecordsError when ``km`` lies before the
    last visit.
    """
    facts = store.connection.execute(
        "SELECT variant, built, history = 'complete' FROM vehicles WHERE vehicle = ?", [vehicle_id]
    ).fetchall()
    if not facts:
        known = store.connection.execute("SELECT vehicle FROM vehicles").fetchall()
        raise NameNotKnown("vehicle", vehicle_id, [name for (name,) in known])
    variant, built, complete = facts[0]
    codes = codes_of(book)
    design = design_of(book, codes)
    prepare(store, codes, vehicle_id)
    history = next(batches(store, vehicle_id), None)
    last = float(history.km[-1]) if history else 0.0
    if km is not None and km < last:
        raise RecordsError(
            vehicle_id, 0, "odometer", f"at least {book.units.show_odometer(last)}, read at the last visit",
            f"It is {book.units.show_odometer(km)}.",
        )  # fmt: skip
    now = last if km is None else km
    told = _with_bare_visit(history, codes.variants.index(variant), built, complete, now)
    units = walk.blank_units(design)
    walk.walk(design, told, units, walk.room_for(told, design))
    return Vehicle(vehicle_id, variant, built, now, _fitted(book, variant, codes, design, units, now))


def _with_bare_visit(
    history: walk.History | None, variant: int, built: date, complete: bool, km: float
) -> walk.History:
    """The history with the vehicle seen once more at ``km``; the first time when there is none."""
    day = (built - EPOCH).days
    if history is not None:
        day = int(history.day[-1])
    number = 0 if history is None else int(history.vehicle[-1])
    facts = (number, variant, (built - EPOCH).days, complete, day, km, *[walk.NOTHING] * 6)
    kinds = (*[np.int32] * 3, np.bool_, np.int32, np.float64, *[np.int32] * 6)
    seen: list[NDArray[Any]] = [np.array([fact], kind) for fact, kind in zip(facts, kinds, strict=True)]
    if history is None:
        return walk.History(*seen)
    columns: tuple[NDArray[Any], ...] = history
    return walk.History(*(np.append(column, last) for column, last in zip(columns, seen, strict=True)))


def _fitted(
    book: Book, variant: str, codes: Codes, design: walk.Design, units: walk.Units, km: float
) -> tuple[FittedUnit, ...]:
    fitted = []
    for u, (component, position) in enumerate(codes.units):
        only = book.components[component].variants
        if only and variant not in only:
            continue
        first = int(design.unit_slot[u])
        modes = [
            _state(design, units, mode, slot, u, km)
            for slot, mode in enumerate(_modes_of(codes, design, u), first)
            if units.applies[slot]
        ]
        revision = codes.revisions[design.unit_component[u]][units.revision[u]]
        grade, since = GRADES[units.grade[u]], km - float(units.since[u])
        fitted.append(FittedUnit(component, position, revision, grade, since, tuple(modes)))
    return tuple(fitted)


def _modes_of(codes: Codes, design: walk.Design, unit: int) -> tuple[str, ...]:
    component = design.unit_component[unit]
    return codes.modes[design.first_mode[component] : design.first_mode[component + 1]]


def _state(design: walk.Design, units: walk.Units, mode: str, slot: int, unit: int, km: float) -> ModeState:
    known, present = bool(units.known[slot]), bool(units.present[slot])
    mode_number = int(design.first_mode[design.unit_component[unit]]) + slot - int(design.unit_slot[unit])
    good = km if not (design.hidden[mode_number] or present) else float(units.good[slot])
    if known:
        start, age0 = float(units.km0[slot]), float(units.age0[slot])
        return ModeState(mode, age0 + (km - start), age0 + (good - start), present)
    return ModeState(mode, None, max(good - float(units.since[unit]), 0.0), present)
