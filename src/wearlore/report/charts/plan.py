"""Cost curves of a mode's strategies, the calendar of a plan, and what an interval between changes costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt

from wearlore.answers.plan import FluidInterval, MaintenancePlan, PlannedMode
from wearlore.plan import Kind, Option
from wearlore.report.charts.look import (
    AMBER,
    INK,
    PAPER,
    SLATE,
    TEAL,
    VIOLET,
    WIDTH,
    Chart,
    Drawing,
    Row,
    distance_axis,
    framed,
    series,
    values,
)
from wearlore.report.plan import ACTS, per_distance, strategy_in_words, told_distance
from wearlore.units import Units

NAMES: dict[Kind, str] = {
    "renew": "Renew at an age",
    "inspect": "Look",
    "run-to-failure": "Until it fails",
}
COLOURS = {"renew": TEAL, "inspect": AMBER, "run-to-failure": SLATE}
SHAPES = {"Look": "circle", "Renew": "square", "Cure now": "diamond"}
INKS = {"Look": AMBER, "Renew": TEAL, "Cure now": VIOLET}
ROW, NAMED = 24, 250  # pixels: of a line of the calendar, of the names beside it
BAND = 0.16


def mode_drawings(result: PlannedMode, units: Units) -> tuple[Drawing, ...]:
    return (Drawing("cost", "Money of each strategy against its distance.", cost_chart(result, units)),)


def cost_chart(result: PlannedMode, units: Units) -> Chart:
    """A curve with its band for each strategy that has a distance; run to failure as a level; the choice marked."""
    rows: list[Row] = []
    for curve in result.curves:
        for every, value, low, high in zip(curve.every, curve.value, curve.low, curve.high, strict=True):
            rows.append(_point(NAMES[curve.kind], float(every), (value, low, high), units))
    end = max(float(curve.every.max()) for curve in result.curves)
    left = next(option for option in result.mode.options if option.kind == "run-to-failure")
    cost = left.cost.value, left.cost.low, left.cost.high
    rows += [_point(NAMES["run-to-failure"], km, cost, units) for km in (0.0, end)]
    kinds = [kind for kind in NAMES if any(row["series"] == NAMES[kind] for row in rows)]
    top = 1.6 * max(per_distance(option.cost.high, units) for option in result.mode.options)
    x = distance_axis(units, end, "Distance between planned actions")
    y = _money(units, top)
    colour = series([NAMES[kind] for kind in kinds], [COLOURS[kind] for kind in kinds])
    shown = [row for row in rows if float(row["low"]) <= top]
    base = values([{**row, "high": min(float(row["high"]), top), "y": min(float(row["y"]), top)} for row in shown])
    layers = [
        base.mark_area(opacity=BAND, clip=True, interpolate="monotone").encode(
            x=x, y=alt.Y("low:Q", **y), y2="high:Q", color=colour
        ),
        base.mark_line(strokeWidth=2.4, clip=True, interpolate="monotone").encode(
            x=x, y=alt.Y("y:Q", **y), color=colour
        ),
    ]
    chosen = result.mode.chosen
    if chosen.kind != "run-to-failure":
        layers += _marked(chosen, units, x, y)
    said = [
        f"{units.currency} per {told_distance(units)} on one vehicle, all access paid. Bands: 95 %.",
        f"Chosen: {strategy_in_words(chosen, units)}.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{result.mode.name}: what each strategy costs", said)


def _point(name: str, km: float, cost: tuple[float, float, float], units: Units) -> Row:
    value, low, high = (per_distance(float(end), units) for end in cost)
    return {"series": name, "x": units.from_km(km), "y": value, "low": low, "high": high}


def _money(units: Units, top: float) -> dict[str, Any]:
    return {
        "title": f"{units.currency} per {told_distance(units)}",
        "scale": alt.Scale(domain=[0, top], nice=False),
        "axis": alt.Axis(format=",.0f", tickCount=6),
    }


def _marked(chosen: Option, units: Units, x: alt.X, y: dict[str, Any]) -> list[alt.Chart]:
    at: Row = {
        "x": units.from_km(chosen.every),
        "y": per_distance(chosen.cost.value, units),
        "told": units.show_distance(chosen.every),
    }
    base = values([at]).encode(x=x, y=alt.Y("y:Q", **y))
    return [
        base.mark_point(filled=True, size=110, color=INK, stroke=PAPER, strokeWidth=2, opacity=1),
        base.mark_text(dy=-16, fontSize=13, fontWeight=600, color=INK).encode(text="told:N"),
    ]


def plan_drawings(result: MaintenancePlan, units: Units) -> tuple[Drawing, ...]:
    """Nothing where nothing is planned."""
    if not any(service.jobs for service in result.services):
        return ()
    return (Drawing("calendar", "What is done at each service.", calendar_chart(result, units)),)


def calendar_chart(result: MaintenancePlan, units: Units) -> Chart:
    """A line for each piece of work, a mark at each service that asks for it."""
    rows: list[Row] = [
        {"name": result.names[job.inspection or job.remedy], "x": units.from_km(service.km), "series": ACTS[job.kind]}
        for service in result.services
        for job in service.jobs
    ]
    order = sorted(dict.fromkeys(str(row["name"]) for row in rows), key=lambda name: _first(rows, name))
    acts = [act for act in ACTS.values() if any(row["series"] == act for row in rows)]
    every, at = units.from_km(result.plan.service_every), [float(row["x"]) for row in rows]
    x = alt.X(
        "x:Q",
        title=f"Odometer, {units.distance}",
        scale=alt.Scale(domain=[min(at) - every / 2, max(at) + every / 2], nice=False),
        axis=alt.Axis(
            format=",.0f", values=[units.from_km(s.km) for s in result.services], labelOverlap=True, grid=False
        ),
    )
    y = alt.Y(
        "name:N",
        title=None,
        sort=order,
        axis=alt.Axis(labelLimit=320, minExtent=NAMED, grid=True, ticks=False, domain=False),
    )
    legend = alt.Legend(title=None, orient="top", symbolSize=140, symbolOpacity=1)
    colour = alt.Color("series:N", scale=alt.Scale(domain=acts, range=[INKS[act] for act in acts]), legend=legend)
    shape = alt.Shape("series:N", scale=alt.Scale(domain=acts, range=[SHAPES[act] for act in acts]), legend=legend)
    marks = values(rows).mark_point(filled=True, size=120, opacity=1).encode(x=x, y=y, color=colour, shape=shape)
    said = ["Renewals where the piece has not failed, and been cured, before."]
    title = f"{result.vehicle or result.variant}: calendar"
    return framed(alt.LayerChart(layer=[marks]), title, said, width=WIDTH - NAMED, height=ROW * len(order))


def _first(rows: Sequence[Row], name: str) -> tuple[float, int, str]:
    """Work of most services first, then by its first service."""
    own = [float(row["x"]) for row in rows if row["name"] == name]
    return min(own), -len(own), name


def fluid_drawings(result: FluidInterval, units: Units) -> tuple[Drawing, ...]:
    return (Drawing("interval", "Money against the interval between changes.", fluid_chart(result, units)),)


def fluid_chart(result: FluidInterval, units: Units) -> Chart:
    """The mean with its band; the least marked; beyond the records dashed."""
    choice = result.choice
    rows = [
        _point("cost", every, (cost.value, cost.low, cost.high), units)
        for every, cost in zip(choice.every, choice.cost, strict=True)
    ]
    y = _money(units, 1.08 * max(float(row["high"]) for row in rows))
    x = distance_axis(units, 1.03 * max(choice.every), "Interval between changes")
    base = values(rows)
    low, high = (units.from_km(end) for end in choice.measured)
    records = values([{"x": max(low, 0.0), "end": high}])
    best = min(rows, key=lambda row: float(row["y"]))
    mark = values([{**best, "told": units.show_distance(choice.best.value)}]).encode(x=x, y=alt.Y("y:Q", **y))
    layers = [
        records.mark_rect(color=SLATE, opacity=0.08).encode(x=x, x2="end:Q"),
        base.mark_area(opacity=BAND, color=TEAL, interpolate="monotone").encode(
            x=x, y=alt.Y("low:Q", **y), y2="high:Q"
        ),
        base.mark_line(strokeWidth=2.4, color=TEAL, interpolate="monotone").encode(x=x, y=alt.Y("y:Q", **y)),
        mark.mark_point(filled=True, size=110, color=INK, stroke=PAPER, strokeWidth=2, opacity=1),
        mark.mark_text(dy=-16, fontSize=13, fontWeight=600, color=INK).encode(text="told:N"),
    ]
    said = [
        f"{units.currency} per {told_distance(units)}: changes, and the failures whose lives go with the interval.",
        "Band: 95 %. Shaded behind it: where 9 in 10 lives of the records lie.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{result.names[result.component]}: how often to change it", said)
