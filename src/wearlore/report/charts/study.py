"""The charts of one failure mode: survival, probability paper, hazard."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

import altair as alt
import numpy as np

from wearlore.answers import ModeStudy
from wearlore.life import Hazard, LogLife
from wearlore.life.hazard import DistanceClass, HazardCurve
from wearlore.life.paper import ProbabilityPlot, Traced
from wearlore.report.charts.look import SLATE, SOFT, TEAL, Chart, Drawing, Row, framed, series, values
from wearlore.report.charts.plane import Plane
from wearlore.report.charts.survival import MODEL, RECORDS, life_chart
from wearlore.units import Units, show_share

LINE = "Fitted line"
SHARES = (1e-5, 1e-4, 0.001, 0.003, 0.01, 0.03, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 0.97, 0.99, 0.999)  # named on the paper
MARGIN = 0.5  # of the paper beyond the points, in z
ROUND = np.array([1, 2, 3, 5])  # times powers of ten: distances named on the paper
PER = 10_000.0  # km for which a hazard is told
MANY = 60  # points on paper; more are thinned
TOLD = 3.0  # failures that a class of distance needs to be drawn
NAMES = (RECORDS, LINE)


def study_drawings(study: ModeStudy, units: Units) -> tuple[Drawing, ...]:
    """Share still good; in depth also the records on probability paper and the hazard."""
    return tuple(_drawings(study, units))


def _drawings(study: ModeStudy, units: Units) -> Iterator[Drawing]:
    curves = study.curves
    survival = life_chart(
        curves.name, units, model=curves.model, curve=curves.curve, lives=curves.lives, belief=curves.judged
    )
    yield Drawing("survival", "Share still good against distance: records, life model, judgement.", survival)
    if study.depth is None:
        return
    for plot in study.depth.papers.plots if study.depth.papers else ():
        name = plot.dist.name
        yield Drawing(f"{name.lower()}-paper", f"The records on {name} paper.", paper_chart(curves.name, plot, units))
    chart = hazard_chart(curves.name, study.depth.hazard, units)
    yield Drawing("hazard", "Failures of those still good, against distance.", chart)


def paper_chart(title: str, plot: ProbabilityPlot, units: Units) -> Chart:
    """The records' points with their limits, and the fitted line with its own, on one family's paper."""
    shown = _thinned(plot.points)
    points, line = _rows(RECORDS, plot.points, units, shown), _rows(LINE, plot.line, units)
    ends = [float(row["y"]) for row in (points or line)]
    span = min(ends) - MARGIN, max(ends) + MARGIN
    x = _log_axis([float(row["x"]) for row in (*points, *line)], units)
    colour = series(NAMES, (SLATE, TEAL))
    wanted = [s for s in SHARES if span[0] <= float(plot.dist.z(s)) <= span[1]]
    scale = alt.Scale(domain=list(span), nice=False, padding=10)

    def y(field: str = "y") -> alt.Y:
        return alt.Y(f"{field}:Q", title="Failed", scale=scale, axis=_share_axis(plot.dist, wanted))

    clipped = [_clipped(row, span) for row in points]
    layers = [
        values([_clipped(row, span) for row in line]).mark_area(opacity=0.15, clip=True)
        .encode(x=x, y=y("low"), y2="high", color=colour),
        values(line).mark_line(strokeWidth=2.2, clip=True).encode(x=x, y=y(), color=colour),
        values(clipped).mark_rule(strokeWidth=1, opacity=0.45, clip=True)
        .encode(x=x, y=y("low"), y2="high", color=colour),
        values(points).mark_point(filled=True, size=34, opacity=1).encode(x=x, y=y(), color=colour),
    ]  # fmt: skip
    limits = (
        f"Bars and band: {show_share(plot.level)} limits. Points on a straight line speak for {plot.dist.name} lives."
    )
    said = [f"{plot.fit.show(units)}.", limits]
    if shown.size < plot.points.km.size:
        said.append(f"{shown.size} of {plot.points.km.size:,} points are drawn.")
    return framed(alt.LayerChart(layer=layers), f"{title}: {plot.dist.name} paper", said)


def hazard_chart(title: str, hazard: Hazard, units: Units) -> Chart:
    """Failures per 10,000 km (or miles) of those still good: the life model, and the records in classes of distance."""
    per = PER if units.distance in ("km", "miles") else 100.0
    scale = per * units.to_km(1.0)
    classes = _told(hazard)
    reach = max((one.end for one in classes), default=float(hazard.model.km[-1]))
    model: list[Row] = [
        {"series": MODEL, "x": units.from_km(km), "y": scale * rate, "low": scale * low, "high": scale * high}
        for km, rate, low, high in _columns(hazard.model) if km <= reach
    ]  # fmt: skip
    record: list[Row] = [
        {
            "series": RECORDS, "x": units.from_km(0.5 * (one.begin + one.end)), "y": scale * one.rate.value,
            "low": scale * one.rate.low, "high": scale * one.rate.high,
        }
        for one in classes
    ]  # fmt: skip
    plane = Plane(
        units, reach, (RECORDS, MODEL), f"Failures per {per:,.0f} {units.distance}", format="~g",
        top=1.08 * max(float(row["high"]) for row in (*model, *record)), colours=(SLATE, TEAL),
    )  # fmt: skip
    layers = [*plane.ribbon(model, "monotone"), plane.whiskers(record), plane.points(record, 50)]
    said = [
        "Of those still good, how many fail in the distance that comes next.",
        f"Points: the records in classes of distance. Band and bars: {show_share(hazard.model.level)} limits.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{title}: hazard", said)


def _told(hazard: Hazard) -> list[DistanceClass]:
    """The classes up to the last with `TOLD` failures: beyond, a few lives tell nothing."""
    last = max((k for k, one in enumerate(hazard.classes) if one.failures >= TOLD), default=-1)
    return [one for one in hazard.classes[: last + 1] if isfinite(one.rate.high)]


def _columns(curve: HazardCurve) -> Iterator[tuple[float, float, float, float]]:
    return zip(*(column.tolist() for column in (curve.km, curve.rate, curve.low, curve.high)), strict=True)


def _thinned(points: Traced) -> np.ndarray:
    """Places of at most `MANY` points, even along the paper."""
    if points.km.size <= MANY:
        return np.arange(points.km.size)
    at = np.linspace(points.z[0], points.z[-1], MANY)
    return np.unique(np.abs(points.z[None, :] - at[:, None]).argmin(axis=1))


def _rows(name: str, traced: Traced, units: Units, shown: np.ndarray | None = None) -> list[Row]:
    places = np.arange(traced.km.size) if shown is None else shown
    return [
        {
            "series": name, "x": units.from_km(float(traced.km[k])), "y": float(traced.z[k]),
            "low": float(traced.z_low[k]), "high": float(traced.z_high[k]),
        }
        for k in places.tolist() if isfinite(traced.z[k])
    ]  # fmt: skip


def _clipped(row: Row, span: tuple[float, float]) -> Row:
    """Limits without an end run to the edge of the paper."""
    low, high = span[0] - 1, span[1] + 1
    return {**row, "low": min(max(float(row["low"]), low), high), "high": min(max(float(row["high"]), low), high)}


def _log_axis(at: list[float], units: Units) -> alt.X:
    low, high = min(at) * 0.9, max(at) * 1.1
    powers = 10.0 ** np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
    named = [float(v) for v in np.outer(powers, ROUND).ravel() if low <= v <= high]
    what = "Distance" if units.distance in ("km", "miles") else "Age"
    return alt.X(
        "x:Q",
        title=f"{what}, {units.distance} (logarithmic)",
        scale=alt.Scale(type="log", domain=[low, high], nice=False),
        axis=alt.Axis(values=named, format=",~g", labelFlush=False),
    )


def _share_axis(dist: LogLife, shares: list[float]) -> alt.Axis:
    """Places of the shares on the paper, named as shares."""
    places = [round(float(dist.z(share)), 6) for share in shares]
    names = ",".join(f"'{100 * share:g} %'" for share in shares)
    at = ",".join(f"{place}" for place in places)
    return alt.Axis(
        values=places, labelExpr=f"[{names}][indexof([{at}], datum.value)]", gridColor=SOFT, gridOpacity=0.18
    )
