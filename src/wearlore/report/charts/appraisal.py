"""The even price with its interval against the asking price, and how each finding would move it."""

from __future__ import annotations

import altair as alt

from wearlore.answers import Appraisal
from wearlore.report.appraisal import money, money_between, worth_listing
from wearlore.report.charts.look import INK, PAPER, RUST, SLATE, SOFT, TEAL, WIDTH, Chart, Drawing, Row, framed, values
from wearlore.units import Units

ROW = 46  # pixels of a finding with its name above
ROOM = 0.2  # of the width, for the words after the last mark
SHOWN = 8  # findings
NOW = "Even price now, with its 95 % interval"


def appraisal_drawings(found: Appraisal, units: Units) -> tuple[Drawing, ...]:
    text = "The even price with its interval against the asking price, and the even price after each finding."
    return (Drawing("price", text, price_chart(found, units)),)


def price_chart(found: Appraisal, units: Units) -> Chart:
    """The price now on top; below it a row for each finding that moves it most, from "there" to "not there"."""
    rows = [_now(found, units), *_findings(found, units)]
    ends = [float(row[end]) for row in rows for end in ("low", "high")] + [found.price, found.even.offer]
    low, high = min(ends), max(ends)
    room = max(high - low, 1.0)
    scale = alt.Scale(domain=[low - 0.04 * room, high + ROOM * room / (1 - ROOM)], nice=False, zero=False)

    def x(field: str) -> alt.X:
        axis = alt.Axis(format=",.0f", tickCount=6, grid=False)
        return alt.X(f"{field}:Q", title=f"Even price, {units.currency}", axis=axis, scale=scale)

    y = alt.Y("row:O", axis=None, scale=alt.Scale(domain=[row["row"] for row in rows], padding=0))
    now, findings, every = values(rows[:1]), values(rows[1:]), values(rows)
    asked = values([{"x": found.price}])
    layers = [
        asked.mark_rule(color=RUST, strokeWidth=2, strokeDash=[6, 4]).encode(x=x("x")),
        every.mark_rule(color=SLATE, strokeWidth=2).encode(x=x("low"), x2="high:Q", y=y),
        *(
            now.mark_tick(color=INK, thickness=2, size=14, orient="vertical", opacity=1).encode(x=x(end), y=y)
            for end in ("low", "high")
        ),
        now.mark_point(filled=True, color=INK, size=120, opacity=1).encode(x=x("x"), y=y),
        findings.mark_point(filled=True, color=RUST, size=100, opacity=1).encode(x=x("there"), y=y),
        findings.mark_point(filled=True, color=PAPER, stroke=TEAL, strokeWidth=2.5, size=90, opacity=1).encode(
            x=x("absent"), y=y
        ),
        every.mark_text(align="left", baseline="bottom", dy=-9, fontSize=13, color=INK).encode(
            x=alt.value(0), y=y, text="name:N"
        ),
        every.mark_text(align="left", dx=10, fontSize=12, color=SOFT).encode(x=x("high"), y=y, text="told:N"),
    ]
    asked_told = f"Dashed: the asking price, {units.show_money(found.price)}."
    said = [
        f"Now {money_between(found.even.even, units)}. {asked_told}",
        *(
            ["Below: after one finding. Filled: it is there; open: it is not. Beside: the chance that it is."]
            * bool(rows[1:])
        ),
    ]
    return framed(alt.LayerChart(layer=layers), "What it is worth", said, width=WIDTH, height=ROW * len(rows))


def _now(found: Appraisal, units: Units) -> Row:
    even = found.even.even
    return {
        "row": 0,
        "name": NOW,
        "told": money(even.value, units),
        "x": even.value,
        "low": even.low,
        "high": even.high,
    }


def _findings(found: Appraisal, units: Units) -> list[Row]:
    """Those that are expected to move the price most, each once."""
    even = found.even.even.value
    by_name = {finding.about: finding for look in reversed(worth_listing(found)) for finding in look.findings}
    most = sorted(by_name.values(), key=lambda one: -one.chance * abs(one.if_there - even))[:SHOWN]
    return [
        {
            "row": row, "name": one.about, "told": f"{100 * one.chance:.0f} %", "there": one.if_there,
            "absent": one.if_not, "low": min(one.if_there, one.if_not), "high": max(one.if_there, one.if_not),
        }
        for row, one in enumerate(most, 1)
    ]  # fmt: skip
