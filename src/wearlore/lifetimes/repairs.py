"""Repairs that come again: from the records of one component to histories of its repairs.

What is repaired again and again is a *place*: a position of the component on one vehicle, whatever piece sits there.
Its axis is the vehicle's odometer, not the age of a piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, get_args

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.lifetimes.feed import codes_of, prepare
from wearlore.lives import Array
from wearlore.records.store import Connection, Store

By = Literal["variant", "duty", "position", "history"]
Names = NDArray[np.str_]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


class Windows(NamedTuple):
    """Windows (start, end] km of places, shape (u,), and their repairs: index of the place, km; shape (e,)."""

    start: Array
    end: Array
    unit: Ints
    km: Array


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What the records hold beside the repairs that were taken, counted."""

    at_entry: int = 0  # repairs in the very visit with which the records of a vehicle begin
    no_distance: int = 0  # places seen at one distance only
    ahead: int = 0  # of one mode: renewals and cleans that would cure it, with it not found
    elsewhere: int = 0  # found failed, later found good, and nobody wrote of a repair
    open: int = 0  # found failed and not cured when the records end


@dataclass(frozen=True, slots=True)
class RepairHistories:
    """The repairs of a component (of one ``mode``; None: whatever the reason) at each place.

    Place k (shape (u,)): ``position[k]`` on ``vehicle[k]``, of group ``group[k]``, seen over (``start``, ``end``] km of
    the vehicle. Repair j (shape (e,)): at place ``unit[j]`` and ``km[j]``, what was done in ``action[j]``;
    ``found[j]``: it cured a failure found then or before, and was not made ahead.
    """

    component: str
    mode: str | None
    vehicle: Names
    position: Names
    group: Names
    start: Array
    end: Array
    unit: Ints
    km: Array
    action: Names
    found: Flags
    left_out: LeftOut

    @property
    def ends_with_repair(self) -> int:
        """Places last seen in a repair. Where most are, vehicles came for repairs alone, and these look too many."""
        return int(np.unique(self.unit[self.km == self.end[self.unit]]).size)

    def select(self, group: str | None = None, *, found: bool = False) -> Windows:
        """The arrays of `wearlore.life.recurrent.mean.Histories`: of one group (None: all), of cured failures only."""
        if group is not None and group not in self.group:
            raise NameNotKnown("group", group, np.unique(self.group).tolist())
        places = np.ones(self.start.size, np.bool_) if group is None else self.group == group
        repairs = places[self.unit] & self.found if found else places[self.unit]
        number = np.cumsum(places) - 1
        return Windows(self.start[places], self.end[places], number[self.unit[repairs]], self.km[repairs])


def repairs(
    store: Store,
    book: Book,
    component: str,
    *,
    mode: str | None = None,
    by: By | None = None,
    group_km: float | None = None,
) -> RepairHistories:
    """Every repair of a component at each of its positions on every vehicle that has it.

    - Window: from 0 when the vehicle's history is complete, else from its first visit (what was done in that visit is
      left out: seen because of it); up to and including its last visit.
    - A repair is a visit in which the component was renewed, repaired or cleaned there: one, however many lines say so.
    - ``found``: a failure of the component was found in that visit, or before and not cured since, and the action cures
      it: a renewal all modes, a repair its own, a clean those that the book's cleans cure (its own when it names one).
      Found failed twice and cured once is one repair. Found failed and later good, it was cured out of sight.
    - With a ``mode``: the visits that cure it when it was found. Other actions are no repair of it.

    ``by`` labels each place: its vehicle's variant, duty (empty when not said) or history, or its position. Distances
    are rounded to ``group_km`` as in `lifetimes` (None: 100 km, or 1 hour or day); a repair never to where its window
    starts. Raises NameNotKnown; RecordsErrors when stored records speak of what the book lacks.
    """
    _check_names(book, component, mode, by)
    if group_km is None:
        group_km = 100.0 if book.units.distance in ("km", "miles") else 1.0
    if not group_km > 0:
        raise ValueError("group_km must be greater than 0")
    prepare(store, codes_of(book))
    _register(store.connection, book, component)
    asked = {"component": component, "mode": mode}
    places = _table(store.connection, PLACES, {"component": component})
    events = _table(store.connection, EVENTS, asked)
    beside = _table(store.connection, BESIDE, asked)
    seen = places["end"] > places["start"]
    place = events["place"] - 1
    wanted = seen[place] if mode is None else seen[place] & events["found"]
    at_entry = (events["km"] <= places["start"][place]) & ~places["complete"][place]
    taken = wanted & ~at_entry
    start, end = _nearest(places["start"][seen], group_km), _nearest(places["end"][seen], group_km)
    end = np.maximum(end, start + group_km / 2)
    unit = (np.cumsum(seen) - 1)[place[taken]]
    return RepairHistories(
        component, mode,
        vehicle=places["vehicle"][seen].astype(str),
        position=places["position"][seen].astype(str),
        group=places[by][seen].astype(str) if by else np.full(start.size, ""),
        start=start, end=end, unit=unit,
        km=np.maximum(_nearest(events["km"][taken], group_km), start[unit] + group_km / 2),
        action=events["action"][taken].astype(str), found=events["found"][taken],
        left_out=LeftOut(
            at_entry=int(np.count_nonzero(wanted & at_entry)),
            no_distance=int(np.count_nonzero(~seen)),
            ahead=0 if mode is None else int(beside["ahead"][0]),
            elsewhere=int(beside["elsewhere"][0]),
            open=int(beside["open"][0]),
        ),
    )  # fmt: skip


def _check_names(book: Book, component: str, mode: str | None, by: str | None) -> None:
    if component not in book.components:
        raise NameNotKnown("component", component, book.components)
    own = [id_ for id_, _ in book.modes_of(component)]
    if mode is not None and mode not in own:
        raise NameNotKnown(f"mode of {component}", mode, own)
    if by is not None and by not in get_args(By):
        raise NameNotKnown("label of a group", by, get_args(By))


def _nearest(km: Array, group: float) -> Array:
    return np.asarray(np.floor(km / group + 0.5) * group)


# every position of the component on every vehicle that has it and was seen
PLACES = """
SELECT row_number() OVER (ORDER BY v.vehicle, u.unit) AS place, v.vehicle, u.position, v.variant,
    coalesce(v.duty, '') AS duty, coalesce(v.history, '') AS history,
    coalesce(v.history = 'complete', false) AS complete,
    CASE WHEN v.history = 'complete' THEN 0 ELSE s.first_km END AS start, s.last_km AS "end"
FROM vehicles v
JOIN (SELECT vehicle, min(km) AS first_km, max(km) AS last_km FROM visits GROUP BY vehicle) s USING (vehicle)
JOIN repairs_variants w USING (variant)
CROSS JOIN (SELECT unit, position FROM book_units WHERE component = $component) u
ORDER BY place
"""
# for each place, visit and mode what was found and whether it was cured; findings come before actions
STORY = f"""
WITH place AS ({PLACES}), touched AS (
    SELECT p.place, p.variant, l.date, l.km, l.finding, l.mode, l.action
    FROM lines l JOIN place p ON p.vehicle = l.vehicle AND (p.position = coalesce(l.position, '') OR l.position = 'all')
    WHERE l.component = $component
), told AS (
    SELECT t.place, t.date, t.km, m.mode,
        bool_or(coalesce(t.finding = 'failed' AND t.mode = m.mode, false)) AS failed,
        bool_or(coalesce(t.finding = 'good' AND coalesce(t.mode, m.mode) = m.mode, false)) AS good,
        bool_or(coalesce(t.action = 'renewed' OR (coalesce(t.mode, m.mode) = m.mode
            AND (t.action = 'repaired' OR (t.action = 'cleaned' AND m.cleaned))), false)) AS cured
    FROM touched t JOIN repairs_modes m USING (variant)
    GROUP BY t.place, t.date, t.km, m.mode
), numbered AS (
    SELECT *, row_number() OVER spell AS step FROM told WINDOW spell AS (PARTITION BY place, mode ORDER BY date, km)
), dated AS (
    SELECT *,
        coalesce(max(step) FILTER (failed) OVER (spell ROWS UNBOUNDED PRECEDING), 0) AS last_failed,
        coalesce(max(step) FILTER (cured OR (good AND NOT failed))
            OVER (spell ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS last_ended,
        step = max(step) OVER (PARTITION BY place, mode) AS last
    FROM numbered WINDOW spell AS (PARTITION BY place, mode ORDER BY step)
), spells AS (
    SELECT place, date, km, mode, cured, last,
        last_failed > last_ended AND (failed OR NOT good) AS present,
        last_failed > last_ended AND good AND NOT failed AS elsewhere
    FROM dated
)
"""
BESIDE = f"""{STORY}
SELECT count(*) FILTER (cured AND NOT present) AS ahead, count(*) FILTER (elsewhere) AS elsewhere,
    count(*) FILTER (last AND present AND NOT cured) AS open
FROM spells WHERE $mode IS NULL OR mode = $mode
"""
EVENTS = f"""{STORY}
SELECT a.place, a.km, ['renewed', 'repaired', 'cleaned'][a.rank] AS action, coalesce(s.found, false) AS found
FROM (
    SELECT place, date, km, min(list_position(['renewed', 'repaired', 'cleaned'], action)) AS rank
    FROM touched WHERE action IS NOT NULL GROUP BY place, date, km
) a LEFT JOIN (
    SELECT place, date, km, bool_or(present AND cured) AS found
    FROM spells WHERE $mode IS NULL OR mode = $mode GROUP BY place, date, km
) s USING (place, date, km)
ORDER BY a.place, a.km, a.date
"""


def _register(connection: Connection, book: Book, component: str) -> None:
    """What of the book these queries need: the variants that have the component, its modes, and what a clean cures."""
    only = book.components[component].variants
    variants = [variant for variant in book.variants if not only or variant in only]
    modes = [
        (variant, mode, any(remedy.kind == "clean" for _, remedy in book.remedies_for(mode, variant)))
        for variant in variants
        for mode, _ in book.modes_of(component)
    ]
    connection.register("repairs_variants", pa.table({"variant": pa.array(variants, pa.string())}))
    types = {"variant": pa.string(), "mode": pa.string(), "cleaned": pa.bool_()}
    columns = zip(*modes, strict=True) if modes else ((), (), ())
    arrays = [pa.array(column, kind) for column, kind in zip(columns, types.values(), strict=True)]
    connection.register("repairs_modes", pa.table(arrays, names=list(types)))


def _table(connection: Connection, query: str, asked: dict[str, str | None]) -> dict[str, NDArray[Any]]:
    table = connection.sql(query, params=asked).to_arrow_table()
    return {name: table[name].to_numpy() for name in table.column_names}
