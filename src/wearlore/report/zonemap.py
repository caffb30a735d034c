"""The zones of any engine as a map: upper zones above, and between them the ways on which fluid runs down.

Rows of boxes, with strips between them on which the ways are drawn. A way that passes a row has a lane of its own
there; where there is no room, those that end at the same zone share one. All across is in shares of the width, so that
boxes may be as high as their words need and the map as wide as the screen.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from graphlib import TopologicalSorter
from itertools import pairwise

from wearlore.book.model import Zone
from wearlore.units import show_share

LANE = 0.08  # width of a lane where there is no room for one as wide as a box
MARGIN = 0.05  # share of a box that must lie over another for a way to go straight down
EDGE = 0.08  # share of a box, at either side, in which no way begins
RIGHT, LEANS = 0.88, 0.02  # where, and from what lean to the right on, the words stand to the left of their way
SWEEPS = 4  # over the rows, to bring what belongs together over each other
HIGH = 46  # of a strip, pixels
THIN, THICK = 1.5, 10.5  # of a way, pixels, at a chance of 0 and of 1


@dataclass(frozen=True, slots=True)
class Place:
    """A box, or the lane of the ways from ``sources`` to a zone that lies further down; from ``left``, so ``wide``."""

    zone: str
    sources: tuple[str, ...]
    left: float
    wide: float

    @property
    def lane(self) -> bool:
        return bool(self.sources)

    @property
    def right(self) -> float:
        return self.left + self.wide

    @property
    def middle(self) -> float:
        return self.left + self.wide / 2


@dataclass(frozen=True, slots=True)
class Way:
    """A piece of a way on one strip, from ``start`` down to ``end``; ``uppers``: the zones that it comes from.

    ``chance``: that fluid runs on it, the greatest where several share it. ``told``: in words beside it, at its start
    or at its end; ``arrives``: at the zone ``lower`` itself.
    """

    uppers: tuple[str, ...]
    lower: str
    chance: float
    start: float
    end: float
    arrives: bool
    told: str = ""
    told_at_end: bool = False


@dataclass(frozen=True, slots=True)
class ZoneMap:
    """``rows`` of places from above; ``strips[i]`` lies below ``rows[i]``; ``apart``: what no fluid runs to or from."""

    rows: tuple[tuple[Place, ...], ...]
    strips: tuple[tuple[Way, ...], ...]
    apart: tuple[str, ...]


def zone_map(zones: Mapping[str, Zone], across: int) -> ZoneMap:
    """At most ``across`` boxes in a row; every zone lies below all that run to it. Zones must not run in a circle."""
    reached = {lower for zone in zones.values() for lower in zone.runs_to}
    linked = {id_: zone for id_, zone in zones.items() if zone.runs_to or id_ in reached}
    row_of = _rows(linked, across)
    slots = _ordered([_with_room(row, across) for row in _slots(linked, row_of)], linked)
    rows = tuple(_places(row, across) for row in slots)
    strips = tuple(
        tuple(_way(linked, upper, lower) for upper in uppers for lower in lowers if _joined(upper, lower, linked))
        for uppers, lowers in pairwise(rows)
    )
    return ZoneMap(rows, strips, tuple(id_ for id_ in zones if id_ not in linked))


# ------------------------------------------------------------------------------------------------------------- layout
@dataclass(frozen=True, slots=True)
class _Slot:
    """A place before it is known where."""

    zone: str
    sources: tuple[str, ...] = ()


def _rows(zones: Mapping[str, Zone], across: int) -> dict[str, int]:
    """Zone -> row: those with the longest way still below them first, each as high as it can be."""
    above: dict[str, list[str]] = {id_: [] for id_ in zones}
    for id_, zone in zones.items():
        for lower in zone.runs_to:
            above[lower].append(id_)
    below: dict[str, int] = {}
    for id_ in reversed(tuple(TopologicalSorter(above).static_order())):
        below[id_] = 1 + max((below[lower] for lower in zones[id_].runs_to), default=0)
    row_of: dict[str, int] = {}
    row = 0
    while len(row_of) < len(zones):
        ready = [id_ for id_ in zones if id_ not in row_of and all(row_of.get(a, row) < row for a in above[id_])]
        for id_ in sorted(ready, key=lambda id_: -below[id_])[:across]:
            row_of[id_] = row
        row += 1
    return row_of


def _slots(zones: Mapping[str, Zone], row_of: Mapping[str, int]) -> list[list[_Slot]]:
    rows: list[list[_Slot]] = [[] for _ in range(1 + max(row_of.values(), default=-1))]
    for id_, zone in zones.items():
        rows[row_of[id_]].append(_Slot(id_))
        for lower in zone.runs_to:
            for between in range(row_of[id_] + 1, row_of[lower]):
                rows[between].append(_Slot(lower, (id_,)))
    return rows


def _with_room(row: list[_Slot], across: int) -> list[_Slot]:
    """The lanes to one zone made one where the row is too full."""
    if len(row) <= across:
        return row
    lanes: dict[str, tuple[str, ...]] = {}
    for slot in row:
        if slot.sources:
            lanes[slot.zone] = (*lanes.get(slot.zone, ()), *slot.sources)
    return [*(slot for slot in row if not slot.sources), *(_Slot(zone, sources) for zone, sources in lanes.items())]


def _ordered(rows: list[list[_Slot]], zones: Mapping[str, Zone]) -> list[list[_Slot]]:
    """Each row sorted by where its neighbours above and below stand, in turn."""
    for sweep in range(SWEEPS):
        down = sweep % 2 == 0
        for i in range(1, len(rows)) if down else range(len(rows) - 2, -1, -1):
            other = rows[i - 1 if down else i + 1]
            at = {slot: (k + 0.5) / len(other) for k, slot in enumerate(other)}
            before = {slot: (k + 0.5) / len(rows[i]) for k, slot in enumerate(rows[i])}
            pull = {
                slot: [at[o] for o in other if (_joined(o, slot, zones) if down else _joined(slot, o, zones))]
                for slot in rows[i]
            }
            mean = {slot: sum(near) / len(near) if near else before[slot] for slot, near in pull.items()}
            rows[i] = sorted(rows[i], key=lambda slot: (mean[slot], before[slot]))
    return rows


def _joined(upper: _Slot | Place, lower: _Slot | Place, zones: Mapping[str, Zone]) -> bool:
    """Whether a way goes from one place to the other in the row below it."""
    if upper.sources:
        return upper.zone == lower.zone and (not lower.sources or not set(upper.sources).isdisjoint(lower.sources))
    return upper.zone in lower.sources if lower.sources else lower.zone in zones[upper.zone].runs_to


def _places(row: Sequence[_Slot], across: int) -> tuple[Place, ...]:
    lanes = sum(bool(slot.sources) for slot in row)
    narrow = bool(lanes) and len(row) > across
    box = (1 - LANE * lanes) / max(len(row) - lanes, 1) if narrow else 1 / len(row)
    places, left = [], 0.0
    for slot in row:
        wide = LANE if narrow and slot.sources else box
        places.append(Place(slot.zone, slot.sources, left, wide))
        left += wide
    return tuple(places)


def _way(zones: Mapping[str, Zone], upper: Place, lower: Place) -> Way:
    """Its chance is told where it begins; of the only way to a zone, where it arrives."""
    sources = upper.sources or (upper.zone,)
    if upper.sources and lower.sources:
        sources = tuple(source for source in upper.sources if source in lower.sources)
    alone = sum(lower.zone in zone.runs_to for zone in zones.values()) == 1
    chance = max(zones[source].runs_to[lower.zone] for source in sources)
    told = not lower.lane if alone else not upper.lane
    words = show_share(chance).replace(" ", "\N{NO-BREAK SPACE}") if told else ""
    return Way(sources, lower.zone, chance, *_ends(upper, lower), not lower.lane, words, alone and upper.lane)


def _ends(upper: Place, lower: Place) -> tuple[float, float]:
    """Straight down where one lies over the other; else between the points that are nearest."""
    if upper.lane or lower.lane:
        start = upper.middle if upper.lane else _within(upper, lower.middle)
        return start, lower.middle if lower.lane else _within(lower, start)
    low, high = max(upper.left, lower.left), min(upper.right, lower.right)
    if high - low > 2 * MARGIN * min(upper.wide, lower.wide):
        return (low + high) / 2, (low + high) / 2
    return _within(upper, lower.middle), _within(lower, upper.middle)


def _within(place: Place, at: float) -> float:
    margin = EDGE * place.wide
    return min(max(at, place.left + margin), place.right - margin)


# ------------------------------------------------------------------------------------------------------------ drawing
def strip_svg(ways: Sequence[Way], wet: Collection[str] = (), dry: Collection[str] = ()) -> str:
    """The ways of one strip as SVG with heads and words over it; all text in it is our own.

    A way that may have brought fluid to a ``wet`` zone is marked; one from zones that are all ``dry`` is pale.
    """
    lines = "".join(_line(way, _kind(way, wet, dry)) for way in ways)
    over = "".join(_head(way, _kind(way, wet, dry)) + _label(way) for way in ways)
    return (
        f'<div class="flow" style="height:{HIGH}px" aria-hidden="true"><svg viewBox="0 0 1000 {HIGH}" '
        f'preserveAspectRatio="none" width="100%" height="{HIGH}" focusable="false">{lines}</svg>{over}</div>'
    )


def thickness(chance: float) -> float:
    """Of a way, pixels."""
    return THIN + (THICK - THIN) * chance


def _kind(way: Way, wet: Collection[str], dry: Collection[str]) -> str:
    """Of how a way is drawn."""
    if all(upper in dry for upper in way.uppers):
        return "shut"
    return "fed" if way.lower in wet else "way"


def _line(way: Way, kind: str) -> str:
    x0, x1 = 1000 * way.start, 1000 * way.end
    bottom = HIGH - 8 if way.arrives else HIGH
    path = f"M{x0:.1f} 0C{x0:.1f} {bottom * 0.55:.1f} {x1:.1f} {bottom * 0.45:.1f} {x1:.1f} {bottom}"
    return (
        f'<path class="{kind}" d="{path}" fill="none" stroke-width="{thickness(way.chance):.1f}" '
        'vector-effect="non-scaling-stroke"/>'
    )


def _head(way: Way, kind: str) -> str:
    if not way.arrives:
        return ""
    half = 4 + thickness(way.chance) / 2
    return (
        f'<svg class="head {kind}" style="left:calc({100 * way.end:.2f}% - {half:.1f}px)" width="{2 * half:.1f}" '
        f'height="10" viewBox="0 0 10 10" preserveAspectRatio="none" focusable="false"><path d="M0 0H10L5 10Z"/></svg>'
    )


def _label(way: Way) -> str:
    if not way.told:
        return ""
    at, side = (way.end, "bottom:11px") if way.told_at_end else (way.start, "top:4px")
    aside = 4 + thickness(way.chance) / 2
    leans = not way.told_at_end and way.end - way.start > LEANS
    place = f"right:calc({100 * (1 - at):.2f}%" if at > RIGHT or leans else f"left:calc({100 * at:.2f}%"
    return f'<span class="chance" style="{place} + {aside:.1f}px);{side}">{way.told}</span>'


def lane_svg(zones: Mapping[str, Zone], lane: Place, wet: Collection[str] = (), dry: Collection[str] = ()) -> str:
    """What goes down a lane beside the boxes of a row."""
    chance = max(zones[source].runs_to[lane.zone] for source in lane.sources)
    kind = _kind(Way(lane.sources, lane.zone, chance, 0.5, 0.5, arrives=False), wet, dry)
    return (
        '<svg class="flow lane" viewBox="0 0 10 10" preserveAspectRatio="none" aria-hidden="true" focusable="false">'
        f'<path class="{kind}" d="M5 0V10" stroke-width="{thickness(chance):.1f}" vector-effect="non-scaling-stroke"/>'
        "</svg>"
    )
