"""The suspects of a trace: chance with interval, and the chance before anything was told."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt

from wearlore.answers import TracedFault
from wearlore.report.charts.look import INK, PAPER, SLATE, SOFT, TEAL, WIDTH, Chart, Drawing, Row, framed, values
from wearlore.report.trace import called, listed, show_chance

ROW = 50  # pixels of a suspect with its name above
ROOM = 90  # pixels for the words after a whisker
NONE = "None of these"


def trace_drawings(traced: TracedFault) -> tuple[Drawing, ...]:
    """One chart; none where nothing can be wrong."""
    if not listed(traced):
        return ()
    text = "Chance of each suspect with its interval, and its chance before anything was told."
    return (Drawing("suspects", text, suspects_chart(traced)),)


def suspects_chart(traced: TracedFault) -> Chart:
    """Likeliest on top: a dot at the chance, a whisker for its interval, a pale tick at the chance before."""
    rows: list[Row] = [
        {
            "row": row, "name": called(suspect), "told": show_chance(suspect.chance.value), "x": suspect.chance.value,
            "low": suspect.chance.low, "high": suspect.chance.high, "before": suspect.prior.value,
            "end": max(suspect.chance.high, suspect.prior.value),
        }
        for row, suspect in enumerate(listed(traced))
    ]  # fmt: skip
    all_rows = [*rows, *_none(traced, len(rows))]
    y = alt.Y("row:O", axis=None, scale=alt.Scale(domain=[row["row"] for row in all_rows], padding=0))
    base, every = values(rows), values(all_rows)
    layers = [
        base.mark_rule(color=TEAL, strokeWidth=2).encode(x=_chance("low:Q"), x2="high:Q", y=y),
        base.mark_tick(color=SOFT, thickness=2.5, size=16, orient="vertical", opacity=0.65).encode(
            x=_chance("before:Q"), y=y
        ),
        base.mark_point(filled=True, color=TEAL, size=110, opacity=1).encode(x=_chance("x:Q"), y=y),
        every.transform_filter("!isValid(datum.low)")
        .mark_point(filled=True, color=PAPER, stroke=SLATE, strokeWidth=2, size=100, opacity=1)
        .encode(x=_chance("x:Q"), y=y),
        every.mark_text(align="left", baseline="bottom", dy=-10, fontSize=13, color=INK).encode(
            x=alt.value(0), y=y, text="name:N"
        ),
        every.mark_text(align="left", dx=10, fontSize=13, fontWeight=600, color=INK).encode(
            x=_chance("end:Q"), y=y, text="told:N"
        ),
    ]
    said = [
        "Dot: chance that it is there now; line: 95 % interval for what is not known of its life.",
        "Pale tick: chance before anything was told.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{traced.vehicle}: what it may be", said, height=ROW * len(all_rows))


def _none(traced: TracedFault, row: int) -> Sequence[Row]:
    if not traced.asked:
        return ()
    share = traced.unexplained
    return ({"row": row, "name": NONE, "told": show_chance(share), "x": share, "end": share},)


def _chance(field: str) -> alt.X:
    axis = alt.Axis(format=".0%", tickCount=5, grid=False)
    scale = alt.Scale(domain=[0, WIDTH / (WIDTH - ROOM)], nice=False)
    return alt.X(field, title="Chance that it is there", axis=axis, scale=scale)
