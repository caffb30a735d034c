"""A plane of distance and something that changes with it, on which lines, bands, steps and marks are laid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import altair as alt

from wearlore.report.charts.look import INK, SERIES, SOFT, Row, distance_axis, series, values
from wearlore.units import Units

Shape = Literal["linear", "monotone", "step-after"]


@dataclass(frozen=True, slots=True)
class Plane:
    """Rows carry ``series``, ``x`` (already in the reader's units), ``y`` and, where there is a band, ``low`` and
    ``high``. ``reach`` is where the distance axis ends, km; ``top`` where the other one does (None: as the rows have
    it), from ``bottom``; ``colours`` go by ``names``."""

    units: Units
    reach: float
    names: tuple[str, ...]
    title: str
    format: str = ".0%"
    top: float | None = 1.0
    colours: Sequence[str] = SERIES
    zero: bool = True
    bottom: float = 0.0
    x_title: str = ""

    def x(self) -> alt.X:
        return distance_axis(self.units, self.reach, self.x_title)

    def y(self, field: str = "y") -> alt.Y:
        scale = alt.Scale(zero=self.zero) if self.top is None else alt.Scale(domain=[self.bottom, self.top])
        return alt.Y(f"{field}:Q", title=self.title, axis=alt.Axis(format=self.format, tickCount=6), scale=scale)

    def colour(self) -> alt.Color:
        return series(self.names, self.colours)

    def line(self, rows: Sequence[Row], shape: Shape, dash: Sequence[int] = (1, 0), width: float = 2.2) -> alt.Chart:
        mark = values(rows).mark_line(interpolate=shape, clip=True, strokeWidth=width, strokeDash=list(dash))
        line: alt.Chart = mark.encode(x=self.x(), y=self.y(), color=self.colour(), detail="series:N")
        return line

    def band(self, rows: Sequence[Row], shape: Shape, opacity: float = 0.15) -> alt.Chart:
        mark = values(rows).mark_area(opacity=opacity, interpolate=shape, clip=True)
        band: alt.Chart = mark.encode(x=self.x(), y=self.y("low"), y2=alt.Y2("high"), color=self.colour())
        return band

    def ribbon(self, rows: Sequence[Row], shape: Shape, dash: Sequence[int] = (1, 0)) -> list[alt.Chart]:
        """A band and, on it, its line."""
        return [self.band(rows, shape), self.line(rows, shape, dash)]

    def ticks(self, rows: Sequence[Row]) -> alt.Chart:
        mark = values(rows).mark_tick(orient="vertical", size=9, thickness=1, opacity=0.55, clip=True)
        chart: alt.Chart = mark.encode(x=self.x(), y=self.y(), color=self.colour())
        return chart

    def points(self, rows: Sequence[Row], size: float = 36, filled: bool = True) -> alt.Chart:
        mark = values(rows).mark_point(size=size, filled=filled, opacity=0.9, clip=True)
        chart: alt.Chart = mark.encode(x=self.x(), y=self.y(), color=self.colour())
        return chart

    def whiskers(self, rows: Sequence[Row]) -> alt.Chart:
        mark = values(rows).mark_rule(strokeWidth=1.4, clip=True)
        chart: alt.Chart = mark.encode(x=self.x(), y=self.y("low"), y2=alt.Y2("high"), color=self.colour())
        return chart

    def upright(self, km: float, label: str) -> list[alt.Chart]:
        """A line across at one distance, named at its top."""
        row: Row = {"x": self.units.from_km(km), "label": label}
        rule = values([row]).mark_rule(stroke=INK, strokeWidth=1.4, strokeDash=[2, 3]).encode(x=self.x())
        text = values([row]).mark_text(align="left", dx=6, fontSize=12, color=INK, baseline="top")
        return [rule, text.encode(x=self.x(), y=alt.value(2), text="label:N")]

    def level(self, y: float, label: str) -> list[alt.Chart]:
        """A line along at one height, named at its left."""
        row: Row = {"y": y, "label": label}
        rule = values([row]).mark_rule(stroke=SOFT, strokeWidth=1.4, strokeDash=[5, 4]).encode(y=self.y())
        text = values([row]).mark_text(align="left", dx=4, dy=-7, fontSize=12, color=SOFT)
        return [rule, text.encode(x=alt.value(0), y=self.y(), text="label:N")]
