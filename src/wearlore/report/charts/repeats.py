"""Repairs so far against distance, by group, and the difference of two groups."""

from __future__ import annotations

from math import isfinite

import altair as alt
import numpy as np

from wearlore.answers import RepeatedRepairs
from wearlore.estimate import Estimate
from wearlore.life import MeanComparison, MeanCumulative
from wearlore.report.charts.look import AMBER, DASHES, POINTS, SERIES, TEAL, Chart, Drawing, Row, framed
from wearlore.report.charts.plane import Plane
from wearlore.report.repeats import counts_in_words, difference_in_words, group_name, seen_until
from wearlore.units import Units, show_share

LAW = "Power law"
PERHAPS = "Dashes: the power law; where they leave the steps it does not fit."
CELLS = 240  # of distance; of the steps in one, the last is drawn
CLEAR = 1.6  # times the highest mean: limits are cut above that


def repeats_drawings(result: RepeatedRepairs, units: Units) -> tuple[Drawing, ...]:
    """Repairs so far; and the difference where two groups are compared. Nothing where nothing was seen."""
    if not result.curves:
        return ()
    what = "Repairs of one place so far against distance."
    main = Drawing("repairs", what, repairs_chart(result, units))
    if result.comparison is None or result.compared is None:
        return (main,)
    chart = difference_chart(result, result.comparison, result.compared, units)
    return main, Drawing("difference", "Difference of two groups in repairs so far, against distance.", chart)


def repairs_chart(result: RepeatedRepairs, units: Units) -> Chart:
    """Steps of the mean cumulative function with limits, by group; without groups the power law beside them."""
    names = {group: group_name(result, group) for group in result.curves}
    rows = [_steps(names[group], curve, units) for group, curve in result.curves.items()]
    reach = max(seen_until(curve) for curve in result.curves.values())
    law = [] if result.by else _law(result, reach, units)
    plane = Plane(
        units, reach, (*names.values(), *((LAW,) if law else ())), "Repairs of one place so far", format="~g",
        top=_top(rows), colours=(TEAL, AMBER) if law else SERIES,
    )  # fmt: skip
    layers: list[alt.Chart] = []
    for k, steps in enumerate(rows):
        layers += plane.ribbon(steps, "step-after", DASHES[k % len(DASHES)])
    if law:
        layers.append(plane.line(law, "monotone", [6, 4]))
    said = [
        f"{counts_in_words(result)}.",
        f"Bands: {show_share(next(iter(result.curves.values())).level)} limits. {PERHAPS if law else ''}".strip(),
    ]
    return framed(alt.LayerChart(layer=layers), f"{result.name}: repairs that come again", said)


def _steps(name: str, curve: MeanCumulative, units: Units) -> list[Row]:
    """From where the curve begins to where too few places are left; of many steps the last in each cell."""
    until = seen_until(curve)
    seen = np.flatnonzero(curve.km <= until)
    cell = np.floor(curve.km[seen] / until * CELLS)
    kept = seen[np.flatnonzero(np.diff(cell, append=np.inf))]
    told = [Estimate(*(float(column[k]) for column in (curve.mean, curve.low, curve.high))) for k in kept]
    at = [curve.since, *curve.km[kept].tolist(), until]
    means = [curve.at(curve.since), *told, curve.at(until)]
    return [
        {"series": name, "x": units.from_km(km), "y": mean.value, "low": mean.low, "high": mean.high}
        for km, mean in zip(at, means, strict=True)
    ]


def _top(rows: list[list[Row]]) -> float:
    """Above the highest mean; limits that run far beyond are cut."""
    highest = max(float(row["y"]) for steps in rows for row in steps)
    limit = max(float(row["high"]) for steps in rows for row in steps)
    return 1.05 * (min(limit, CLEAR * highest) if highest else limit if isfinite(limit) else 1.0)


def _law(result: RepeatedRepairs, reach: float, units: Units) -> list[Row]:
    if result.power_law is None:
        return []
    since = next(iter(result.curves.values())).since
    begin: Row = {"series": LAW, "x": units.from_km(since), "y": 0.0}
    rows: list[Row] = [
        {"series": LAW, "x": units.from_km(km), "y": result.power_law.expected(since, km).value}
        for km in np.linspace(since, reach, POINTS)[1:].tolist()
    ]
    return [begin, *rows]


def difference_chart(result: RepeatedRepairs, found: MeanComparison, pair: tuple[str, str], units: Units) -> Chart:
    """Repairs so far of the first group less those of the second, from where both were seen."""
    until = min(seen_until(result.curves[group]) for group in pair)
    seen = np.flatnonzero(found.km <= until)
    cell = np.floor(found.km[seen] / until * CELLS)
    kept = seen[np.flatnonzero(np.diff(cell, append=np.inf))].tolist()
    name = f"{group_name(result, pair[0])} less {group_name(result, pair[1])}"
    rows: list[Row] = [{"series": name, "x": units.from_km(found.since), "y": 0.0, "low": 0.0, "high": 0.0}]
    for k in kept:
        y, low, high = (float(column[k]) for column in (found.difference, found.low, found.high))
        rows.append({"series": name, "x": units.from_km(float(found.km[k])), "y": y, "low": low, "high": high})
    rows.append({**rows[-1], "x": units.from_km(until)})
    plane = Plane(units, until, (name,), "Difference in repairs so far", format="~g", top=None)
    layers = [*plane.level(0.0, "no difference"), *plane.ribbon(rows, "step-after")]
    said = [
        f"{difference_in_words(result)}",
        f"Band: {show_share(found.level)} limits of the difference; above 0 {group_name(result, pair[0])} has more.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{result.name}: {name}", said)
