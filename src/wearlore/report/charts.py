"""Charts: a result in, an Altair chart out; nothing is estimated here."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from html import escape
from pathlib import Path
from typing import Literal

import altair as alt
import numpy as np
import vl_convert

from wearlore.errors import OutputError
from wearlore.life import LifeModel, SurvivalCurve
from wearlore.lives import Array, Lives
from wearlore.units import Units, show_share

RECORDS, MODEL, BELIEF = "Records, Kaplan–Meier", "Life model", "Judgement alone"
COLOURS = {RECORDS: "#3d474d", MODEL: "#0d7a80", BELIEF: "#b7791f"}
INK, SOFT, LINE = "#1d2327", "#5c666c", "#e3e1db"
POINTS = 90  # of a smooth curve
CUTS = 150  # cells into which the marks of cut lives are gathered
CLIP = re.compile(r"\bclip(\d+)\b")
Row = dict[str, str | float]


def life_chart(
    title: str,
    units: Units,
    *,
    model: LifeModel | None = None,
    curve: SurvivalCurve | None = None,
    lives: Lives | None = None,
    belief: LifeModel | None = None,
    level: float = 0.95,
) -> alt.LayerChart:
    """Share still good against distance for one failure mode, in the reader's units.

    ``curve``: steps of the records with their pointwise limits; ``lives``: ticks on them where lives were cut.
    ``model`` and ``belief`` (a model from judgement alone): posterior mean with its band at ``level``. A curve that
    begins late (``since``) starts on the model. Raises ValueError when there is neither a curve nor a model.
    """
    smooth = {name: one for name, one in ((BELIEF, belief), (MODEL, model)) if one is not None}
    names = tuple(name for name in COLOURS if name in smooth or (name == RECORDS and curve is not None))
    axes = _Axes(units, _reach(curve, lives, list(smooth.values())), names)
    layers: list[alt.Chart] = []
    for name, one in smooth.items():
        layers += axes.ribbon(_curve(name, one, axes, level), "monotone", dashed=name == BELIEF)
    if curve is not None:
        scale = float(model.sf(curve.since)) if model is not None and curve.since > 0 else 1.0
        layers += axes.ribbon(_steps(curve, lives, scale, axes), "step-after", dashed=False)
        if lives is not None:
            layers.append(axes.ticks(_cuts(curve, lives, scale, axes)))
    return _framed(alt.LayerChart(layer=layers), title, _said(units, model, curve, level))


@dataclass(frozen=True, slots=True)
class _Axes:
    """The axes and colours that all layers share; ``reach`` is where the distance axis ends, km."""

    units: Units
    reach: float
    names: tuple[str, ...]

    def x(self) -> alt.X:
        what = "Distance" if self.units.distance in ("km", "miles") else "Age"
        axis = alt.Axis(format=",.0f", tickCount=7, labelFlush=False)
        ends = alt.Scale(domain=[0, self.units.from_km(self.reach)], nice=False)
        return alt.X("x:Q", title=f"{what}, {self.units.distance}", axis=axis, scale=ends)

    def y(self, field: str = "y") -> alt.Y:
        ends = alt.Scale(domain=[0, 1])
        return alt.Y(f"{field}:Q", title="Still good", axis=alt.Axis(format=".0%", tickCount=6), scale=ends)

    def series(self) -> alt.Color:
        scale = alt.Scale(domain=list(self.names), range=[COLOURS[name] for name in self.names])
        legend = alt.Legend(
            title=None, orient="top", symbolType="stroke", symbolStrokeWidth=3, symbolSize=300, symbolOpacity=1
        )
        return alt.Color("series:N", scale=scale, legend=legend)

    def ribbon(self, rows: list[Row], shape: Literal["monotone", "step-after"], *, dashed: bool) -> list[alt.Chart]:
        """A band and, on it, its line."""
        base = alt.Chart(alt.InlineData(values=rows)).encode(x=self.x(), color=self.series())
        band: alt.Chart = base.mark_area(opacity=0.15, interpolate=shape, clip=True).encode(
            y=self.y("low"), y2=alt.Y2("high")
        )
        line: alt.Chart = base.mark_line(
            interpolate=shape, clip=True, strokeWidth=2.2, strokeDash=[6, 4] if dashed else [1, 0]
        ).encode(y=self.y())
        return [band, line]

    def ticks(self, rows: list[Row]) -> alt.Chart:
        base = alt.Chart(alt.InlineData(values=rows)).mark_tick(
            orient="vertical", size=9, thickness=1, opacity=0.55, clip=True
        )
        chart: alt.Chart = base.encode(x=self.x(), y=self.y(), color=self.series())
        return chart


def to_svg(chart: alt.LayerChart) -> str:
    """The chart as SVG, drawn without a browser and without a network; the same chart gives the same text.

    The drawing library counts its clips over the life of the process; here they are named by what they belong to, so
    that several charts can stand in one page.
    """
    svg = str(vl_convert.vegalite_to_svg(chart.to_dict()))
    numbers = {clip: str(number) for number, clip in enumerate(dict.fromkeys(CLIP.findall(svg)))}
    counted = CLIP.sub(lambda found: f"clip{numbers[found[1]]}", svg)
    owner = sha256(counted.encode()).hexdigest()[:10]
    return CLIP.sub(lambda found: f"clip-{owner}-{found[1]}", counted)


def to_html(chart: alt.LayerChart, title: str) -> str:
    """One self-contained page: the drawing itself, no script."""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<style>body{margin:2rem auto;max-width:56rem;padding:0 1rem;background:#fff}"
        "svg{width:100%;height:auto}</style></head>\n"
        f"<body>{to_svg(chart)}</body></html>\n"
    )


def save(chart: alt.LayerChart, path: Path, title: str = "Life") -> None:
    """Write the chart as the suffix says: .svg, .png, .html or .pdf. Raises OutputError."""
    try:
        match path.suffix.lower():
            case ".svg":
                path.write_text(to_svg(chart), encoding="utf-8")
            case ".html":
                path.write_text(to_html(chart, title), encoding="utf-8")
            case ".png":
                path.write_bytes(vl_convert.vegalite_to_png(chart.to_dict(), scale=2))
            case ".pdf":
                path.write_bytes(vl_convert.vegalite_to_pdf(chart.to_dict()))
            case other:
                problem = f"a chart is not written as {other!r}" if other else "the name of a chart wants a suffix"
                raise OutputError(str(path), problem, "Use .svg, .png, .html or .pdf")
    except OSError as error:
        raise OutputError(str(path), error.strerror or str(error), "Choose a place that can be written") from error


def _reach(curve: SurvivalCurve | None, lives: Lives | None, models: Sequence[LifeModel]) -> float:
    """Where the axis ends, km: a little past the records, or past the distance by which half have failed if near."""
    seen = max(
        [
            float(curve.km.max(initial=0.0)) if curve is not None else 0.0,
            float(lives.lower.max(initial=0.0)) if lives is not None else 0.0,
        ]
    )
    halves = [one.quantile(0.5).value for one in models]
    if seen > 0:
        return 1.05 * max([seen, *(min(half, 1.6 * seen) for half in halves)])
    if not halves:
        raise ValueError("a life chart wants a curve or a model")
    return 1.6 * max(halves)


def _curve(name: str, model: LifeModel, axes: _Axes, level: float) -> list[Row]:
    rows: list[Row] = [{"series": name, "x": 0.0, "y": 1.0, "low": 1.0, "high": 1.0}]
    for km in np.linspace(0, axes.reach, POINTS)[1:].tolist():
        band = model.survival(km, level)
        y = float(model.sf(km))
        rows.append({"series": name, "x": axes.units.from_km(km), "y": y, "low": band.low, "high": band.high})
    return rows


def _steps(curve: SurvivalCurve, lives: Lives | None, scale: float, axes: _Axes) -> list[Row]:
    """The steps from where the curve begins to the last distance seen; nothing is claimed beyond."""

    def held(column: Array) -> Array:
        return scale * np.concatenate([[1.0], column, column[-1:] if column.size else [1.0]])

    last = max(curve.since, curve.km.max(initial=0.0), lives.lower.max(initial=0.0) if lives is not None else 0.0)
    km = np.concatenate([[curve.since], curve.km, [last]])
    return [
        {"series": RECORDS, "x": axes.units.from_km(float(at)), "y": float(y), "low": float(low), "high": float(high)}
        for at, y, low, high in zip(km, held(curve.survival), held(curve.low), held(curve.high), strict=True)
    ]


def _cuts(curve: SurvivalCurve, lives: Lives, scale: float, axes: _Axes) -> list[Row]:
    """Where lives were cut (still good, or ended for another reason), on the steps; near ones gathered."""
    at = np.unique(lives.lower[lives.right & (lives.lower > curve.since)])
    if at.size > CUTS:
        at = np.unique(np.round(at / axes.reach * CUTS)) * axes.reach / CUTS
    return [{"series": RECORDS, "x": axes.units.from_km(km), "y": float(scale * curve.sf(km))} for km in at.tolist()]


def _said(units: Units, model: LifeModel | None, curve: SurvivalCurve | None, level: float) -> list[str]:
    """The chart in one or two lines of words."""
    lines = []
    if model is not None:
        b10 = units.show_estimate(model.quantile(0.1, level))
        counts = f"{model.evidence.failures:,} failures in {model.evidence.lives:,} lives"
        lines.append(f"B10 {b10}; {counts}; {show_share(model.record_share)} record, the rest judgement")
    bands = f"Bands: {show_share(level)}."
    if curve is not None:
        bands += " Ticks: lives cut while still good."
        if curve.since > 0:
            bands += f" Records begin at {units.show_distance(curve.since)}."
    return [*lines, bands]


def _framed(chart: alt.LayerChart, title: str, said: list[str]) -> alt.LayerChart:
    framed: alt.LayerChart = (
        chart.properties(
            width=640,
            height=360,
            padding=16,
            background="white",
            title=alt.TitleParams(title, subtitle=said, anchor="start", offset=14, subtitlePadding=6),
        )
        .configure(font="sans-serif")
        .configure_view(stroke=None)
        .configure_title(fontSize=17, fontWeight=600, color=INK, subtitleFontSize=12, subtitleColor=SOFT)
        .configure_axis(
            labelFontSize=12, titleFontSize=12, titleFontWeight="normal", titleColor=SOFT, labelColor=INK,
            gridColor=LINE, domainColor=SOFT, tickColor=SOFT, titlePadding=10,
        )
        .configure_legend(labelFontSize=12, labelColor=INK, offset=8)
    )  # fmt: skip
    return framed
