"""Wear bands: every weak point of the family on one axis of distance."""

from __future__ import annotations

import altair as alt
import numpy as np

from wearlore.answers import FamilyLives, ModeSummary
from wearlore.estimate import Estimate
from wearlore.report.charts.look import INK, LINE, PAPER, SOFT, TEAL, Chart, Drawing, Row, distance_axis, framed, values
from wearlore.units import Units, show_share

ROW = 25  # pixels
WIDTH, GAUGE = 560, 96
SHOWN = 0.75  # share of the modes whose median the axis reaches at least
SAID = (
    "Each band runs from where 1 in 10 has failed to where 9 in 10 have; the gap in it is where half have.",
    "Whiskers: 95 % interval of its start. Right: how much of that is record; the rest is judgement.",
)


def family_drawings(
    lives: FamilyLives, units: Units, *, odometer: float | None = None, vehicle: str = ""
) -> tuple[Drawing, ...]:
    """The wear bands; nothing where nothing is known."""
    if not any(row.b10 for row in lives.rows):
        return ()
    chart = wear_bands(lives, units, odometer=odometer, vehicle=vehicle)
    return (Drawing("wear-bands", "The wear band of every weak point, from B10 to B90.", chart),)


def wear_bands(lives: FamilyLives, units: Units, *, odometer: float | None = None, vehicle: str = "") -> Chart:
    """One band per weak point, from B10 to B90, soonest first; a line where this vehicle's ``odometer`` (km) stands.

    Weak points of which nothing is known are left out. Raises ValueError when none is left.
    """
    known = [(row, row.b10, row.b50, row.b90) for row in lives.rows if row.b10 and row.b50 and row.b90]
    if not known:
        raise ValueError("wear bands want at least one mode of which something is known")
    end = _end([b50.value for _, _, b50, _ in known], max(b90.value for *_, b90 in known), odometer)
    rows = [_row(row, b10, b50, b90, units) for row, b10, b50, b90 in known]
    names = [row.name for row, *_ in known]
    y = alt.Y(
        "name:N",
        sort=names,
        title=None,
        scale=alt.Scale(paddingInner=0.42, paddingOuter=0.3),
        axis=alt.Axis(labelLimit=330, ticks=False, domain=False, labelPadding=10, grid=False),
    )
    x = distance_axis(units, end)
    base = values(rows)
    size = {"height": ROW * len(rows)}
    layers = [
        base.mark_bar(color=TEAL, opacity=0.42, clip=True, cornerRadius=2).encode(x=x, x2="b90:Q", y=y),
        base.mark_bar(color=TEAL, clip=True, cornerRadius=2).encode(x=x, x2="b50:Q", y=y),
        base.mark_tick(color=PAPER, thickness=2.5, size=ROW * 0.62, clip=True).encode(x="b50:Q", y=y),
        base.mark_rule(color=INK, strokeWidth=1.3, clip=True).encode(x="low:Q", x2="high:Q", y=y),
        base.mark_tick(color=INK, thickness=1.3, size=8, clip=True).encode(x="low:Q", y=y),
        base.mark_tick(color=INK, thickness=1.3, size=8, clip=True).encode(x="high:Q", y=y),
    ]
    said = list(SAID)
    if odometer is not None:
        at: Row = {"x": units.from_km(odometer)}
        layers.append(values([at]).mark_rule(color=INK, strokeWidth=1.6, strokeDash=[4, 3]).encode(x=x))
        said.append(f"Dashed: {vehicle or 'this vehicle'} at {units.show_odometer(odometer)}.")
    main = alt.LayerChart(layer=layers).properties(width=WIDTH, **size)
    chart = alt.hconcat(main, _gauge(rows, names).properties(width=GAUGE, **size), spacing=14).resolve_scale(y="shared")
    return framed(chart, f"What wears when: {lives.family}", said)


def _row(row: ModeSummary, b10: Estimate, b50: Estimate, b90: Estimate, units: Units) -> Row:
    return {
        "name": row.name,
        "x": units.from_km(b10.value),
        "b50": units.from_km(b50.value),
        "b90": units.from_km(b90.value),
        "low": units.from_km(b10.low),
        "high": units.from_km(b10.high),
        "record": row.record_share,
        "told": show_share(row.record_share),
    }


def _end(medians: list[float], longest: float, odometer: float | None) -> float:
    """Far enough for the medians of most weak points and for this vehicle; what runs on is cut at the edge."""
    far = max(float(np.quantile(medians, SHOWN)) * 1.25, (odometer or 0.0) * 1.1)
    return min(far, longest * 1.02)


def _gauge(rows: list[Row], names: list[str]) -> alt.LayerChart:
    """Record and judgement: a small gauge for each weak point, filled as far as its knowledge is record."""
    y = alt.Y("name:N", sort=names, axis=None)
    axis = alt.Axis(
        labels=False, ticks=False, grid=False, domain=False, orient="top", titleColor=SOFT, titleAnchor="start"
    )
    x = alt.X("record:Q", title="Record", scale=alt.Scale(domain=[0, 1], range=[0, GAUGE * 0.45]), axis=axis)
    whole = values(rows).mark_bar(color=LINE, height=5, cornerRadius=2)
    part = values(rows).mark_bar(color=SOFT, height=5, cornerRadius=2)
    told = values(rows).mark_text(align="right", fontSize=11, color=SOFT)
    return alt.LayerChart(
        layer=[
            whole.encode(y=y, x=alt.datum(0), x2=alt.datum(1)),
            part.encode(x=x, y=y),
            told.encode(x=alt.value(GAUGE), y=y, text="told:N"),
        ]
    )
