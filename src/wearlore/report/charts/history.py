"""A vehicle's history against distance: a lane for each unit, what was found and done told apart by shape."""

from __future__ import annotations

import altair as alt

from wearlore.answers import VehicleHistory
from wearlore.report.charts.look import (
    AMBER,
    NAVY,
    RUST,
    SLATE,
    SOFT,
    TEAL,
    VIOLET,
    Chart,
    Drawing,
    Row,
    distance_axis,
    framed,
    values,
)
from wearlore.report.vehicle import KINDS, Kind, lanes
from wearlore.units import Units

ROW = 24  # pixels of a lane
SHAPES: dict[Kind, tuple[str, str]] = {
    "fault": ("M-.8-1L0-.2L.8-1L1-.8L.2 0L1 .8L.8 1L0 .2L-.8 1L-1 .8L-.2 0L-1-.8Z", RUST),
    "good": ("circle", TEAL),
    "renewed": ("M-1.7-1.7H1.7V1.7H-1.7ZM-1.3-1.3V1.3H1.3V-1.3Z", NAVY),  # a frame: what failed stands inside
    "cleaned": ("triangle-down", AMBER),
    "repaired": ("diamond", VIOLET),
    "original": ("triangle-up", SOFT),
    "reading": ("M-.3-1H.3V-.3H1V.3H.3V1H-.3V.3H-1V-.3H-.3Z", SLATE),
}


def history_drawings(history: VehicleHistory, units: Units) -> tuple[Drawing, ...]:
    """One drawing; none where nothing of any unit is on record."""
    if not lanes(history):
        return ()
    words = f"The history of {history.vehicle} against distance, a lane for each unit."
    return (Drawing("history", words, history_chart(history, units)),)


def history_chart(history: VehicleHistory, units: Units) -> Chart:
    """Lines: pieces in place; marks: what was found, done and read."""
    drawn = lanes(history)
    names = [lane.name for lane in drawn]
    end = max(history.km, 1.0)
    pieces: list[Row] = [
        {"lane": lane.name, "x": units.from_km(a), "x2": units.from_km(b)} for lane in drawn for a, b in lane.pieces
    ]
    marks: list[Row] = [
        {"lane": lane.name, "x": units.from_km(mark.km), "kind": KINDS[mark.kind]}
        for lane in drawn
        for mark in lane.marks
    ]
    y = alt.Y("lane:N", title=None, sort=names, axis=alt.Axis(ticks=False, domain=False, labelLimit=260))
    used = [kind for kind in KINDS if any(mark.kind == kind for lane in drawn for mark in lane.marks)]
    domain = [KINDS[kind] for kind in used]
    legend = alt.Legend(title=None, orient="top", columns=4)
    shape = alt.Shape("kind:N", scale=alt.Scale(domain=domain, range=[SHAPES[kind][0] for kind in used]), legend=legend)
    colour = alt.Color(
        "kind:N", scale=alt.Scale(domain=domain, range=[SHAPES[kind][1] for kind in used]), legend=legend
    )
    x = distance_axis(units, end * 1.01, "Odometer")
    points = values(marks).mark_point(size=80, strokeWidth=0, filled=True, opacity=1)
    layers = [
        values(pieces).mark_rule(color=SOFT, strokeWidth=1.2, opacity=0.6).encode(x=x, x2="x2:Q", y=y),
        points.encode(x=x, y=y, shape=shape, color=colour),
    ]
    said = [
        f"{len(history.visits):,} visits up to {units.show_odometer(history.km)}.",
        "A line is a unit as it was driven; a frame ends one piece and begins the next.",
    ]
    return framed(alt.LayerChart(layer=layers), f"History of {history.vehicle}", said, height=ROW * len(drawn))
