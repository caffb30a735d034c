"""The charts of compared lives: the records of each level, ratios of lives, residuals; and of an acceleration."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import exp, inf, log, pi, sqrt

import altair as alt
import numpy as np
from scipy.special import ndtri

from wearlore.answers import AcceleratedLives, ComparedLives, spoken, spoken_step
from wearlore.estimate import Estimate
from wearlore.life.acceleration import Acceleration
from wearlore.life.compare.residuals import Residuals
from wearlore.life.compare.verdict import LifeComparison
from wearlore.report.charts.look import (
    AMBER,
    DASHES,
    INK,
    LINE,
    SERIES,
    SLATE,
    TEAL,
    Chart,
    Drawing,
    Row,
    framed,
    series,
    values,
)
from wearlore.report.charts.plane import Plane
from wearlore.report.charts.survival import BELIEF, RECORDS, falls
from wearlore.report.comparison import beside_ratio, ratio_shown
from wearlore.units import Units, show_share

SHOWN = len(SERIES)  # levels of which curves are drawn
TOGETHER = "Judgement and records"
BARS = 440  # width of the ratios' axis, pixels
ROW, SECOND = 52, 0.34  # of a ratio, pixels; how far below the better family the other stands, in rows
WIDEST = 40.0  # times, either way, that a ratio's axis reaches at most
TICKS = (
    (2.4, (0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.25, 1.5, 1.75, 2)),
    (8.0, (0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.25, 1.5, 2, 3, 4, 5)),
    (inf, (0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50)),
)  # by how many times the axis spans
FINE = 160  # points of a density
FAINT = 2e-3  # of the highest density: no more is drawn
MANY = 300  # steps of residuals; more are thinned


# comparison --------------------------------------------------------------------------------------------------------


def comparison_drawings(result: ComparedLives, units: Units) -> tuple[Drawing, ...]:
    """The records of each level (of a factor); ratios of lives; residuals of the better family."""
    return tuple(_drawings(result, units))


def _drawings(result: ComparedLives, units: Units) -> Iterator[Drawing]:
    title = f"{result.name}, by {spoken(result.by)}"
    if result.curves:
        text = "Share still good against distance by the records of each level."
        yield Drawing("curves", text, curves_chart(title, result, units))
    yield Drawing("ratios", "Ratios of lives with their intervals.", ratios_chart(title, result.comparison))
    residuals = result.comparison.better.residuals
    family = result.comparison.better.dist.name
    text = "Cox–Snell residuals against the line on which they lie if the family suits."
    yield Drawing("residuals", text, residuals_chart(title, family, residuals))


def curves_chart(title: str, result: ComparedLives, units: Units) -> Chart:
    """Share still good against distance, the records of each level by themselves."""
    failures = {level.name: level.failures for level in result.comparison.levels}
    chosen = sorted(result.curves, key=lambda name: -failures[name])[:SHOWN]
    shown = {name: curve for name, curve in result.curves.items() if name in chosen}
    names = {name: f"{name} ({failures[name]:,.0f} failed)" for name in shown}
    plane = Plane(
        units, 1.03 * max(float(curve.km[-1]) for curve in shown.values()), tuple(names.values()), "Still good"
    )
    lines, bands = [], []
    for name, curve in shown.items():
        rows = falls(names[name], curve, None, plane)
        bands.append(plane.band(rows, "linear", 0.13))
        lines.append(plane.line(rows, "linear").encode(strokeDash=_dashes(plane.names)))
    said = ["The records of each level by themselves, to its last failure. Bands: 95 % limits at each distance."]
    if not all(curve.exact for curve in shown.values()):
        said.append("Slopes: failed between two looks, nobody knows where.")
    if none_failed := [name for name, failed in failures.items() if not failed]:
        said.append(f"Not drawn, since none has failed: {', '.join(none_failed)}.")
    if result.comparison.beside:
        held = " and ".join(spoken(name) for name in result.comparison.beside)
        said.append(f"Here {held} are mixed as they come; the ratios hold them equal.")
    if len(result.curves) > SHOWN:
        said.append(f"The {SHOWN} of {len(result.curves)} levels with most failures.")
    return framed(alt.LayerChart(layer=[*bands, *lines]), title, said)


def _dashes(names: Sequence[str]) -> alt.StrokeDash:
    scale = alt.Scale(domain=list(names), range=[list(DASHES[k % len(DASHES)]) for k in range(len(names))])
    legend = alt.Legend(
        title=None, orient="top", symbolType="stroke", symbolStrokeWidth=3, symbolSize=300, symbolOpacity=1
    )
    return alt.StrokeDash("series:N", scale=scale, legend=legend)


def ratios_chart(title: str, found: LifeComparison) -> Chart:
    """Ratios of lives on a logarithmic axis: the better family with its interval, below it the other."""
    rows, others = _ratio_rows(found)
    low, high = _span([*rows, *others], found.worth_telling)
    height = ROW * len(rows)
    against = found.contrasts[0].ratio.against
    x_title = f"Times as long{f' as {against}' if against else ''} (logarithmic)"
    x = _ratio_axis(low, high, x_title)
    y = alt.Y("place:Q", axis=None, scale=alt.Scale(domain=[len(rows), 0], nice=False))
    families = tuple(each.dist.name for each in found.regressions)
    colour = series(families, (TEAL, AMBER))
    zone: Row = {"x": 1 / found.worth_telling, "x2": found.worth_telling}
    words: list[Row] = [{field: row[field] for field in ("name", "told", "place")} for row in rows]
    layers = [
        values([zone]).mark_rect(color=LINE, opacity=0.55).encode(x=x, x2="x2:Q", y=alt.value(0), y2=alt.value(height)),
        values([{"x": 1.0}]).mark_rule(color=INK, strokeWidth=1.4, strokeDash=[2, 3]).encode(x=x),
        *_whiskers(rows, low, high, x, y, colour, 2.6, 90),
        *_whiskers(others, low, high, x, y, colour, 1.4, 42),
        values(words).mark_text(align="right", dx=-14, fontSize=12.5, color=INK)
        .encode(y=y, x=alt.value(0), text="name:N"),
        values(words).mark_text(align="left", dx=14, fontSize=12.5, color=INK)
        .encode(y=y, x=alt.value(BARS), text="told:N"),
    ]  # fmt: skip
    said = [
        f"Above 1 {'lives are' if not against else 'it lasts'} longer, below 1 shorter. Bars: 95 % interval.",
        f"Shaded: {1 / found.worth_telling:.2g} to {found.worth_telling:g} times, less than is worth telling.",
        *([f"Thin, below: by {families[1]}, which suits the records less."] if len(families) > 1 else []),
    ]
    chart = alt.LayerChart(layer=layers)
    return framed(chart, title, said, width=BARS, height=height)


def _ratio_rows(found: LifeComparison) -> tuple[list[Row], list[Row]]:
    """A row for each contrast by the better family, and those of the other; ends without a bound are 0 and inf."""
    rows: list[Row] = []
    others: list[Row] = []
    for k, contrast in enumerate(found.contrasts):
        ratio = contrast.ratio
        told = ratio_shown(ratio.estimate)
        name = ratio.level if ratio.against else spoken_step(found.what, ratio.level)
        place = k + (0.5 if len(found.regressions) == 1 else 0.5 - SECOND / 2)
        rows.append(
            {
                "series": found.better.dist.name,
                "name": name,
                "told": told,
                "place": place,
                **_ends(ratio.estimate),
            }
        )
        beside = ((each, beside_ratio(each, found.what, ratio.level)) for each in found.regressions[1:])
        others += [
            {"series": each.dist.name, "name": name, "place": place + SECOND, **_ends(other.estimate)}
            for each, other in beside
            if other
        ]
    return rows, others


def _ends(estimate: Estimate) -> Row:
    return {"x": estimate.value, "low": estimate.low, "high": estimate.high}


def _span(rows: Sequence[Row], worth_telling: float) -> tuple[float, float]:
    """Where the axis begins and ends: around what does not matter, and every end that is not too far."""
    ends = [float(row[field]) for row in rows for field in ("x", "low", "high")]
    near = [end for end in ends if 1 / WIDEST <= end <= WIDEST]
    return min([1 / worth_telling, *near]) / 1.08, max([worth_telling, *near]) * 1.08


def _ratio_axis(low: float, high: float, title: str) -> alt.X:
    ticks = next(ticks for widest, ticks in TICKS if high / low <= widest)
    return alt.X(
        "x:Q",
        title=title,
        scale=alt.Scale(type="log", domain=[low, high], nice=False),
        axis=alt.Axis(values=[tick for tick in ticks if low <= tick <= high], format="~g", labelFlush=False),
    )


def _whiskers(
    rows: Sequence[Row], low: float, high: float, x: alt.X, y: alt.Y, colour: alt.Color, width: float, size: float
) -> Iterator[alt.Chart]:
    """Each row's interval and its point; a triangle at the edge where the interval runs on."""
    within, inside, before, beyond = [], [], [], []
    for row in rows:
        at, begin, end = (float(row[field]) for field in ("x", "low", "high"))
        mark = {field: value for field, value in row.items() if field in ("series", "place")}
        within.append({**mark, "x": max(begin, low), "x2": min(end, high)})
        if low <= at <= high:
            inside.append({**mark, "x": at})
        if begin < low:
            before.append({**mark, "x": low})
        if end > high:
            beyond.append({**mark, "x": high})
    yield values(within).mark_rule(strokeWidth=width).encode(x=x, x2="x2:Q", y=y, color=colour)
    for at_place, shape in ((inside, "circle"), (before, "triangle-left"), (beyond, "triangle-right")):
        points = values(at_place).mark_point(filled=True, shape=shape, size=size, opacity=1)
        yield points.encode(x=x, y=y, color=colour)


def residuals_chart(title: str, family: str, residuals: Residuals) -> Chart:
    """The cumulative hazard of the residuals with its limits, and the line on which it lies if the family suits."""
    reach = 1.02 * float(residuals.at[-1])
    top = 1.3 * reach
    rows = _residual_rows(residuals, top)
    x = alt.X(
        "x:Q",
        title=f"Cumulative hazard by {family}",
        scale=alt.Scale(domain=[0, reach], nice=False),
        axis=alt.Axis(tickCount=7, labelFlush=False),
    )
    y_scale = alt.Scale(domain=[0, top], nice=False)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", title="Cumulative hazard by the records", scale=y_scale, axis=alt.Axis(tickCount=6))

    names = (RECORDS, f"If {family} lives suit")
    colour = series(names, (SLATE, TEAL))
    line: list[Row] = [{"series": names[1], "x": end, "y": end} for end in (0.0, reach)]
    layers = [
        values(rows).mark_area(opacity=0.17, interpolate="step-after", clip=True)
        .encode(x=x, y=y("low"), y2="high", color=colour),
        values(rows).mark_line(strokeWidth=2.2, interpolate="step-after", clip=True)
        .encode(x=x, y=y("y"), color=colour),
        values(line).mark_line(strokeWidth=2.2, strokeDash=[6, 4], clip=True).encode(x=x, y=y("y"), color=colour),
    ]  # fmt: skip
    said = [
        "Cox–Snell residuals: on the dashed line the family suits, with the ratios as they are.",
        f"Band: {show_share(residuals.level)} limits at each point. The line leaves them at "
        f"{show_share(residuals.outside)} of the steps: a description, not a test.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{title}: does {family} suit", said)


def _residual_rows(residuals: Residuals, top: float) -> list[Row]:
    """Steps, thinned where they are many; limits that are not bounded run to beyond the edge."""
    size = residuals.at.size
    places = np.unique(np.linspace(0, size - 1, min(size, MANY)).round().astype(np.intp))
    rows: list[Row] = [{"series": RECORDS, "x": 0.0, "y": 0.0, "low": 0.0, "high": 0.0}]
    columns = (residuals.at, residuals.hazard, residuals.low, residuals.high)
    for at, hazard, low, high in zip(*(column[places].tolist() for column in columns), strict=True):
        y, bottom, above = (min(end, 2 * top) for end in (hazard, low, high))
        rows.append({"series": RECORDS, "x": at, "y": y, "low": bottom, "high": above})
    return rows


# acceleration ------------------------------------------------------------------------------------------------------


def acceleration_drawings(result: AcceleratedLives, units: Units) -> tuple[Drawing, ...]:
    """What is known of the factor: judged, by records alone, and together."""
    text = "Density of the factor by judgement, and with the records; the records' own interval."
    title = f"{result.name}, while {result.by} is present"
    return (Drawing("factor", text, factor_chart(title, result.acceleration)),)


def factor_chart(title: str, found: Acceleration) -> Chart:
    """The density of ln factor, judged and together, and the interval of records alone as a bar below."""
    judged, together = _judged_rows(found.judged), _together_rows(found)
    names = (BELIEF, *((TOGETHER,) if together else ()), *((RECORDS,) if found.record else ()))
    colours = [{BELIEF: AMBER, TOGETHER: TEAL, RECORDS: SLATE}[name] for name in names]
    colour = series(names, colours)
    top = 1.06 * max(float(row["y"]) for row in (*judged, *together))
    below = -0.075 * top
    low, high = _factor_span([*judged, *together], found.record)
    x = _ratio_axis(low, high, "Ages so many times as fast (logarithmic)")
    scale = alt.Scale(domain=[2 * below, top], nice=False)
    y = alt.Y("y:Q", scale=scale, axis=None)
    one: Row = {"x": 1.0, "label": "no effect"}
    layers = [
        values([{"y": 0.0}]).mark_rule(color=LINE).encode(y=y),
        values([one]).mark_rule(color=INK, strokeWidth=1.4, strokeDash=[2, 3]).encode(x=x),
        values([one]).mark_text(align="right", dx=-6, fontSize=12, color=INK, baseline="top")
        .encode(x=x, y=alt.value(2), text="label:N"),
        values(judged).mark_line(strokeWidth=2.2, strokeDash=[6, 4], clip=True).encode(x=x, y=y, color=colour),
        *_density(together, x, y, colour),
    ]  # fmt: skip
    said = [
        f"Together {ratio_shown(found.together)} times as fast; "
        f"{show_share(found.record_share)} record, the rest judgement."
    ]
    judgement = f"Dashed: judgement alone, {ratio_shown(found.judged)}."
    if found.record:
        bar: Row = {"series": RECORDS, "place": below, **_ends(found.record)}
        layers += _whiskers([bar], low, high, x, alt.Y("place:Q", scale=scale, axis=None), colour, 2.6, 90)
        said.append(f"Bar below: records alone, {ratio_shown(found.record)}. {judgement}")
    else:
        said.append(f"{judgement} Records alone determine no factor.")
    return framed(alt.LayerChart(layer=layers), title, said)


def _density(rows: Sequence[Row], x: alt.X, y: alt.Y, colour: alt.Color) -> Iterator[alt.Chart]:
    if rows:
        base = [{**row, "zero": 0.0} for row in rows]
        yield values(base).mark_area(opacity=0.15, clip=True).encode(x=x, y=y, y2="zero:Q", color=colour)
        yield values(rows).mark_line(strokeWidth=2.2, clip=True).encode(x=x, y=y, color=colour)


def _judged_rows(judged: Estimate) -> list[Row]:
    """The judged factor is lognormal: its density of ln factor by its median and its limits."""
    middle = log(judged.value)
    sd = log(judged.high / judged.low) / (2 * float(ndtri((1 + judged.level) / 2)))
    steps = np.linspace(-3.6, 3.6, FINE)
    return [
        {"series": BELIEF, "x": exp(middle + sd * z), "y": exp(-0.5 * z * z) / (sd * sqrt(2 * pi))}
        for z in steps.tolist()
    ]


def _together_rows(found: Acceleration) -> list[Row]:
    """None where the records say nothing: then it is the judgement."""
    if not found.record_share:
        return []
    seen = np.flatnonzero(found.density >= FAINT * found.density.max())
    grid = np.linspace(found.ln_factor[seen[0]], found.ln_factor[seen[-1]], FINE)
    density = np.interp(grid, found.ln_factor, found.density)
    return [{"series": TOGETHER, "x": exp(at), "y": y} for at, y in zip(grid.tolist(), density.tolist(), strict=True)]


def _factor_span(rows: Sequence[Row], record: Estimate | None) -> tuple[float, float]:
    ends = [float(row["x"]) for row in rows] + ([record.value, record.low, record.high] if record else [])
    near = [end for end in ends if 1 / WIDEST <= end <= WIDEST]
    return min([0.9, *near]), max([1.1, *near])
