"""The walk: each vehicle's history from its first visit to its last, told once, compiled. Arrays in, arrays out.

One visit is taken as a whole, so the order of its lines does not matter: findings speak of the units as they came in,
actions come after. Distances are km (or the family's hours or days). A *unit* is one component at one position; a
*slot* is one failure mode on one unit. Codes: -1 means "not said".

Beside the lives of all slots the walk can watch a few: where on the odometer their mode was present (`Spells`), and how
old it was at each visit (`Ages`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Flags = NDArray[np.bool_]

NOTHING = -1
FAILED, GOOD, ORIGINAL = 0, 1, 2
RENEWED, CLEANED, REPAIRED = 0, 1, 2
NO_CLEAN = -1.0
AS_BUILT = 0  # the grade "original"
ZERO: Any = np.int64(0)  # of a bare 0 the compiler would make another version of all that it is handed to

LEAVE_OUT, NEW_AT_SIGHT, AS_FITTED = range(3)  # what a unit of unknown age counts as

UNKNOWN_START, NEVER_LOOKED, AT_ENTRY, NO_DISTANCE, CONTRADICTED = range(5)


class Design(NamedTuple):
    """The book as arrays. U units, C components, M modes ordered by component, V variants, R revisions at most."""

    unit_component: Ints  # (U,)
    unit_slot: Ints  # (U + 1,): the first slot of each unit
    first_mode: Ints  # (C + 1,): the first mode of each component
    applies: Flags  # (M, V, R): the mode can be met on this variant and revision
    hidden: Flags  # (M,)
    restores: Floats  # (V, M): share of the age that a clean takes away; NO_CLEAN where nothing cleans
    level_from: Ints  # (K,): day from which a revision is the current one, rising within a component
    level: Ints  # (K,): that revision
    first_level: Ints  # (C + 1,): the first entry of each component in these two


class History(NamedTuple):
    """Whole vehicles, row by row, sorted by vehicle, day and odometer; shape (n,)."""

    vehicle: Ints
    variant: Ints
    built: Ints  # day
    complete: Flags  # the records reach back to new
    day: Ints
    km: Floats
    unit: Ints  # NOTHING: a bare visit
    finding: Ints
    mode: Ints
    action: Ints
    revision: Ints
    grade: Ints


class Units(NamedTuple):
    """What is known of each unit and slot of the vehicle in hand; after the walk, of the last vehicle."""

    original: Flags  # (U,): proven to be the piece fitted by the maker
    revision: Ints  # (U,)
    grade: Ints  # (U,)
    since: Floats  # (U,): odometer from which this piece has certainly been in place
    applies: Flags  # (S,)
    known: Flags  # (S,): the age is known
    assumed: Flags  # (S,): by the rule for unknown starts alone
    age0: Floats  # (S,): age at odometer km0, where this life of the mode began
    km0: Floats  # (S,)
    entry: Floats  # (S,): age from which this life could be seen to fail
    good: Floats  # (S,): odometer at which the mode was last known to be absent
    looked: Flags  # (S,): and it was looked at in this life
    present: Flags  # (S,): found failed and not cured
    touched: Ints  # (S,): last visit in which the slot was found failed
    restored: Ints  # (S,): last visit in which the slot was repaired or cleaned
    renewed: Ints  # (U,): last visit in which the unit was renewed


class Emitted(NamedTuple):
    """Lives, row by row, as `wearlore.lives.Lives` means them; shape (capacity,)."""

    vehicle: Ints
    unit: Ints
    mode: Ints
    revision: Ints
    grade: Ints
    entry: Floats
    lower: Floats
    upper: Floats
    born: Floats  # odometer at which the age was 0
    began: Floats  # odometer at which this life began: later than ``born`` after a clean
    left_out: NDArray[np.int64]  # (M, 5)
    size: NDArray[np.int64]  # (1,): rows used


class Spells(NamedTuple):
    """Stretches of the odometer in which the mode of a watched slot was present, or was not known to be absent.

    W slots are watched. A row with ``known`` says: found failed at odometer ``start``, present to ``end`` (its cure,
    the last finding before a cure outside these records, or the last visit); it began after ``low`` (an evident mode:
    at ``start``). A row without: from ``start`` to ``end`` nobody knows whether it was there.
    """

    slot: Ints  # (W,)
    unit: Ints  # (W,)
    mode: Ints  # (W,)
    present: Flags  # (W,): a row is open, with …
    onset: Floats  # (W,): its low,
    found: Floats  # (W,): its start, and
    last: Floats  # (W,): where it was last found
    unsure: Flags  # (W,): from odometer 0 to here nothing is known
    row_vehicle: Ints  # (capacity,), as all below
    row_watched: Ints  # 0 … W - 1
    row_known: Flags
    row_low: Floats
    row_start: Floats
    row_end: Floats
    size: NDArray[np.int64]  # (1,): rows used


class Ages(NamedTuple):
    """How old the mode of one watched slot was at each visit, before anything was done there; shape (capacity,)."""

    slot: int  # NOTHING: none is watched
    unit: int
    mode: int
    piece: Ints  # (1,): the number of the one in hand
    failed: Flags  # (1,): it was present when the last visit ended
    row_vehicle: Ints
    row_day: Ints
    row_km: Floats
    row_known: Flags
    row_age: Floats  # 0 where it is not known
    row_piece: Ints  # 1, 2 …: a new number after each renewal, repair, clean and cure outside these records
    row_revision: Ints
    row_grade: Ints
    size: NDArray[np.int64]  # (1,): rows used


class Watch(NamedTuple):
    """What is watched beside the lives."""

    spells: Spells
    ages: Ages


def watch(history: History, design: Design, modes: Sequence[int] = (), aged: tuple[int, int] | None = None) -> Watch:
    """Watch the spells of ``modes`` on all of their units, and the ages of ``aged`` (unit, mode).

    With room for all that these vehicles can emit: a stretch not known and, for each line, a spell and one more.
    """
    component = design.unit_component
    slots = [
        (int(design.unit_slot[u]) + m - int(design.first_mode[component[u]]), u, m)
        for m in modes
        for u in range(component.size)
        if design.first_mode[component[u]] <= m < design.first_mode[component[u] + 1]
    ]
    slot, unit, mode = np.array(slots, np.int32).reshape(-1, 3).T.copy()
    w = slot.size
    spoken = history.unit[history.unit != NOTHING]
    vehicles = np.count_nonzero(np.diff(history.vehicle)) + 1 if history.vehicle.size else 0
    n = int(vehicles * w + 2 * np.bincount(unit, minlength=component.size)[spoken].sum())
    spells = Spells(
        slot, unit, mode, np.zeros(w, np.bool_), np.zeros(w), np.zeros(w), np.zeros(w), np.zeros(w, np.bool_),
        np.empty(n, np.int32), np.empty(n, np.int32), np.empty(n, np.bool_), np.empty(n), np.empty(n), np.empty(n),
        np.zeros(1, np.int64),
    )  # fmt: skip
    aged_unit, aged_mode = aged or (NOTHING, NOTHING)
    v = history.vehicle.size if aged else 0
    aged_slot = int(design.unit_slot[aged_unit] + aged_mode - design.first_mode[component[aged_unit]])
    ages = Ages(
        aged_slot if aged else NOTHING, aged_unit, aged_mode, np.zeros(1, np.int32), np.zeros(1, np.bool_),
        np.empty(v, np.int32), np.empty(v, np.int32), np.empty(v), np.empty(v, np.bool_), np.empty(v),
        np.empty(v, np.int32), np.empty(v, np.int32), np.empty(v, np.int32), np.zeros(1, np.int64),
    )  # fmt: skip
    return Watch(spells, ages)


def blank_units(design: Design) -> Units:
    """Room for one vehicle."""
    u, s = design.unit_component.size, int(design.unit_slot[-1])
    return Units(
        original=np.zeros(u, np.bool_),
        revision=np.zeros(u, np.int32),
        grade=np.zeros(u, np.int32),
        since=np.zeros(u),
        applies=np.zeros(s, np.bool_),
        known=np.zeros(s, np.bool_),
        assumed=np.zeros(s, np.bool_),
        age0=np.zeros(s),
        km0=np.zeros(s),
        entry=np.zeros(s),
        good=np.zeros(s),
        looked=np.zeros(s, np.bool_),
        present=np.zeros(s, np.bool_),
        touched=np.zeros(s, np.int32),
        restored=np.zeros(s, np.int32),
        renewed=np.zeros(u, np.int32),
    )


def room_for(history: History, design: Design) -> Emitted:
    """Room for all that these vehicles can emit: each slot ends once, and once more for each line that speaks of it."""
    slots = np.diff(design.unit_slot)
    spoken = history.unit[history.unit != NOTHING]
    vehicles = np.count_nonzero(np.diff(history.vehicle)) + 1 if history.vehicle.size else 0
    n = int(vehicles * design.unit_slot[-1] + slots[spoken].sum())
    return Emitted(
        vehicle=np.empty(n, np.int32),
        unit=np.empty(n, np.int32),
        mode=np.empty(n, np.int32),
        revision=np.empty(n, np.int32),
        grade=np.empty(n, np.int32),
        entry=np.empty(n),
        lower=np.empty(n),
        upper=np.empty(n),
        born=np.empty(n),
        began=np.empty(n),
        left_out=np.zeros((design.hidden.size, 5), np.int64),
        size=np.zeros(1, np.int64),
    )


@njit(cache=True)
def _level_at(design: Design, component: int, day: int) -> int:
    """The revision that is current on a day (`book.model.Component.revision_at`)."""
    found = design.first_level[component]
    for k in range(design.first_level[component], design.first_level[component + 1]):
        if design.level_from[k] <= day:
            found = k
    return int(design.level[found])


@njit(cache=True)
def _mode_of(design: Design, unit: int, slot: int) -> int:
    return int(design.first_mode[design.unit_component[unit]] + slot - design.unit_slot[unit])


@njit(cache=True)
def _emit(
    units: Units, out: Emitted, vehicle: int, unit: int, slot: int, mode: int, lower: float, upper: float
) -> None:
    row = out.size[0]
    out.vehicle[row] = vehicle
    out.unit[row] = unit
    out.mode[row] = mode
    out.revision[row] = units.revision[unit]
    out.grade[row] = units.grade[unit]
    out.entry[row] = units.entry[slot]
    out.lower[row] = lower
    out.upper[row] = upper
    out.born[row] = units.km0[slot] - units.age0[slot]
    out.began[row] = units.km0[slot]
    out.size[0] = row + 1


@njit(cache=True)
def _begin(units: Units, slot: int, km: float, age: float, entry: float, known: bool) -> None:
    """A life of one mode begins at odometer ``km`` with this age; the mode is absent."""
    units.known[slot] = known
    units.assumed[slot] = False
    units.age0[slot] = age
    units.km0[slot] = km
    units.entry[slot] = entry
    units.good[slot] = km
    units.looked[slot] = False
    units.present[slot] = False


@njit(cache=True)
def _begin_unknown(units: Units, slot: int, km: float, rule: int) -> None:
    """A life of unknown age begins at odometer ``km``; the rule may say that it counts as new."""
    _begin(units, slot, km, 0.0, 0.0, rule == NEW_AT_SIGHT)
    units.assumed[slot] = rule == NEW_AT_SIGHT


@njit(cache=True)
def _age(units: Units, slot: int, km: float) -> float:
    return float(units.age0[slot] + (km - units.km0[slot]))


@njit(cache=True)
def _fail(
    design: Design, units: Units, out: Emitted, vehicle: int, unit: int, slot: int, km: float, visit: int
) -> None:
    """The mode is found failed: its life ends here, unless it was failed already."""
    if units.touched[slot] == visit:
        return
    units.touched[slot] = visit
    mode = _mode_of(design, unit, slot)
    if not units.applies[slot]:
        out.left_out[mode, CONTRADICTED] += 1
        return
    if units.present[slot]:
        return
    units.present[slot] = True
    age = _age(units, slot, km)
    if not units.known[slot]:
        out.left_out[mode, UNKNOWN_START] += 1
    elif units.assumed[slot] and units.km0[slot] == km:
        out.left_out[mode, AT_ENTRY] += 1
    elif design.hidden[mode]:
        last_good = _age(units, slot, units.good[slot]) if units.looked[slot] else units.entry[slot]
        _emit(units, out, vehicle, unit, slot, mode, last_good, age)
    elif units.entry[slot] > 0.0 and units.entry[slot] == km:
        # seen because it failed: conditioning on survival to here would contradict the row
        out.left_out[mode, AT_ENTRY] += 1
    else:
        _emit(units, out, vehicle, unit, slot, mode, age, age)
    if not design.hidden[mode]:
        units.good[slot] = km


@njit(cache=True)
def _close(design: Design, units: Units, out: Emitted, vehicle: int, unit: int, slot: int, km: float) -> None:
    """The life ends without a failure: the unit was renewed or cleaned, or the records end."""
    if not units.applies[slot] or units.present[slot]:
        return
    mode = _mode_of(design, unit, slot)
    if not units.known[slot]:
        out.left_out[mode, UNKNOWN_START] += 1
    elif design.hidden[mode] and not units.looked[slot]:
        out.left_out[mode, NEVER_LOOKED] += 1
    else:
        age = _age(units, slot, units.good[slot]) if design.hidden[mode] else _age(units, slot, km)
        if age > units.entry[slot]:
            _emit(units, out, vehicle, unit, slot, mode, age, np.inf)
        else:
            out.left_out[mode, NO_DISTANCE] += 1


@njit(cache=True)
def _see_good(units: Units, unit: int, slot: int, km: float, visit: int, rule: int) -> None:
    """The mode was looked at and is absent. Had it failed, it was cured outside these records: its age is lost."""
    if not units.applies[slot] or units.touched[slot] == visit:
        return
    if units.present[slot]:
        _begin_unknown(units, slot, km, rule)
        units.since[unit] = km
    units.good[slot] = km
    units.looked[slot] = True


@njit(cache=True)
def _fit_new(design: Design, units: Units, unit: int, variant: int, km: float, revision: int, grade: int) -> None:
    units.revision[unit] = revision
    units.grade[unit] = grade
    units.since[unit] = km
    for slot in range(design.unit_slot[unit], design.unit_slot[unit + 1]):
        units.applies[slot] = design.applies[_mode_of(design, unit, slot), variant, revision]
        _begin(units, slot, km, 0.0, 0.0, True)


@njit(cache=True)
def _restore(
    design: Design, units: Units, out: Emitted, vehicle: int, unit: int, slot: int, km: float, visit: int, share: float
) -> None:
    """The mode's age falls by this share (Kijima 1989, type II); once in a visit."""
    if share == NO_CLEAN or not units.applies[slot] or units.restored[slot] == visit:
        return
    units.restored[slot] = visit
    _close(design, units, out, vehicle, unit, slot, km)
    age = (1.0 - share) * _age(units, slot, km)
    _begin(units, slot, km, age, age, units.known[slot] or share == 1.0)


@njit(cache=True)
def _prove_original(history: History, units: Units, first: int, end: int) -> None:
    """A unit seen to be original before its first renewal was so from new, however late that was seen."""
    units.original[:] = False
    units.renewed[:] = -1
    visit = 0
    for row in range(first, end):
        if row > first and (history.day[row] != history.day[row - 1] or history.km[row] != history.km[row - 1]):
            visit += 1
        unit = history.unit[row]
        if unit == NOTHING:
            continue
        if history.finding[row] == ORIGINAL and (units.renewed[unit] == -1 or units.renewed[unit] == visit):
            units.original[unit] = True
        if history.action[row] == RENEWED and units.renewed[unit] == -1:
            units.renewed[unit] = visit


@njit(cache=True)
def _begin_records(design: Design, history: History, units: Units, first: int, rule: int) -> None:
    """The units as the records find them: from new, original and seen from here on, or of unknown start."""
    variant, km = history.variant[first], history.km[first]
    units.touched[:] = -1
    units.restored[:] = -1
    units.renewed[:] = -1
    for unit in range(design.unit_component.size):
        component = design.unit_component[unit]
        revision = _level_at(design, component, history.built[first])
        _fit_new(design, units, unit, variant, 0.0, revision, AS_BUILT)
        if history.complete[first]:
            continue
        if rule == AS_FITTED:
            units.original[unit] = True
        if not units.original[unit]:
            units.since[unit] = km
        for slot in range(design.unit_slot[unit], design.unit_slot[unit + 1]):
            if not units.original[unit]:
                _begin_unknown(units, slot, km, rule)
            elif not design.hidden[_mode_of(design, unit, slot)]:
                units.entry[slot] = km  # a hidden failure would not have taken the unit out of sight: entry stays 0


@njit(cache=True)
def _find(
    design: Design, history: History, units: Units, out: Emitted, first: int, end: int, visit: int, rule: int
) -> None:
    """The findings of one visit: what failed, then what was looked at and did not."""
    for wanted in (FAILED, GOOD):
        for row in range(first, end):
            unit, mode, km = history.unit[row], history.mode[row], history.km[row]
            if unit == NOTHING or history.finding[row] != wanted:
                continue
            for slot in range(design.unit_slot[unit], design.unit_slot[unit + 1]):
                if mode != NOTHING and mode != _mode_of(design, unit, slot):
                    continue
                if wanted == FAILED:
                    _fail(design, units, out, history.vehicle[row], unit, slot, km, visit)
                else:
                    _see_good(units, unit, slot, km, visit, rule)


@njit(cache=True)
def _act(design: Design, history: History, units: Units, out: Emitted, first: int, end: int, visit: int) -> None:
    """The actions of one visit. A unit named twice is renewed once, with the revision and grade that are named."""
    vehicle, variant, km = history.vehicle[first], history.variant[first], history.km[first]
    for row in range(first, end):
        unit = history.unit[row]
        if unit == NOTHING or history.action[row] != RENEWED or units.renewed[unit] == visit:
            continue
        units.renewed[unit] = visit
        revision, grade = NOTHING, NOTHING
        for other in range(row, end):
            if history.unit[other] == unit and history.action[other] == RENEWED:
                revision = max(revision, history.revision[other])
                grade = max(grade, history.grade[other])
        if revision == NOTHING:
            revision = _level_at(design, design.unit_component[unit], history.day[row])
        for slot in range(design.unit_slot[unit], design.unit_slot[unit + 1]):
            _close(design, units, out, vehicle, unit, slot, km)
        _fit_new(design, units, unit, variant, km, revision, AS_BUILT if grade == NOTHING else grade)
    for wanted in (REPAIRED, CLEANED):
        for row in range(first, end):
            unit, mode = history.unit[row], history.mode[row]
            if unit == NOTHING or history.action[row] != wanted or units.renewed[unit] == visit:
                continue
            for slot in range(design.unit_slot[unit], design.unit_slot[unit + 1]):
                own = _mode_of(design, unit, slot)
                if mode in (NOTHING, own):
                    share = 1.0 if wanted == REPAIRED else design.restores[variant, own]
                    _restore(design, units, out, vehicle, unit, slot, km, visit, share)


@njit(cache=True)
def _stretch(spells: Spells, vehicle: int, watched: int, known: bool, low: float, start: float, end: float) -> None:
    row = spells.size[0]
    spells.row_vehicle[row] = vehicle
    spells.row_watched[row] = watched
    spells.row_known[row] = known
    spells.row_low[row] = low
    spells.row_start[row] = start
    spells.row_end[row] = end
    spells.size[0] = row + 1


@njit(cache=True)
def _not_known(spells: Spells, vehicle: int, watched: int, start: float, end: float) -> None:
    if end > start:
        _stretch(spells, vehicle, watched, False, start, start, end)
    spells.unsure[watched] = False


@njit(cache=True)
def _watch_from(design: Design, history: History, units: Units, watch: Watch, first: int, rule: int) -> None:
    """A vehicle's records begin: of a unit of unknown start nobody knows what was present before."""
    watch.ages.piece[0] = 1
    watch.ages.failed[0] = False
    spells = watch.spells
    for k in range(spells.slot.size):
        spells.present[k] = False
        met = design.applies[spells.mode[k], history.variant[first]].any()
        spells.unsure[k] = met and not history.complete[first] and not units.original[spells.unit[k]]
        if spells.unsure[k] and rule == NEW_AT_SIGHT:
            _not_known(spells, history.vehicle[first], k, 0.0, history.km[first])


@njit(cache=True)
def _watch_found(design: Design, history: History, units: Units, spells: Spells, row: int, visit: int) -> None:
    """After the findings of a visit; ``row`` is its first."""
    vehicle, km = history.vehicle[row], history.km[row]
    for k in range(spells.slot.size):
        slot, evident = spells.slot[k], not design.hidden[spells.mode[k]]
        present, low = units.present[slot], km
        if not evident and not spells.unsure[k]:
            low = units.good[slot] if units.looked[slot] else units.km0[slot]
        if spells.unsure[k] and (evident or present or units.looked[slot]):
            _not_known(spells, vehicle, k, 0.0, km)
        if present and not spells.present[k]:
            if evident and units.km0[slot] == 0.0 and units.entry[slot] == km:
                _not_known(spells, vehicle, k, 0.0, km)  # an original, failed when first seen: who knows since when
            spells.present[k] = True
            spells.onset[k] = low
            spells.found[k] = km
            spells.last[k] = km
        elif present and units.touched[slot] == visit:
            spells.last[k] = km
        elif spells.present[k] and not present:
            spells.present[k] = False
            _stretch(spells, vehicle, k, True, spells.onset[k], spells.found[k], spells.last[k])
            _not_known(spells, vehicle, k, spells.last[k], km)  # cured outside these records, somewhere in between


@njit(cache=True)
def _watch_done(history: History, units: Units, spells: Spells, row: int, visit: int) -> None:
    """After the actions of a visit."""
    vehicle, km = history.vehicle[row], history.km[row]
    for k in range(spells.slot.size):
        slot = spells.slot[k]
        if spells.present[k] and not units.present[slot]:
            spells.present[k] = False
            _stretch(spells, vehicle, k, True, spells.onset[k], spells.found[k], km)
        if spells.unsure[k] and (units.renewed[spells.unit[k]] == visit or units.restored[slot] == visit):
            _not_known(spells, vehicle, k, 0.0, km)


@njit(cache=True)
def _watch_end(spells: Spells, vehicle: int, km: float) -> None:
    """The vehicle's records end at odometer ``km``."""
    for k in range(spells.slot.size):
        if spells.present[k]:
            _stretch(spells, vehicle, k, True, spells.onset[k], spells.found[k], km)
        if spells.unsure[k]:
            _not_known(spells, vehicle, k, 0.0, km)


@njit(cache=True)
def _age_found(design: Design, history: History, units: Units, ages: Ages, row: int) -> None:
    """After the findings of a visit: how old the mode is."""
    if ages.failed[0] and not units.present[ages.slot]:
        ages.piece[0] += 1
    n = ages.size[0]
    ages.row_vehicle[n] = history.vehicle[row]
    ages.row_day[n] = history.day[row]
    ages.row_km[n] = history.km[row]
    ages.row_known[n] = units.known[ages.slot] and design.applies[ages.mode, history.variant[row]].any()
    ages.row_age[n] = _age(units, ages.slot, history.km[row]) if ages.row_known[n] else 0.0
    ages.row_piece[n] = ages.piece[0]
    ages.row_revision[n] = units.revision[ages.unit]
    ages.row_grade[n] = units.grade[ages.unit]
    ages.size[0] = n + 1


@njit(cache=True)
def _age_done(units: Units, ages: Ages, visit: int) -> None:
    """After the actions of a visit."""
    ages.failed[0] = units.present[ages.slot]
    if units.renewed[ages.unit] == visit or units.restored[ages.slot] == visit:
        ages.piece[0] += 1


@njit(cache=True)
def walk(design: Design, history: History, units: Units, out: Emitted, rule: int, watch: Watch) -> None:
    """Tell the history of every vehicle in ``history``; ``out`` receives the lives, ``units`` the last vehicle's end.

    ``rule`` says what a unit of unknown age counts as: LEAVE_OUT, NEW_AT_SIGHT or AS_FITTED. ``out`` must come from
    `room_for`, ``units`` from `blank_units`, ``watch`` from `watch`.
    """
    n = history.vehicle.size
    spells, ages = watch.spells, watch.ages
    first = ZERO
    while first < n:
        end = first
        while end < n and history.vehicle[end] == history.vehicle[first]:
            end += 1
        _prove_original(history, units, first, end)
        _begin_records(design, history, units, first, rule)
        _watch_from(design, history, units, watch, first, rule)
        start, visit = first, ZERO
        while start < end:
            stop = start
            while stop < end and history.day[stop] == history.day[start] and history.km[stop] == history.km[start]:
                stop += 1
            _find(design, history, units, out, start, stop, visit, rule)
            if spells.slot.size:
                _watch_found(design, history, units, spells, start, visit)
            if ages.slot != NOTHING:
                _age_found(design, history, units, ages, start)
            _act(design, history, units, out, start, stop, visit)
            if spells.slot.size:
                _watch_done(history, units, spells, start, visit)
            if ages.slot != NOTHING:
                _age_done(units, ages, visit)
            start, visit = stop, visit + 1
        for unit in range(design.unit_component.size):
            for slot in range(design.unit_slot[unit], design.unit_slot[unit + 1]):
                _close(design, units, out, history.vehicle[first], unit, slot, history.km[end - 1])
        _watch_end(spells, history.vehicle[first], history.km[end - 1])
        first = end
