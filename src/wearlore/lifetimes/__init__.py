"""Lifetimes: records and book in, lives and units out. The one door from tables to arrays.

The engine sorts and joins, `walk` tells each vehicle's history, the engine groups the lives that come out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, RecordsError
from wearlore.lifetimes import walk
from wearlore.lifetimes.at_risk import AtRisk, HeldOut, Renewals, at_risk
from wearlore.lifetimes.covariates import Covariate, covariates_of
from wearlore.lifetimes.exposure import ExposedLives, exposed
from wearlore.lifetimes.feed import (
    EPOCH,
    GRADES,
    Codes,
    Names,
    UnknownStart,
    batches,
    codes_of,
    design_of,
    frozen,
    history_of,
    named,
    prepare,
    rule_of,
    vehicles_seen,
)
from wearlore.lifetimes.grouping import group_of, grouped, summed
from wearlore.lifetimes.readings import Readings, ages_of_readings
from wearlore.lifetimes.repairs import LeftOut, RepairHistories, repairs
from wearlore.lives import Array, Evidence, Lives
from wearlore.records.store import Connection, Store
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

__all__ = [
    "AtRisk",
    "ExposedLives",
    "HeldOut",
    "LeftOut",
    "Lifetimes",
    "ModeLives",
    "Readings",
    "Renewals",
    "RepairHistories",
    "UnknownStart",
    "ages_of_readings",
    "at_risk",
    "exposed",
    "grouped",
    "lifetimes",
    "repairs",
    "vehicle_at",
]


@dataclass(frozen=True, slots=True)
class ModeLives:
    """The lives of one mode; row k of ``lives`` was of ``variant[k]``, ``revision[k]``, ``grade[k]`` (shape (n,)).

    ``covariates`` are those that were asked for, row by row like these; ``covariate_unknown`` lives of which one of
    them is not known are left out.
    """

    mode: str
    lives: Lives
    variant: Names
    revision: Names
    grade: Names
    evidence: Evidence
    covariates: Mapping[str, Names | Array] = field(default_factory=lambda: MappingProxyType({}))
    covariate_unknown: int = 0

    def column(self, name: str) -> Names | Array:
        """``variant``, ``revision``, ``grade`` or a covariate, by name; shape (n,). Raises NameNotKnown."""
        columns = {"variant": self.variant, "revision": self.revision, "grade": self.grade, **self.covariates}
        if name not in columns:
            raise NameNotKnown("column of these lives", name, columns)
        return columns[name]

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
    store: Store,
    book: Book,
    *,
    group_km: float | None = None,
    by: Sequence[str] = (),
    unknown_start: UnknownStart = "left out",
    until: date | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Lifetimes:
    """The lives of all modes from the records.

    Distances are grouped to ``group_km`` (None: 100 km, or 1 hour or day where the family's ages run in these).
    ``by`` names covariates (`wearlore.lifetimes.covariates` lists them): rows are then grouped by these too. A mean
    interval or distance per year is known only afterwards, from the whole record: it is taken as a constant habit of
    the vehicle. ``unknown_start`` says what becomes of a unit whose age is not known:

    - "left out": its life is counted and not used.
    - "new at first sight": it counts as new where its unknown age begins: where the records begin, or where it is found
      cured by nobody knows whom. Its life is then too short, by what it had run before.
    - "original": it counts as fitted by the maker and is seen from the first visit on. Ages that are lost later (cured
      outside the records) cannot be original: these lives stay left out.

    ``until``: from the records up to and including that day. Of what comes after only this is used: a vehicle that is
    seen again was on the road on that day, at the odometer between the two visits. (Left at its last visit before, it
    would lack the way since, on which no evident failure brought it in: lives would come out too short.)

    ``progress`` is told (vehicles done, vehicles in all). Raises RecordsErrors when stored records speak of what the
    book lacks, NameNotKnown for a covariate or rule that does not exist, ValueError for covariates of a part of the
    record: some are of the whole.
    """
    if until is not None and by:
        raise ValueError("covariates are of the whole record: ask for them without until")
    group = group_of(book, group_km)
    rule = rule_of(unknown_start)
    codes = codes_of(book)
    design = design_of(book, codes)
    prepare(store, codes)
    covariates = covariates_of(store, book, codes, by)
    total = vehicles_seen(store, until)
    counts = _Counts(len(codes.modes))
    engine = store.connection.cursor()  # groups while the store's own connection hands the batches over
    parts, done = [], 0
    for history in batches(store, until=until):
        emitted = walk.room_for(history, design)
        walk.walk(design, history, walk.blank_units(design), emitted, rule, walk.watch(history, design))
        rows, unknown = _rows(history, emitted, covariates)
        counts.add(rows, emitted.left_out, unknown)
        parts.append(_group(engine, rows, group))
        done += int(np.count_nonzero(np.diff(history.vehicle))) + 1
        if progress is not None:
            progress(done, total)
    table = summed(engine, pa.concat_tables(parts)) if parts else None
    return Lifetimes(MappingProxyType(_by_mode(table, codes, counts, covariates)), done, group)


Rows = dict[str, NDArray[Any]]


def _rows(
    history: walk.History, emitted: walk.Emitted, covariates: Sequence[Covariate]
) -> tuple[Rows, NDArray[np.int32]]:
    """What one batch emitted, as columns; and the modes of the lives left out, of which a covariate is not known."""
    n = int(emitted.size[0])
    vehicle = emitted.vehicle[:n]
    rows: Rows = {"vehicle": vehicle, "mode": emitted.mode[:n]}
    rows["variant"] = history.variant[np.searchsorted(history.vehicle, vehicle)]
    rows |= {name: getattr(emitted, name)[:n] for name in GROUPED[2:]}
    if not covariates:
        return rows, np.empty(0, np.int32)
    known = np.ones(n, np.bool_)
    for k, covariate in enumerate(covariates):
        rows[f"covariate_{k}"] = covariate.of(vehicle, emitted.unit[:n])
        known &= rows[f"covariate_{k}"] != walk.NOTHING
    return {name: column[known] for name, column in rows.items()}, rows["mode"][~known]


class _Counts:
    """Evidence, summed over the batches; each array has shape (M,)."""

    def __init__(self, modes: int) -> None:
        self.modes = modes
        self.sums: dict[str, NDArray[np.float64]] = {}
        self.covariate_unknown = np.zeros(modes, np.int64)

    def add(self, rows: Rows, left_out: NDArray[np.int64], covariate_unknown: NDArray[np.int32]) -> None:
        mode, vehicle, entry, lower, upper = (rows[name] for name in ("mode", "vehicle", "entry", "lower", "upper"))
        good, exact = np.isinf(upper), lower == upper
        between = ~good & ~exact
        end = np.where(good, lower, (lower + np.where(good, lower, upper)) / 2)
        self._add("exact", mode, exact)
        self._add("interval", mode, between & (lower > 0))
        self._add("left", mode, between & (lower == 0))
        self._add("good", mode, good)
        self._add("late_entry", mode, entry > 0)
        self._add("distance_at_risk", mode, end - entry)
        if mode.size:
            contributes = np.zeros((int(vehicle[-1] - vehicle[0]) + 1, self.modes), np.bool_)
            contributes[vehicle - vehicle[0], mode] = True
            self._sum("vehicles", contributes.sum(axis=0))
        for k, name in enumerate(("unknown_start", "never_looked", "at_entry", "no_distance", "contradicted")):
            self._sum(name, left_out[:, k].astype(np.float64))
        self.covariate_unknown += np.bincount(covariate_unknown, minlength=self.modes)

    def _add(self, name: str, mode: NDArray[Any], weight: NDArray[Any]) -> None:
        self._sum(name, np.bincount(mode, weights=weight.astype(np.float64), minlength=self.modes))

    def _sum(self, name: str, values: NDArray[Any]) -> None:
        self.sums[name] = self.sums.get(name, 0.0) + values

    def evidence(self, mode: int) -> Evidence:
        sums = {name: float(values[mode]) for name, values in self.sums.items()}
        distance = sums.pop("distance_at_risk", 0.0)
        return Evidence(distance_at_risk=distance, **{name: round(count) for name, count in sums.items()})


GROUPED = ("mode", "variant", "revision", "grade", "entry", "lower", "upper")


def _group(engine: Connection, rows: Rows, group: float) -> pa.Table:
    """The rows of one batch, rounded, equal ones counted together."""
    rows["entry"], rows["lower"], rows["upper"] = grouped(rows["entry"], rows["lower"], rows["upper"], group)
    del rows["vehicle"]
    return summed(engine, pa.table({**rows, "count": np.ones(rows["mode"].size)}))


def _by_mode(
    table: pa.Table | None, codes: Codes, counts: _Counts, covariates: Sequence[Covariate] = ()
) -> dict[str, ModeLives]:
    names = [*GROUPED, *(f"covariate_{k}" for k in range(len(covariates))), "count"]
    columns = {name: table[name].to_numpy() if table else np.empty(0) for name in names}
    result = {}
    for k, mode in enumerate(codes.modes):
        rows = slice(*np.searchsorted(columns["mode"], [k, k + 1]))
        own = {name: column[rows] for name, column in columns.items()}
        result[mode] = ModeLives(
            mode,
            Lives(own["entry"], own["lower"], own["upper"], own["count"]),
            named(codes.variants, own["variant"]),
            named(codes.revisions[codes.mode_component[k]], own["revision"]),
            named(GRADES, own["grade"]),
            counts.evidence(k),
            MappingProxyType({
                covariate.name: frozen(covariate.levels[own[f"covariate_{c}"].astype(np.intp)])
                for c, covariate in enumerate(covariates)
            }),
            int(counts.covariate_unknown[k]),
        )  # fmt: skip
    return result


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
    walk.walk(design, told, units, walk.room_for(told, design), walk.LEAVE_OUT, walk.watch(told, design))
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
        return history_of(seen)
    columns: tuple[NDArray[Any], ...] = history
    return history_of(np.append(column, last) for column, last in zip(columns, seen, strict=True))


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
