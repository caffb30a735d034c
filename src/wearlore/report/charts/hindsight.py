"""Forecasts beside what happened: the interval of each mode, and where what happened fell in its forecast."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt

from wearlore.answers.hindsight import FamilyHindsight
from wearlore.report.charts.look import INK, PAPER, RUST, SLATE, SOFT, TEAL, WIDTH, Chart, Drawing, Row, framed, values
from wearlore.report.hindsight import span_in_words, whole_in_words

ROW, PIT_HEIGHT, NAMES = 24, 220, 560
TICKS = (0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000, 50_000)
WITHIN, OUTSIDE = "Happened, within 90 %", "Happened, outside"
FIFTHS = ("lowest fifth", "second", "middle", "fourth", "highest fifth")


def hindsight_drawings(result: FamilyHindsight) -> tuple[Drawing, ...]:
    """Forecast intervals of all modes with what happened; the PIT histogram."""
    return (
        Drawing("forecasts", "The forecast of each failure mode beside what happened.", forecast_chart(result)),
        Drawing("pit", "Where in its forecast what happened fell, over the failure modes.", pit_chart(result)),
    )


def forecast_chart(result: FamilyHindsight) -> Chart:
    """One row a mode, most failures on top: 90 % and 50 % of the forecast, and a dot where it came out."""
    modes = sorted(result.modes, key=lambda row: (-row.tally.expected, row.mode))
    rows: list[Row] = [
        {
            "name": row.name,
            "x": row.tally.happened,
            "low": row.tally.most[0],
            "high": row.tally.most[1],
            "from": row.tally.half[0],
            "to": row.tally.half[1],
            "series": WITHIN if row.tally.within else OUTSIDE,
        }
        for row in modes
    ]
    names = [row.name for row in modes]
    y = alt.Y(
        "name:N",
        sort=names,
        title=None,
        axis=alt.Axis(labelLimit=330, minExtent=330, ticks=False, domain=False, labelPadding=10, grid=False),
    )
    far = max(max(row.tally.most[1], row.tally.happened) for row in modes)
    base = values(rows)
    legend = alt.Legend(title=None, orient="top", symbolType="circle", symbolSize=90, symbolOpacity=1, columnPadding=30)
    colour = alt.Color("series:N", scale=alt.Scale(domain=[WITHIN, OUTSIDE], range=[INK, RUST]), legend=legend)
    layers = [
        base.mark_rule(color=TEAL, strokeWidth=1.8).encode(x=_failures("low", far), x2="high:Q", y=y),
        *(
            base.mark_tick(color=TEAL, thickness=1.8, size=8, opacity=1).encode(x=_failures(end, far), y=y)
            for end in ("low", "high")
        ),
        base.mark_bar(color=TEAL, opacity=0.45, size=9, cornerRadius=1).encode(
            x=_failures("from", far), x2="to:Q", y=y
        ),
        base.mark_point(filled=True, size=70, opacity=1, stroke=PAPER, strokeWidth=1).encode(
            x=_failures("x", far), y=y, color=colour
        ),
    ]
    said = [
        *whole_in_words(result.verdict.sum, result.verdict.most),
        "Lines: 90 % of each forecast; bars: its middle half. Both are of whole numbers.",
    ]
    title = f"{result.family}: {span_in_words(result.hold_out)} forecast, and what happened"
    return framed(alt.LayerChart(layer=layers), title, said, width=NAMES, height=ROW * len(rows))


def _failures(field: str, far: int) -> alt.X:
    """On the scale of square roots, on which counts of all sizes spread alike."""
    return alt.X(
        f"{field}:Q",
        title="Failures, by square root",
        scale=alt.Scale(type="sqrt", domain=[0, far * 1.05], nice=False),
        axis=alt.Axis(values=[tick for tick in TICKS if tick <= far * 1.05], format=",.0f"),
    )


def pit_chart(result: FamilyHindsight) -> Chart:
    """How many modes came out in each fifth of their forecast; the band is what right forecasts would show."""
    bins, (low, high) = result.verdict.bins, result.verdict.bins_by_chance
    rows: list[Row] = [
        {"fifth": fifth, "y": number, "told": f"{number:.1f}"} for fifth, number in zip(FIFTHS, bins, strict=True)
    ]
    top = 1.15 * max(*bins, high, 1)
    y = alt.Y("y:Q", title="Failure modes", scale=alt.Scale(domain=[0, top], nice=False), axis=alt.Axis(tickCount=5))
    x = alt.X("fifth:N", sort=list(FIFTHS), title="Where in its forecast it came out", axis=alt.Axis(labelAngle=0))
    layers = [
        values(rows).mark_bar(color=TEAL, opacity=0.55, stroke=PAPER, strokeWidth=2).encode(x=x, y=y),
        *_edge(low, y, [6, 4]),
        *_edge(high, y, [6, 4]),
        *_edge(sum(bins) / len(bins), y, [1, 0]),
        values(rows)
        .mark_text(baseline="bottom", dy=-5, fontSize=12, color=INK)
        .encode(x=x, y=alt.datum(0), text="told:N"),
    ]
    said = [
        "Right forecasts fill all fifths alike (line), but for chance (dashed: 90 % of the time in between).",
        "Full on both sides: intervals too narrow. Full in the middle: too wide. Full on one: too high, or too low.",
    ]
    chart = alt.LayerChart(layer=layers)
    return framed(chart, f"{result.family}: where forecasts came out", said, width=WIDTH, height=PIT_HEIGHT)


def _edge(at: float, y: alt.Y, dash: Sequence[int]) -> list[alt.Chart]:
    colour = SOFT if dash[1] == 0 else SLATE
    rule = values([{"y": at}]).mark_rule(color=colour, strokeWidth=1.6, strokeDash=list(dash))
    return [rule.encode(y=y)]
