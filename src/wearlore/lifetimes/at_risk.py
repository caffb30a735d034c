"""What could fail in a last part of the records, by what was known before it, and what the records say became of it.

A unit is proven to be the maker's own by what was seen up to the cut-off only. Evident modes: one row a piece, from its
age at the cut-off (or when it began since) to the age that it would have at the vehicle's last visit. Hidden modes: one
row a look, from the age at which the piece was last seen good to its age at the look.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.lifetimes import walk
from wearlore.lifetimes.feed import (
    EPOCH,
    GRADES,
    Codes,
    Names,
    batches,
    codes_of,
    design_of,
    frozen,
    named,
    prepare,
    vehicles_seen,
)
from wearlore.lifetimes.grouping import group_of
from wearlore.lives import Array
from wearlore.records.store import Store

BAND = 200  # groups: the width of a band of ages, 20,000 km
NEAR = 1e-2  # km: an odometer that was added up is known to this
Flags = NDArray[np.bool_]
Numbers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Renewals:
    """Pieces that ended before they failed, by bands of age, up to the cut-off.

    Band k reaches from ``width`` · k to ``width`` · (k + 1) km of age: ``number[k]`` pieces were renewed (or cleaned)
    in it for another reason, in ``distance[k]`` km run.
    """

    width: float
    number: Array
    distance: Array


@dataclass(frozen=True, slots=True)
class AtRisk:
    """One mode's pieces (hidden: looks) in the held-out part; shape (n,), ages in km.

    The mode was known to be absent at age ``since``; ``failed`` says that it was noted up to age ``until``. ``begun``:
    the piece was fitted (or cleaned) after the cut-off. ``unknown`` pieces or looks were of unknown age and are left
    out; of them ``unknown_failed`` failed. ``before``: failures noted over as long a time before the cut-off.
    """

    mode: str
    since: Array
    until: Array
    failed: Flags
    begun: Flags
    revision: Names
    grade: Names
    renewals: Renewals
    unknown: int
    unknown_failed: int
    before: int


@dataclass(frozen=True, slots=True)
class HeldOut:
    """What was held out: ``modes``, over the vehicles with a visit ``after`` the cut-off; ``vehicles`` in all.

    ``distance``: km that they ran in it, since their last visit before.
    """

    modes: Mapping[str, AtRisk]
    vehicles: int
    after: int
    distance: float


def at_risk(
    store: Store,
    book: Book,
    cut_off: date,
    before: date,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> HeldOut:
    """What was at risk in the records after the day ``cut_off``; ``before`` that day begins as long a time before it.

    ``progress`` is told (vehicles done, vehicles in all). Raises RecordsErrors when stored records speak of what the
    book lacks.
    """
    codes = codes_of(book)
    design = design_of(book, codes)
    prepare(store, codes)
    cut, earlier = ((day - EPOCH).days for day in (cut_off, before))
    width = BAND * group_of(book)
    total, parts = vehicles_seen(store), []
    gathered = _Gathered(len(codes.modes), width)
    for history in batches(store):
        vans = _Vans.of(history, cut, earlier)
        known = _known_then(history, vans, cut)
        for rule in (walk.LEAVE_OUT, walk.NEW_AT_SIGHT):
            emitted = walk.room_for(known, design)
            walk.walk(design, known, walk.blank_units(design), emitted, rule, walk.watch(known, design))
            lives = _Lives.of(emitted, vans)
            rows = _rows(design, known, vans, lives)
            if rule == walk.LEAVE_OUT:
                parts.append(rows)
                gathered.renewed(design, vans, lives)
                gathered.failed_before(vans, lives)
            gathered.seen(rows, -1 if rule == walk.LEAVE_OUT else 1)
        gathered.driven(vans)
        if progress is not None:
            progress(gathered.vehicles, total)
    return HeldOut(
        MappingProxyType(_by_mode(codes, _Rows.joined(parts), gathered)),
        gathered.vehicles,
        gathered.after,
        gathered.distance,
    )


@dataclass(frozen=True, slots=True)
class _Vans:
    """The vehicles of a batch, shape (v,): odometers (km) where the held-out part and the time before it begin."""

    number: NDArray[np.int32]
    first_day: NDArray[np.int32]
    start: Array  # as if driven evenly between two visits; of a vehicle that came later, where its records begin
    earlier: Array
    end: Array  # its last visit

    @classmethod
    def of(cls, history: walk.History, cut: int, earlier: int) -> _Vans:
        row = np.concatenate([[0], np.flatnonzero(np.diff(history.vehicle)) + 1])
        entry = np.where(history.complete[row], 0.0, history.km[row])

        last = np.append(row[1:], history.vehicle.size) - 1

        def on(day: int) -> Array:
            visits = np.add.reduceat((history.day <= day).astype(np.int64), row)
            one = row + np.maximum(visits, 1) - 1
            other = np.minimum(one + 1, last)
            days = np.maximum(history.day[other] - history.day[one], 1)
            share = np.clip((day - history.day[one]) / days, 0.0, 1.0)
            return np.where(visits > 0, history.km[one] + share * (history.km[other] - history.km[one]), entry)

        return cls(history.vehicle[row], history.day[row], on(cut), on(earlier), history.km[last])

    def place(self, vehicle: NDArray[np.int32]) -> Numbers:
        return np.searchsorted(self.number, vehicle)


def _known_then(history: walk.History, vans: _Vans, cut: int) -> walk.History:
    """Without what proves a piece to be original after the cut-off: that it was so before was not known then."""
    proof_until = np.maximum(vans.first_day, cut)[vans.place(history.vehicle)]
    late = (history.finding == walk.ORIGINAL) & (history.day > proof_until)
    return history._replace(finding=frozen(np.where(late, np.int32(walk.NOTHING), history.finding)))


@dataclass(frozen=True, slots=True)
class _Lives:
    """What the walk emitted, with odometers (km); shape (n,)."""

    van: Numbers
    unit: NDArray[np.int32]
    mode: NDArray[np.int32]
    revision: NDArray[np.int32]
    grade: NDArray[np.int32]
    entry: Array
    lower: Array
    failed: Flags
    found: Array  # odometer at which it was found failed, or last seen good
    born: Array
    began: Array

    @classmethod
    def of(cls, emitted: walk.Emitted, vans: _Vans) -> _Lives:
        n = int(emitted.size[0])
        upper, lower, born = emitted.upper[:n], emitted.lower[:n], emitted.born[:n]
        failed = np.isfinite(upper)
        return cls(
            vans.place(emitted.vehicle[:n]), emitted.unit[:n], emitted.mode[:n], emitted.revision[:n],
            emitted.grade[:n], emitted.entry[:n], lower, failed, born + np.where(failed, upper, lower), born,
            emitted.began[:n],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of `AtRisk` of all modes, by codes."""

    mode: NDArray[np.int32]
    revision: NDArray[np.int32]
    grade: NDArray[np.int32]
    since: Array
    until: Array
    failed: Flags
    begun: Flags

    @classmethod
    def joined(cls, parts: list[_Rows]) -> _Rows:
        names = cls.__slots__
        if not parts:
            none = np.empty(0)
            return cls(*(none.astype(np.int32),) * 3, none, none, none.astype(np.bool_), none.astype(np.bool_))
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def where(self, rows: Flags | Numbers) -> _Rows:
        return _Rows(*(getattr(self, name)[rows] for name in self.__slots__))


def _rows(design: walk.Design, history: walk.History, vans: _Vans, lives: _Lives) -> _Rows:
    """Of evident modes those that go beyond the cut-off, of hidden ones each look beyond it."""
    start, end = vans.start[lives.van], vans.end[lives.van]
    hidden = design.hidden[lives.mode]
    pieces = np.flatnonzero(~hidden & (lives.found > start))
    evident = _of(
        lives, pieces, start,
        np.maximum(lives.entry, start - lives.born)[pieces], (end - lives.born)[pieces], lives.failed[pieces],
    )  # fmt: skip
    looked, from_age, at_age = _looks(design, history, vans, lives)
    good = _of(lives, looked, start, from_age, at_age, np.zeros(looked.size, np.bool_))
    ends = np.flatnonzero(hidden & lives.failed & (lives.found > start))
    bad = _of(lives, ends, start, lives.lower[ends], (lives.found - lives.born)[ends], np.ones(ends.size, np.bool_))
    rows = _Rows.joined([evident, good, bad])
    return rows.where(rows.until > rows.since)


def _of(lives: _Lives, rows: Numbers, start: Array, since: Array, until: Array, failed: Flags) -> _Rows:
    begun = (lives.began >= start)[rows]
    return _Rows(lives.mode[rows], lives.revision[rows], lives.grade[rows], since, until, failed, begun)


def _looks(design: walk.Design, history: walk.History, vans: _Vans, lives: _Lives) -> tuple[Numbers, Array, Array]:
    """Looks after the cut-off that found a hidden mode absent: row of its life, age when seen good before, age then."""
    stride = 2.0 * float(history.km.max()) + 1.0
    found: list[tuple[Numbers, Array, Array]] = []
    seen = np.flatnonzero((history.finding == walk.GOOD) & (history.unit != walk.NOTHING))
    units = design.unit_component.size
    place = vans.place(history.vehicle[seen]) * units + history.unit[seen]
    for mode in np.flatnonzero(design.hidden):
        speaks = (history.mode[seen] == walk.NOTHING) | (history.mode[seen] == mode)
        looks = np.unique(place[speaks] * stride + history.km[seen][speaks])
        rows = np.flatnonzero(lives.mode == mode)
        piece = (lives.van[rows] * units + lives.unit[rows]) * stride
        begin = np.searchsorted(looks, piece + lives.began[rows] + NEAR)
        last = np.searchsorted(looks, piece + (lives.born + lives.lower)[rows] + NEAR)
        first = np.clip(np.searchsorted(looks, piece + vans.start[lives.van[rows]] + NEAR), begin, last)
        number = last - first
        which = np.repeat(np.arange(rows.size), number)
        look = np.arange(which.size) - np.repeat(np.cumsum(number) - number, number) + first[which]
        zero = (piece + lives.born[rows])[which]
        age = looks[look] - zero if look.size else np.empty(0)
        earlier = look > begin[which]
        since = np.where(earlier, looks[np.maximum(look - 1, 0)] - zero, lives.entry[rows][which]) if look.size else age
        found.append((rows[which], since, age))
    if not found:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    which, since, age = (np.concatenate(column) for column in zip(*found, strict=True))
    return which, since, age


class _Gathered:
    """Counts over the batches; arrays by mode."""

    def __init__(self, modes: int, width: float) -> None:
        self.modes, self.width = modes, width
        self.number = np.zeros((modes, 0))
        self.distance_run = np.zeros((modes, 0))
        self.unknown = np.zeros(modes, np.int64)
        self.unknown_failed = np.zeros(modes, np.int64)
        self.before = np.zeros(modes, np.int64)
        self.vehicles = self.after = 0
        self.distance = 0.0

    def seen(self, rows: _Rows, sign: int) -> None:
        """Rows under the two rules for unknown starts: the one has those of unknown age, the other has not."""
        self.unknown += sign * np.bincount(rows.mode, minlength=self.modes)
        self.unknown_failed += sign * np.bincount(rows.mode[rows.failed], minlength=self.modes)

    def failed_before(self, vans: _Vans, lives: _Lives) -> None:
        found = lives.failed & (lives.found > vans.earlier[lives.van]) & (lives.found <= vans.start[lives.van])
        self.before += np.bincount(lives.mode[found], minlength=self.modes)

    def renewed(self, design: walk.Design, vans: _Vans, lives: _Lives) -> None:
        """Evident modes only: of a hidden one nobody knows whether it had failed."""
        start, end = vans.start[lives.van], vans.end[lives.van]
        early = ~design.hidden[lives.mode] & (lives.born + lives.entry < start)
        mode, since = lives.mode[early], lives.entry[early]
        until = np.minimum(lives.found, start)[early] - lives.born[early]
        renewed = (~lives.failed & (lives.found <= start) & (lives.found < end))[early]
        bands = int(until.max() // self.width) + 1 if until.size else 0
        if bands > self.number.shape[1]:
            more = ((0, 0), (0, bands - self.number.shape[1]))
            self.number, self.distance_run = np.pad(self.number, more), np.pad(self.distance_run, more)
        at = (until[renewed] // self.width).astype(np.int64)
        np.add.at(self.number, (mode[renewed], at), 1.0)
        for band in range(bands):
            low, high = band * self.width, (band + 1) * self.width
            run = np.clip(until, low, high) - np.clip(since, low, high)
            self.distance_run[:, band] += np.bincount(mode, run, self.modes)

    def driven(self, vans: _Vans) -> None:
        self.vehicles += vans.number.size
        self.after += int(np.count_nonzero(vans.end > vans.start))
        self.distance += float((vans.end - vans.start).sum())


def _by_mode(codes: Codes, rows: _Rows, gathered: _Gathered) -> dict[str, AtRisk]:
    result = {}
    for k, mode in enumerate(codes.modes):
        own = rows.where(rows.mode == k)
        order = np.lexsort((own.failed, own.until, own.since, own.grade, own.revision))
        own = own.where(order)
        result[mode] = AtRisk(
            mode, frozen(own.since), frozen(own.until), frozen(own.failed), frozen(own.begun),
            named(codes.revisions[codes.mode_component[k]], own.revision),
            named(GRADES, own.grade),
            Renewals(gathered.width, frozen(gathered.number[k].copy()), frozen(gathered.distance_run[k].copy())),
            int(gathered.unknown[k]), int(gathered.unknown_failed[k]), int(gathered.before[k]),
        )  # fmt: skip
    return result
