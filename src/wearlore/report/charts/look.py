"""The look that all charts share: colours for light and dark, the frame, and the files a chart is written to.

A chart is made once, in the colours of `LIGHT`. On screens that ask for dark, the drawing itself exchanges them; a
file without style sheets (PNG, PDF) is written in the look that is asked for.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from html import escape
from pathlib import Path
from typing import Any, Literal

import altair as alt
import vl_convert

from wearlore.errors import OutputError
from wearlore.units import Units

Chart = alt.LayerChart | alt.HConcatChart | alt.VConcatChart
Row = dict[str, str | float]
Look = Literal["light", "dark"]

PAPER, INK, SOFT, LINE = "#ffffff", "#1d2327", "#5c666c", "#e3e1db"
TEAL, AMBER, VIOLET, NAVY, SLATE, RUST = "#0d7a80", "#9f6c2a", "#8426d2", "#201a66", "#3d474d", "#b8492c"
SERIES = (TEAL, AMBER, VIOLET, NAVY, SLATE, RUST)  # told apart with every kind of colour vision, by dashes too
DASHES = ([1, 0], [7, 3], [2, 2], [9, 3, 2, 3], [4, 4], [12, 4])
DARK = {
    PAPER: "#1b2023", INK: "#e6e4de", SOFT: "#a0a8ab", LINE: "#3a4246",
    TEAL: "#4fc3c0", AMBER: "#db793c", VIOLET: "#c124dc", NAVY: "#6e90c4", SLATE: "#b9c4c9", RUST: "#ef8a6b",
}  # fmt: skip
POINTS = 90  # of a smooth curve
WIDTH, HEIGHT = 640, 360
CLIP = re.compile(r"\bclip(\d+)\b")
COLOUR = re.compile("|".join(DARK), re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Drawing:
    """A chart by name (of its file), and in one sentence what it shows."""

    name: str
    text: str
    chart: Chart


def distance_axis(units: Units, end_km: float, title: str = "") -> alt.X:
    """From 0 to ``end_km`` in the reader's units, field ``x``."""
    what = title or ("Distance" if units.distance in ("km", "miles") else "Age")
    axis = alt.Axis(format=",.0f", tickCount=7, labelFlush=False)
    return alt.X(
        "x:Q",
        title=f"{what}, {units.distance}",
        axis=axis,
        scale=alt.Scale(domain=[0, units.from_km(end_km)], nice=False),
    )


def series(names: Sequence[str], colours: Sequence[str] = SERIES) -> alt.Color:
    """Colour by field ``series``, with a legend of ``names`` above the chart."""
    legend = alt.Legend(
        title=None, orient="top", symbolType="stroke", symbolStrokeWidth=3, symbolSize=300, symbolOpacity=1
    )
    scale = alt.Scale(domain=list(names), range=[colours[k % len(colours)] for k in range(len(names))])
    return alt.Color("series:N", scale=scale, legend=legend)


def values(rows: Sequence[Row]) -> alt.Chart:
    """The rows as a chart to encode."""
    return alt.Chart(alt.InlineData(values=list(rows)))


def framed(chart: Chart, title: str, said: Sequence[str], *, width: int = WIDTH, height: int = HEIGHT) -> Chart:
    """The chart with its title, what it says in words below that, and the fonts and lines of the house."""
    if isinstance(chart, alt.LayerChart):
        chart = chart.properties(width=width, height=height)
    framed: Chart = (
        chart.properties(
            padding=16,
            background=PAPER,
            title=alt.TitleParams(title, subtitle=list(said), anchor="start", offset=14, subtitlePadding=6),
        )
        .configure(font="sans-serif")
        .configure_view(stroke=None)
        .configure_title(fontSize=17, fontWeight=600, color=INK, subtitleFontSize=12, subtitleColor=SOFT)
        .configure_axis(
            labelFontSize=12, titleFontSize=12, titleFontWeight="normal", titleColor=SOFT, labelColor=INK,
            gridColor=LINE, domainColor=SOFT, tickColor=SOFT, titlePadding=10,
        )
        .configure_legend(labelFontSize=12, labelColor=INK, offset=8, labelLimit=400)
        .configure_text(color=INK)
    )  # fmt: skip
    return framed


def to_svg(chart: Chart) -> str:
    """The chart as SVG for light and dark screens, drawn without a browser and without a network.

    The same chart gives the same text. The drawing library counts its clips over the life of the process; here they
    are named by what they belong to, so that several charts can stand in one page.
    """
    svg = str(vl_convert.vegalite_to_svg(chart.to_dict()))
    numbers = {clip: str(number) for number, clip in enumerate(dict.fromkeys(CLIP.findall(svg)))}
    counted = CLIP.sub(lambda found: f"clip{numbers[found[1]]}", svg)
    owner = sha256(counted.encode()).hexdigest()[:10]
    named = CLIP.sub(lambda found: f"clip-{owner}-{found[1]}", counted)
    return named.replace(">", f"><style>{_dark_rules()}</style>", 1)


def _dark_rules() -> str:
    pairs = [(part, light, dark) for light, dark in DARK.items() for part in ("fill", "stroke")]
    rules = "".join(f'svg.marks [{part}="{light}" i]{{{part}:{dark}}}' for part, light, dark in pairs)
    return f"@media screen and (prefers-color-scheme:dark){{{rules}}}"


def to_html(chart: Chart, title: str) -> str:
    """One self-contained page: the drawing itself, no script."""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<style>body{{margin:2rem auto;max-width:56rem;padding:0 1rem;background:{PAPER}}}"
        f"@media screen and (prefers-color-scheme:dark){{body{{background:{DARK[PAPER]}}}}}"
        "svg{width:100%;height:auto}</style></head>\n"
        f"<body>{to_svg(chart)}</body></html>\n"
    )


def save(chart: Chart, path: Path, title: str = "Life", look: Look = "light") -> None:
    """Write the chart as the suffix says: .svg and .html (light and dark), .png or .pdf in one ``look``.

    Raises OutputError.
    """
    try:
        match path.suffix.lower():
            case ".svg":
                path.write_text(to_svg(chart), encoding="utf-8")
            case ".html":
                path.write_text(to_html(chart, title), encoding="utf-8")
            case ".png":
                path.write_bytes(vl_convert.vegalite_to_png(_in(look, chart), scale=2))
            case ".pdf":
                path.write_bytes(vl_convert.vegalite_to_pdf(_in(look, chart)))
            case other:
                problem = f"a chart is not written as {other!r}" if other else "the name of a chart wants a suffix"
                raise OutputError(str(path), problem, "Use .svg, .png, .html or .pdf")
    except OSError as error:
        raise OutputError(str(path), error.strerror or str(error), "Choose a place that can be written") from error


def _in(look: Look, chart: Chart) -> dict[str, Any]:
    """The chart's description in the colours of a look."""
    description: dict[str, Any] = chart.to_dict()
    if look == "light":
        return description
    dark: dict[str, Any] = json.loads(COLOUR.sub(lambda found: DARK[found[0].lower()], json.dumps(description)))
    return dark
