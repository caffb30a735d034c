"""Money of each remedy and grade: per distance in the long run by what it is paid for, and over the distance ahead."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt

from wearlore.answers import ComponentEconomy
from wearlore.report.charts.look import (
    AMBER,
    INK,
    NAVY,
    PAPER,
    SLATE,
    TEAL,
    VIOLET,
    WIDTH,
    Chart,
    Drawing,
    Row,
    framed,
    values,
)
from wearlore.report.economy import (
    NO_END,
    chance_in_words,
    choice_names,
    distance_told,
    money_in_words,
    per_distance,
    without_end,
)
from wearlore.units import Units

PAID_FOR = {"part": "Part", "labour": "Labour", "visit": "Visit", "consequence": "Consequence", "others": "Other modes"}
COLOURS = {"part": TEAL, "labour": AMBER, "visit": VIOLET, "consequence": NAVY, "others": SLATE}
BESIDE = " Beside the names: chance that nothing else costs less."
ROW, BAR, ROOM = 58, 20, 100  # pixels: of a choice with its name above, of its bar, of the words after a whisker


def economy_drawings(result: ComponentEconomy, units: Units) -> tuple[Drawing, ...]:
    """The long run, where it has an end for one choice at least; and the distance ahead."""
    ahead = Drawing("ahead", "Money of each choice over the distance ahead.", ahead_chart(result, units))
    if all(without_end(choice) for choice in result.economy.choices):
        return (ahead,)
    text = "Money of each choice per distance in the long run, by what it is paid for."
    return Drawing("long-run", text, long_run_chart(result, units)), ahead


def long_run_chart(result: ComponentEconomy, units: Units) -> Chart:
    """Stacked bars of the break-down with the interval of the whole as whisker; cheapest on top."""
    bars: list[Row] = []
    totals: list[Row] = []
    told_apart = len(result.economy.choices) > 1 and not any(without_end(choice) for choice in result.economy.choices)
    for row, (choice, name) in enumerate(zip(result.economy.choices, choice_names(result), strict=True)):
        low, high = (per_distance(end, units) for end in (choice.per_distance.low, choice.per_distance.high))
        value = per_distance(choice.per_distance.value, units)
        told = NO_END if without_end(choice) else f"{units.currency} {value:,.0f}"
        chance = f", cheapest: {chance_in_words(choice.cheapest)}" if told_apart else ""
        totals.append({"row": row, "name": f"{name}{chance}", "x": value, "low": low, "high": high, "told": told})
        begin = 0.0
        for field, paid_for in PAID_FOR.items():
            money = per_distance(getattr(choice.breakdown, field), units)
            if money > 0:
                bars.append({"row": row, "series": paid_for, "x": begin, "end": begin + money})
                begin += money
    fields = [field for field, paid_for in PAID_FOR.items() if any(bar["series"] == paid_for for bar in bars)]
    legend = alt.Legend(title=None, orient="top", symbolType="square", symbolSize=140, symbolOpacity=1)
    scale = alt.Scale(domain=[PAID_FOR[field] for field in fields], range=[COLOURS[field] for field in fields])
    x = _money_axis(totals, f"{units.currency} per {distance_told(units)}")
    mark = values(bars).mark_bar(size=BAR, stroke=PAPER, strokeWidth=1)
    stacked = mark.encode(x=x, x2="end:Q", y=_rows(totals), color=alt.Color("series:N", scale=scale, legend=legend))
    ended = [row for row in totals if row["told"] != NO_END]
    layers = [stacked, *_whiskers(ended, totals, x), *_words(totals, x)]
    said = [
        f"{units.currency} per {distance_told(units)}: always the same remedy and grade, run to failure.",
        f"Whiskers: 95 % interval of the whole.{BESIDE if told_apart else ''}",
    ]
    return _framed(layers, f"{result.name}: money in the long run", said, len(totals))


def ahead_chart(result: ComponentEconomy, units: Units) -> Chart:
    """The money over the horizon as points with whiskers, in the order of the other chart."""
    over = units.show_distance(result.economy.horizon)
    several = len(result.economy.choices) > 1
    rows: list[Row] = [
        {
            "row": row,
            "name": f"{name}, cheapest: {chance_in_words(choice.cheapest_ahead)}" if several else name,
            "x": choice.ahead.value, "low": choice.ahead.low, "high": choice.ahead.high,
            "told": money_in_words(choice.ahead, units).partition(" (")[0],
        }
        for row, (choice, name) in enumerate(zip(result.economy.choices, choice_names(result), strict=True))
    ]  # fmt: skip
    x = _money_axis(rows, f"{units.currency} over {over}")
    point = values(rows).mark_point(filled=True, color=TEAL, size=90, opacity=1).encode(x=x, y=_rows(rows))
    said = [
        f"{units.currency} over the next {over}: fitted now, and the same again at each failure; discounted.",
        f"Whiskers: 95 % interval.{BESIDE if several else ''}",
    ]
    layers = [*_whiskers(rows, rows, x), point, *_words(rows, x)]
    return _framed(layers, f"{result.name}: money over the next {over}", said, len(rows))


def _money_axis(rows: Sequence[Row], title: str) -> alt.X:
    end = WIDTH / (WIDTH - ROOM) * max(float(row["high"]) for row in rows)
    return alt.X(
        "x:Q",
        title=title,
        scale=alt.Scale(domain=[0, end], nice=False),
        axis=alt.Axis(format=",.0f", tickCount=6, grid=False),
    )


def _rows(rows: Sequence[Row]) -> alt.Y:
    return alt.Y("row:O", axis=None, scale=alt.Scale(domain=list(range(len(rows))), padding=0))


def _whiskers(rows: Sequence[Row], every: Sequence[Row], x: alt.X) -> list[alt.Chart]:
    """On an edge of paper, to be seen on every colour; ``every``: all rows of the chart."""
    y = _rows(every)
    base = values(rows)
    return [
        base.mark_rule(color=PAPER, strokeWidth=4).encode(x=_at(x, "low"), x2="high:Q", y=y),
        base.mark_rule(color=INK, strokeWidth=1.6).encode(x=_at(x, "low"), x2="high:Q", y=y),
        *(
            base.mark_tick(color=INK, thickness=1.6, size=10, orient="vertical", opacity=1).encode(x=_at(x, end), y=y)
            for end in ("low", "high")
        ),
    ]


def _at(x: alt.X, field: str) -> alt.X:
    at = x.copy()
    at.shorthand = f"{field}:Q"
    return at


def _words(rows: Sequence[Row], x: alt.X) -> list[alt.Chart]:
    """The name above each bar, the value after its whisker."""
    y = _rows(rows)
    name = values(rows).mark_text(align="left", baseline="bottom", dy=-BAR / 2 - 4, fontSize=13, color=INK)
    told = values(rows).mark_text(align="left", dx=8, fontSize=13, fontWeight=600, color=INK)
    return [
        name.encode(x=alt.value(0), y=y, text="name:N"),
        told.encode(x=_at(x, "high"), y=y, text="told:N"),
    ]


def _framed(layers: Sequence[alt.Chart], title: str, said: Sequence[str], rows: int) -> Chart:
    return framed(alt.LayerChart(layer=list(layers)), title, said, height=ROW * rows)
