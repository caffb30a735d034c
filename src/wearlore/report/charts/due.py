"""What acting saves on each of the first vehicles of a due list, with intervals."""

from __future__ import annotations

import altair as alt

from wearlore.answers.due import DueList
from wearlore.report.charts.look import INK, TEAL, Chart, Drawing, Row, framed, values
from wearlore.units import Units

FIRST = 20  # vehicles drawn


def due_drawings(result: DueList, units: Units) -> tuple[Drawing, ...]:
    """One bar a vehicle; none where there is nothing to rank."""
    rows = result.rows[:FIRST]
    if not rows:
        return ()
    text = f"Expected saving of acting at the next visit, the first {len(rows)} vehicles, with intervals."
    return (Drawing("due", text, savings_chart(result, units)),)


def savings_chart(result: DueList, units: Units) -> Chart:
    """Bars from the top down in the order of the list, whiskers over them."""
    rows: list[Row] = [
        {"vehicle": one.vehicle, "x": one.saving.value, "low": one.saving.low, "high": one.saving.high}
        for one in result.rows[:FIRST]
    ]
    names = [str(row["vehicle"]) for row in rows]
    y = alt.Y("vehicle:N", title=None, sort=names, axis=alt.Axis(ticks=False, domain=False, labelLimit=160))
    axis = alt.Axis(format=",.0f", tickCount=7)
    x = alt.X("x:Q", title=f"Saving, {units.currency}", axis=axis, scale=alt.Scale(zero=True))
    bar = values(rows).mark_bar(color=TEAL, opacity=0.65, height={"band": 0.7}).encode(x=x, y=y)
    whisker = values(rows).mark_rule(color=INK, strokeWidth=1.4).encode(x=alt.X("low:Q"), x2="high:Q", y=y)
    said = [
        "Expected and discounted over the horizon, against leaving everything.",
        "Whiskers: 95 % of what records and judgement allow.",
    ]
    chart = alt.LayerChart(layer=[bar, whisker])
    return framed(chart, f"{result.family}: whom to call in", said, height=24 * len(rows) + 20)
