"""The years to come: the cost so far as a fan, year by year, what drives it, and the policies side by side."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt

from wearlore.answers import VehicleOutlook
from wearlore.report.charts.look import (
    INK,
    PAPER,
    SOFT,
    TEAL,
    WIDTH,
    Chart,
    Drawing,
    Row,
    framed,
    values,
)
from wearlore.report.outlook import APART, DOING, POLICIES, driver_name, listed, money, saving_of, span_in_words
from wearlore.report.sheet import counted
from wearlore.units import Units, show_share

ROW, BAR, ROOM = 54, 18, 190  # pixels: of a line with its name above, of its bar, of the words after it
FAN_HEIGHT, BARS_HEIGHT = 340, 280
TOP = 8  # drivers drawn


def outlook_drawings(outlook: VehicleOutlook, units: Units) -> tuple[Drawing, ...]:
    """The fan first; drivers only where something costs."""
    told = outlook.policies[outlook.told]
    made = [
        Drawing(
            "fan", "Cost so far over the time ahead, as bands of vehicles like this one.", fan_chart(outlook, units)
        ),
        Drawing("years", "Expected cost of each year, with where 8 in 10 lie.", years_chart(outlook, units)),
        Drawing("policies", "Cost of each way of caring for the vehicle.", policies_chart(outlook, units)),
    ]
    if told.drivers:
        made.append(Drawing("drivers", "What drives the cost.", drivers_chart(outlook, units)))
    return tuple(made)


def fan_chart(outlook: VehicleOutlook, units: Units) -> Chart:
    """Bands of the cost so far: 8 in 10 and half of vehicles, the median, and what is expected."""
    told = outlook.policies[outlook.told]
    names = ("low", "lower", "x50", "upper", "high")
    rows: list[Row] = [{"x": 0.0, "mean": 0.0, **dict.fromkeys(names, 0.0)}]
    for year in told.years:
        rows.append({"x": _ends(outlook, year.number, units), "mean": year.so_far_mean})
        rows[-1] |= dict(zip(names, year.so_far, strict=True))
    x = alt.X(
        "x:Q",
        title=f"Distance from now, {units.distance}" if outlook.by_distance else "Years from now",
        scale=alt.Scale(domain=[0, rows[-1]["x"]], nice=False),
        axis=alt.Axis(format=",.0f", tickMinStep=1, labelFlush=False, grid=False),
    )
    y = alt.Y("high:Q", title=f"Cost so far, {units.currency}", axis=alt.Axis(format=",.0f", tickCount=6))
    base = values(rows)
    last: list[Row] = [
        {"x": rows[-1]["x"], "high": float(rows[-1][name]), "told": words}
        for name, words in (("high", "1 in 10 above"), ("x50", "half"), ("low", "1 in 10 below"))
    ]
    said_so = alt.X("x:Q")
    layers = [
        base.mark_area(color=TEAL, opacity=0.2).encode(x=x, y=_at(y, "low"), y2="high:Q"),
        base.mark_area(color=TEAL, opacity=0.35).encode(x=x, y=_at(y, "lower"), y2="upper:Q"),
        base.mark_line(color=TEAL, strokeWidth=2.5).encode(x=x, y=_at(y, "x50")),
        base.mark_line(color=INK, strokeWidth=1.5, strokeDash=[6, 4]).encode(x=x, y=_at(y, "mean")),
        values(last).mark_text(align="left", dx=8, fontSize=12, color=SOFT).encode(x=said_so, y=y, text="told:N"),
    ]
    said = [
        f"{_said(outlook)}. Dark band: half of vehicles like this one; pale: 8 in 10; line: half pay less.",
        "Dashed: expected. Money of today, not discounted.",
    ]
    chart = alt.LayerChart(layer=layers)
    return framed(chart, f"{outlook.vehicle.id}: cost so far", said, width=WIDTH - 80, height=FAN_HEIGHT)


def years_chart(outlook: VehicleOutlook, units: Units) -> Chart:
    """A bar a year: expected; whisker from 1 in 10 to 9 in 10."""
    told = outlook.policies[outlook.told]
    rows: list[Row] = [
        {
            "name": _short(outlook, year.number, units), "high": year.cost.value, "low": year.spread[0],
            "upper": year.spread[2], "told": money(year.cost.value), "zero": 0.0,
        }
        for year in told.years
    ]  # fmt: skip
    title = f"To, {units.distance} from now" if outlook.by_distance else "Year"
    x = alt.X("name:N", title=title, sort=None, axis=alt.Axis(labelAngle=0, ticks=False))
    y = alt.Y("high:Q", title=units.currency, axis=alt.Axis(format=",.0f", tickCount=5))
    base = values(rows)
    width = min(64.0, 0.55 * WIDTH / len(rows))
    layers = [
        base.mark_bar(color=TEAL, size=width).encode(x=x, y=y, y2="zero:Q"),
        base.mark_rule(color=PAPER, strokeWidth=4).encode(x=x, y=_at(y, "low"), y2="upper:Q"),
        base.mark_rule(color=INK, strokeWidth=1.6).encode(x=x, y=_at(y, "low"), y2="upper:Q"),
        *(
            base.mark_tick(color=INK, thickness=1.6, size=12, orient="horizontal", opacity=1).encode(x=x, y=_at(y, end))
            for end in ("low", "upper")
        ),
        base.mark_text(dy=-9, fontSize=13, fontWeight=600, color=INK).encode(x=x, y=_at(y, "upper"), text="told:N"),
    ]
    said = [f"{_said(outlook)}. Bar and number: expected. Line: 8 in 10 vehicles like this one lie in it."]
    return framed(alt.LayerChart(layer=layers), f"{outlook.vehicle.id}: year by year", said, height=BARS_HEIGHT)


def policies_chart(outlook: VehicleOutlook, units: Units) -> Chart:
    """A bar for each policy, the one told first: expected, and where 8 in 10 lie."""
    rows: list[Row] = []
    for name, one in outlook.policies.items():
        words = f"{units.currency} {money(one.cost.value)}"
        if name != outlook.told:
            saved = saving_of(outlook, outlook.told, name).money
            side = "more" if saved.value > 0 else "less"
            words += ", open" if saved.low < 0 < saved.high else f", {money(abs(saved.value))} {side}"
        rows.append(_bar(len(rows), POLICIES.get(name, name), one.cost.value, one.spread[0], one.spread[2], words))
    if outlook.apart is not None:
        apart = outlook.apart
        words = f"{units.currency} {money(apart.cost.value)}"
        rows.append(_bar(len(rows), APART, apart.cost.value, apart.spread[0], apart.spread[2], words))
    said = [
        f"Bar and number: expected over {span_in_words(outlook, units)}. Line: 8 in 10 vehicles like this one.",
        f"More, less, or open: against {DOING.get(outlook.told, outlook.told)}, on the same courses.",
    ]
    return _bars(rows, f"{outlook.vehicle.id}: ways of caring for it", said, units.currency)


def drivers_chart(outlook: VehicleOutlook, units: Units) -> Chart:
    """The dearest failures: expected cost with its 95 % interval, and all others together."""
    told = outlook.policies[outlook.told]
    shown = listed(told)[:TOP]
    rows = [
        _bar(
            row, driver_name(outlook, driver), driver.cost.value, driver.cost.low, driver.cost.high,
            f"{money(driver.cost.value)}, {show_share(driver.share)}",
        )
        for row, driver in enumerate(shown)
    ]  # fmt: skip
    said = [f"{_said(outlook)}. Expected over {span_in_words(outlook, units)}, and share of it; line: 95 % interval."]
    if rest := told.drivers[len(shown) :]:
        said.append(
            f"Not drawn: {counted(len(rest), 'other')}, together {show_share(sum(driver.share for driver in rest))}."
        )
    return _bars(rows, f"{outlook.vehicle.id}: what drives the cost", said, units.currency)


def _bar(row: int, name: str, x: float, low: float, high: float, told: str) -> Row:
    return {"row": row, "name": name, "x": x, "low": low, "high": high, "told": told, "end": max(x, high), "zero": 0.0}


def _bars(rows: Sequence[Row], title: str, said: Sequence[str], currency: str) -> Chart:
    """Lying bars with their names above and words after them."""
    far = WIDTH / (WIDTH - ROOM) * max(max(float(row["end"]) for row in rows), 1.0)
    x = alt.X(
        "x:Q",
        title=currency,
        scale=alt.Scale(domain=[0, far], nice=False),
        axis=alt.Axis(format=",.0f", tickCount=6, grid=False),
    )
    y = alt.Y("row:O", axis=None, scale=alt.Scale(domain=list(range(len(rows))), padding=0))
    base = values(rows)
    layers = [
        base.mark_bar(color=TEAL, size=BAR).encode(x=x, x2="zero:Q", y=y),
        base.mark_rule(color=PAPER, strokeWidth=4).encode(x=_at(x, "low"), x2="high:Q", y=y),
        base.mark_rule(color=INK, strokeWidth=1.6).encode(x=_at(x, "low"), x2="high:Q", y=y),
        *(
            base.mark_tick(color=INK, thickness=1.6, size=10, orient="vertical", opacity=1).encode(x=_at(x, end), y=y)
            for end in ("low", "high")
        ),
        base.mark_text(align="left", baseline="bottom", dy=-BAR / 2 - 4, fontSize=13, color=INK).encode(
            x=alt.value(0), y=y, text="name:N"
        ),
        base.mark_text(align="left", dx=8, fontSize=13, fontWeight=600, color=INK).encode(
            x=_at(x, "end"), y=y, text="told:N"
        ),
    ]
    return framed(alt.LayerChart(layer=layers), title, said, height=ROW * len(rows))


def _said(outlook: VehicleOutlook) -> str:
    return POLICIES.get(outlook.told, outlook.told)


def _ends(outlook: VehicleOutlook, number: int, units: Units) -> float:
    """Where a year ends on the axis."""
    if not outlook.by_distance:
        return float(number)
    return units.from_km(min(number * outlook.yearly.km, outlook.ahead))


def _short(outlook: VehicleOutlook, number: int, units: Units) -> str:
    return units.show_number(units.to_km(_ends(outlook, number, units))) if outlook.by_distance else f"{number}"


def _at(channel: alt.X | alt.Y, field: str) -> alt.X | alt.Y:
    at = channel.copy()
    at.shorthand = f"{field}:Q"
    return at
