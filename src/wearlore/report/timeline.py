"""A vehicle's history for the screen: lanes against distance, as HTML and plain SVG that fit any width.

Marks are told apart by shape and named in words; all text is escaped.
"""

from __future__ import annotations

from html import escape

from wearlore.answers import VehicleHistory
from wearlore.report.readings import round_distances
from wearlore.report.vehicle import KINDS, Kind, Lane, Mark, lanes
from wearlore.units import Units

HEIGHT = 26  # pixels of a lane
LEFT, WIDE = 1.5, 97.0  # percent of the width: where distance begins, and what it takes
SHAPES: dict[Kind, str] = {
    "fault": "M-5-5L5 5M5-5L-5 5",
    "good": "M-4.5 0a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0-9 0Z",
    "renewed": "M-9-9H9V9H-9Z",  # a frame: what failed stands inside
    "cleaned": "M-5-4H5L0 5Z",
    "repaired": "M0-6L6 0L0 6L-6 0Z",
    "original": "M-5 4H5L0-5Z",
    "reading": "M-5 0H5M0-5V5",
}


def timeline(history: VehicleHistory, units: Units, chosen: int) -> str:
    """All lanes, the ``chosen`` visit marked in each; a mark carries the number of its visit as ``data-visit``."""
    drawn = lanes(history)
    end = max(history.km, 1.0)
    used = [kind for kind in KINDS if any(mark.kind == kind for lane in drawn for mark in lane.marks)]
    parts = [f'<ul class="shapes">{"".join(_legend(kind) for kind in used)}</ul>']
    words = (
        f"History of {history.vehicle}: {len(history.visits)} visits, {len(drawn)} lanes. The visits follow in words."
    )
    parts.append(f'<div class="lanes" role="img" aria-label="{escape(words, quote=True)}">')
    system = ""
    here = history.visits[chosen].km
    for lane in drawn:
        if lane.system != system:
            system = lane.system
            parts.append(f'<div class="system">{escape(system.capitalize())}</div>')
        parts.append(_lane(lane, end, here))
    parts.append(_axis(end, units, here))
    return "".join(parts) + "</div>"


def _at(km: float, end: float) -> str:
    return f"{LEFT + WIDE * km / end:.3f}%"


def _legend(kind: Kind) -> str:
    drawing = f'<svg width="22" height="22" viewBox="-11 -11 22 22" aria-hidden="true">{_shape(kind)}</svg>'
    return f"<li>{drawing}{KINDS[kind]}</li>"


def _shape(kind: Kind) -> str:
    return f'<path class="{kind}" d="{SHAPES[kind]}"/>'


def _lane(lane: Lane, end: float, here: float) -> str:
    middle = HEIGHT / 2
    pieces = "".join(
        f'<line class="piece" x1="{_at(a, end)}" x2="{_at(b, end)}" y1="{middle}" y2="{middle}"/>'
        for a, b in lane.pieces
    )
    marks = "".join(_mark(mark, end) for mark in sorted(lane.marks, key=lambda mark: mark.kind != "renewed"))
    return (
        f'<div class="track-row"><span class="track-name">{escape(lane.name)}</span>'
        f'<svg class="track" width="100%" height="{HEIGHT}">{_here(here, end)}{pieces}{marks}</svg></div>'
    )


def _here(km: float, end: float) -> str:
    return f'<line class="here" x1="{_at(km, end)}" x2="{_at(km, end)}" y1="0" y2="100%"/>'


def _mark(mark: Mark, end: float) -> str:
    return (
        f'<svg class="mark" x="{_at(mark.km, end)}" y="{HEIGHT / 2}" overflow="visible" data-visit="{mark.visit}">'
        f"<title>{escape(mark.text)}</title>"
        f'<rect class="reach" x="-12" y="-13" width="24" height="26"/>{_shape(mark.kind)}</svg>'
    )


def _axis(end: float, units: Units, here: float) -> str:
    ticks = "".join(
        f'<text x="{_at(km, end)}" y="16"{_anchor(km, end)}>{units.from_km(km):,.0f}</text>'
        for km in round_distances(end, units)
    )
    return (
        f'<div class="track-row axis"><span class="track-name">Odometer, {units.distance}</span>'
        f'<svg class="track" width="100%" height="22">{_here(here, end)}{ticks}</svg></div>'
    )


def _anchor(km: float, end: float) -> str:
    return ' class="first"' if km == 0 else ' class="last"' if km > 0.96 * end else ""
