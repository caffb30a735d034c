"""The whole fleet at its next visits: what is best done to each vehicle, and what that saves."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wearlore.due.choice import Choices, choices
from wearlore.due.kinds import Kind, Part
from wearlore.due.line import DRAWS, MARKS, STAYS, STEPS, States
from wearlore.due.table import Look
from wearlore.lives import Array
from wearlore.renewal import Span
from wearlore.vehicle import Fleet

EPOCH = date(1970, 1, 1)
CHUNK = 8_000  # vehicles weighed at once: bounds the memory
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Weighed:
    """V vehicles at their next visits. ``saving`` (V, d): of the choice against leaving all, by draws of what is not
    known. ``now``: money of the visit; ``left``, ``done``: expected later, nothing or the choice done. Chances of
    needing a cure, and of stopping on the road, before the visit after (``soon``) and within the horizon (``far``), if
    left; what is open already is not counted. ``option``, ``reason`` (V, units of the fleet): the choice, -1: none;
    ``item`` (V, units): what it saves later on the unit, beyond its parts."""

    saving: Array
    now: Array
    left: Array
    done: Array
    fails_soon: Array
    fails_far: Array
    stops_soon: Array
    stops_far: Array
    option: Index
    reason: Index
    item: NDArray[np.float32]
    uncured: Flags  # something is open that no remedy cures

    @classmethod
    def room(cls, vehicles: int, units: int) -> Weighed:
        def one() -> Array:
            return np.zeros(vehicles)

        return cls(
            np.zeros((vehicles, DRAWS)), one(), one(), one(), one(), one(), one(), one(),
            np.full((vehicles, units), -1, np.int64), np.zeros((vehicles, units), np.int64),
            np.zeros((vehicles, units), np.float32), np.zeros(vehicles, np.bool_),
        )  # fmt: skip


class _Added(NamedTuple):
    """A line of some vehicles of a chunk, ``own`` (n,); ``dearest`` (n,): money of what is open there, else 0."""

    unit: int
    part: Part
    own: Index
    look: Look
    present: Flags  # (n, modes)
    dearest: Array


@dataclass
class _Reckoning:
    """A chunk of vehicles of one kind while it is summed up."""

    saving: Array  # (v, options)
    left: Array  # (v,)
    kept: Array  # (v, marks): chance that nothing fails
    going: Array  # (v, marks): chance that it does not stop
    added: list[_Added]


def weigh(
    fleet: Fleet,
    kinds: Mapping[int, Kind],
    kind: Index,
    leg: Array,
    span: Span,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Weighed:
    """All vehicles of ``fleet``, each of a ``kind`` (V,), at their next visit ``leg`` (V,) km after the last one."""
    names = [f"{c}/{p}" if p else c for c, p in fleet.units]
    result = Weighed.room(len(fleet), len(names))
    done = 0
    for number, one in kinds.items():
        place = np.array([names.index(name) for name in one.units], np.int64)
        rows = np.flatnonzero(kind == number)
        for start in range(0, rows.size, CHUNK):
            chunk = rows[start : start + CHUNK]
            _weigh_chunk(fleet, one, place, chunk, leg[chunk], span, result)
            done += chunk.size
            if progress is not None:
                progress(done, len(fleet))
    return result


def _weigh_chunk(fleet: Fleet, kind: Kind, place: Index, rows: Index, leg: Array, span: Span, result: Weighed) -> None:
    v, offered = rows.size, kind.shop.offered
    marks = np.ones((v, MARKS.size))
    sums = _Reckoning(np.zeros((v, len(offered))), np.zeros(v), marks, marks.copy(), [])
    able, faulty = np.zeros((v, len(offered)), bool), np.zeros((v, len(kind.units)), bool)
    for u in range(len(kind.units)):
        f = int(place[u])
        revision, grade = fleet.revision[rows, f], fleet.grade[rows, f]
        for code in np.unique(revision * len(fleet.grades) + grade):
            r, g = divmod(int(code), len(fleet.grades))
            own = np.flatnonzero((revision == r) & (grade == g))
            open_ = _open(fleet, f, rows[own])
            for part in kind.parts[u, fleet.revisions[f][r], fleet.grades[g]]:
                present = np.stack([open_.get(mode, np.zeros(own.size, bool)) for mode in part.modes], axis=1)
                dearest = np.where(present, part.table.line.cost, 0.0).max(axis=1)
                for which, look in _at(fleet, f, part, rows[own], leg[own]):
                    _add(_Added(u, part, own[which], look, present[which], dearest[which]), kind.options[u], sums)
            _cures(kind, u, own, open_, able, faulty)
    chosen = choices(kind.shop, sums.saving, able, faulty)
    _keep(result, kind, place, rows, leg, span, sums, chosen, faulty)


def _open(fleet: Fleet, unit: int, rows: Index) -> dict[str, Flags]:
    """By mode of the unit: where it is open on record."""
    slots = range(int(fleet.unit_slot[unit]), int(fleet.unit_slot[unit + 1]))
    return {fleet.modes[s]: fleet.present[rows, s] & fleet.applies[rows, s] for s in slots}


def _cures(kind: Kind, u: int, own: Index, open_: Mapping[str, Flags], able: Flags, faulty: Flags) -> None:
    """Which options cure all that is open on the unit; where none does, any of it."""
    weighed = {mode for (unit, _, _), parts in kind.parts.items() if unit == u for part in parts for mode in part.modes}
    known = {mode: where for mode, where in open_.items() if mode in weighed and where.any()}
    if not known:
        return
    there = np.stack(list(known.values()), axis=1)
    faulty[own, u] = there.any(axis=1)
    options = [o for o in kind.options[u] if not kind.shop.barred[kind.shop.node_of[o]]]
    cures = np.array([[mode in kind.shop.offered[o].cures for mode in known] for o in options]).reshape(-1, len(known))
    some, all_ = there @ cures.T, ~(there @ ~cures.T)
    whole = (some & all_).any(axis=1, keepdims=True)
    for k, o in enumerate(options):
        able[own, o] = np.where(whole[:, 0], some[:, k] & all_[:, k], some[:, k])


def _add(added: _Added, options: Sequence[int], sums: _Reckoning) -> None:
    """Add what a line costs to the sums."""
    _, part, own, look, present, dearest = added
    there = _any(present)
    left = np.where(there, dearest + look.cost[:, 1], look.cost[:, 0])
    sums.left[own] += left
    sums.kept[own] *= np.where(there[:, None], 1.0, 1 - look.chance)
    sums.going[own] *= np.where(there[:, None], 1.0, 1 - look.stranded)
    for o, effect in zip(options, part.effect, strict=True):
        if effect:
            sums.saving[own, o] += np.where(_cured(added, effect), left - look.cost[:, 1 + effect], 0.0)
    sums.added.append(added)


def _any(flags: Flags) -> Flags:
    """In each row."""
    return np.asarray(flags.any(axis=1))


def _cured(added: _Added, effect: int) -> Flags:
    """Where nothing of what is open on the line is left by an effect."""
    stays: Flags = added.part.table.line.act[effect] == STAYS
    return np.asarray(~(added.present & stays).any(axis=1))


def _drawn(kind: Kind, chosen: Choices, sums: _Reckoning) -> Array:
    """What the choice saves later, (v, d): by the draws of what is not known."""
    each = np.zeros((sums.left.size, DRAWS))
    for added in sums.added:
        unit, part, own, look, present, dearest = added
        option, there = chosen.option[own, unit], _any(present)
        for o, effect in zip(kind.options[unit], part.effect, strict=True):
            done = np.flatnonzero((option == o) & _cured(added, effect)) if effect else np.zeros(0, np.int64)
            if done.size:
                left = look.draws(done, 0)
                if there[done].any():
                    left = np.where(there[done, None], dearest[done, None] + look.draws(done, 1), left)
                each[own[done]] += left - look.draws(done, 1 + effect)
    return each


def _at(fleet: Fleet, unit: int, part: Part, rows: Index, leg: Array) -> Iterator[tuple[Index, Look]]:
    """Worths of a line at the next visit, nothing more having failed; first where nobody knows the age."""
    first = int(fleet.unit_slot[unit])
    slots = [first + fleet.modes[first : int(fleet.unit_slot[unit + 1])].index(mode) for mode in part.modes]
    applies = fleet.applies[rows][:, slots]
    then, more = fleet.age[rows][:, slots], leg[:, None]
    unsure = np.isnan(then) & applies
    at_least = fleet.at_least[rows, unit]
    hidden, good = part.table.hidden, fleet.seen_good[rows][:, slots]
    age = np.where(applies, np.where(unsure, at_least[:, None], then) + more, 0.0)
    seen = np.where(applies, np.where(hidden, good, age), 0.0)
    seen = np.where(unsure & ~hidden, age, np.minimum(seen, age))
    odometer = fleet.km[rows] + leg
    unknown = (unsure | ~applies).all(axis=1) & unsure.any(axis=1)
    for which, told in ((np.flatnonzero(unknown), True), (np.flatnonzero(~unknown), False)):
        if which.size:
            states = States(age[which], seen[which], odometer[which], at_least[which] + leg[which], told)
            yield which, part.table.at(states)


def _keep(
    result: Weighed,
    kind: Kind,
    place: Index,
    rows: Index,
    leg: Array,
    span: Span,
    sums: _Reckoning,
    chosen: Choices,
    faulty: Flags,
) -> None:
    money = np.array([one.money for one in kind.shop.offered])
    for u in range(len(kind.units)):
        done = np.flatnonzero(chosen.option[:, u] >= 0)
        option = chosen.option[done, u]
        result.item[rows[done], place[u]] = sums.saving[done, option] - money[option]
    each = _drawn(kind, chosen, sums)
    now = chosen.price + chosen.money
    result.now[rows], result.left[rows] = now, sums.left
    result.done[rows] = sums.left - each.mean(axis=1)
    result.saving[rows] = each - now[:, None]
    for name, share in (("fails", sums.kept), ("stops", sums.going)):
        far, soon = 1 - share[:, -1], 1 - _within(share, leg, span)
        getattr(result, f"{name}_far")[rows] = far
        getattr(result, f"{name}_soon")[rows] = soon
    result.option[np.ix_(rows, place)] = chosen.option
    result.reason[np.ix_(rows, place)] = chosen.reason
    result.uncured[rows] = (faulty & (chosen.option < 0)).any(axis=1)


def _within(share: Array, distance: Array, span: Span) -> Array:
    """``share`` (v, marks) at a distance of each: straight between the marks."""
    at = np.clip(distance / (span.km / STEPS), MARKS[0], MARKS[-1])
    k = np.clip(np.searchsorted(MARKS, at, side="right") - 1, 0, MARKS.size - 2)
    row = np.arange(at.size)
    part = (at - MARKS[k]) / (MARKS[k + 1] - MARKS[k])
    found: Array = share[row, k] * (1 - part) + share[row, k + 1] * part
    return found


def ranked(weighed: Weighed, by: Literal["saving", "risk"]) -> Index:
    """Numbers of the vehicles, first those to call in first; risk is that of stopping, then of needing a cure, soon."""
    saving = weighed.saving.mean(axis=1)
    keys = (saving,) if by == "saving" else (saving, weighed.fails_soon, weighed.stops_soon)
    return np.lexsort(tuple(-key for key in keys))
