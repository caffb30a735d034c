"""Reliability diagram: what was there against what was said, with how many cases each point rests on."""

from __future__ import annotations

import altair as alt

from wearlore.answers.calibration import TraceCalibration
from wearlore.report.calibration import fullest_in_words
from wearlore.report.charts.look import INK, PAPER, SLATE, TEAL, WIDTH, Chart, Drawing, Row, framed, series, values
from wearlore.trace.calibration import Bin, Calibration
from wearlore.units import show_share

THERE, AS_STATED = "Was there", "As stated"
DIAGRAM, COUNTS = 400, 90  # pixels high


def calibration_drawings(result: TraceCalibration) -> tuple[Drawing, ...]:
    """One diagram; none while nothing can be compared."""
    if result.calibration is None:
        return ()
    text = "Share that was there against the chance stated, with intervals; below, how many causes that rests on."
    return (Drawing("reliability", text, reliability_diagram(result.calibration, result.family)),)


def reliability_diagram(compared: Calibration, family: str) -> Chart:
    """Points with whiskers over the diagonal, each at the mean chance of its bin; a bar of cases below each bin."""
    said = [
        fullest_in_words(compared),
        f"Whiskers: {show_share(compared.base_rate.level)} interval of the share that was there. "
        "Above the line more was there than was said, below it less.",
    ]
    both: Chart = alt.vconcat(_diagram(compared.bins), _counts(compared.bins), spacing=18)
    return framed(both, f"{family}: what traces said, and what was there", said)


def _diagram(bins: tuple[Bin, ...]) -> alt.LayerChart:
    rows: list[Row] = [
        {"series": THERE, "x": one.stated, "y": one.share.value, "low": one.share.low, "high": one.share.high}
        for one in bins
    ]
    diagonal: list[Row] = [{"series": AS_STATED, "x": end, "y": end} for end in (0.0, 1.0)]
    x, y = _chance("x:Q", None), _share("y:Q")
    colour = series([THERE, AS_STATED], [TEAL, SLATE])
    whisker = values(rows).mark_rule(strokeWidth=1.8).encode(x=x, y=_share("low:Q"), y2="high:Q", color=colour)
    ends = [
        values(rows).mark_tick(orient="horizontal", size=10, thickness=1.8, opacity=1).encode(x=x, y=end, color=colour)
        for end in (_share("low:Q"), _share("high:Q"))
    ]
    line = values(diagonal).mark_line(strokeWidth=1.6, strokeDash=[6, 4]).encode(x=x, y=y, color=colour)
    point = values(rows).mark_point(filled=True, size=80, opacity=1).encode(x=x, y=y, color=colour)
    return alt.LayerChart(layer=[line, whisker, *ends, point]).properties(width=WIDTH, height=DIAGRAM)


def _counts(bins: tuple[Bin, ...]) -> alt.LayerChart:
    rows: list[Row] = [
        {"x": one.low, "end": one.high, "middle": (one.low + one.high) / 2, "y": one.count, "told": f"{one.count:,}"}
        for one in bins
    ]
    x = _chance("x:Q", "Chance stated")
    scale = alt.Scale(domain=[0, 1.25 * max(one.count for one in bins)])  # room for the numbers
    y = alt.Y("y:Q", title="Causes", axis=alt.Axis(labels=False, ticks=False, grid=False, domain=False), scale=scale)
    bar = values(rows).mark_rect(color=TEAL, opacity=0.55, stroke=PAPER, strokeWidth=2)
    bars = bar.encode(x=x, x2="end:Q", y=y, y2=alt.Y2(datum=0))
    told = values(rows).mark_text(baseline="bottom", dy=-3, fontSize=12, color=INK)
    numbers = told.encode(x=_chance("middle:Q", "Chance stated"), y=y, text="told:N")
    return alt.LayerChart(layer=[bars, numbers]).properties(width=WIDTH, height=COUNTS)


def _chance(field: str, title: str | None) -> alt.X:
    axis = alt.Axis(format=".0%", tickCount=10, labels=title is not None, grid=title is None)
    return alt.X(field, title=title, axis=axis, scale=alt.Scale(domain=[0, 1], nice=False))


def _share(field: str) -> alt.Y:
    axis = alt.Axis(format=".0%", tickCount=10)
    return alt.Y(field, title="Was there", axis=axis, scale=alt.Scale(domain=[0, 1], nice=False))
