"""Charts of a reading that drifts: its path against the age of the piece, and the chance that the limit is reached."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import altair as alt
import numpy as np

from wearlore.answers import DriftingReading, VehicleDrift
from wearlore.lives import Array
from wearlore.report.charts.look import AMBER, INK, SLATE, TEAL, Chart, Drawing, Row, framed, values
from wearlore.report.charts.plane import Plane
from wearlore.report.readings import chance_shown
from wearlore.units import Units, show_share

READ, TYPICAL, KIND = "Readings", "Typical piece", "Range of pieces"
SPOTS = 600  # readings drawn at most
OFTEN = 0.99  # share of the readings that the axes reach
SURE = 0.95  # from here on it is beyond, and there is no chance left to draw
CERTAIN = 0.999  # ... and from here on no more of it
ROOM = 0.14  # of the height left above


def drift_drawings(result: DriftingReading, units: Units) -> tuple[Drawing, ...]:
    """The path against age; with a vehicle also the chance that its piece reaches the limit."""
    if result.vehicle is None:
        chart = kind_chart(result, units)
        return (
            Drawing("path", "Readings against the age of the piece, the typical path, the range of pieces.", chart),
        )
    return tuple(_of_vehicle(result, result.vehicle, units))


def _of_vehicle(result: DriftingReading, piece: VehicleDrift, units: Units) -> Iterator[Drawing]:
    words = f"The readings of {piece.vehicle}, its path, and the range of pieces behind."
    yield Drawing("path", words, piece_chart(result, piece, units))
    if piece.left.chance_beyond_now < SURE:
        words = f"Chance that {piece.vehicle} reaches the limit, against distance from now."
        yield Drawing("chance", words, chance_chart(result, piece, units))


def kind_chart(result: DriftingReading, units: Units) -> Chart:
    """All readings (thinned), the typical path with its band, the range of pieces and the limit."""
    path, reach = result.typical, min(float(np.quantile(result.ages, OFTEN)), float(result.typical.km[-1]))
    shown = path.km <= reach
    seen = [*np.quantile(result.values, [1 - OFTEN, OFTEN]), *path.value[shown], *_limit(result)]
    plane = _plane(result, units, reach, (READ, TYPICAL, KIND), (SLATE, TEAL, AMBER), seen)
    spots = _spots(result)
    layers = [
        *_range(result, plane),
        _faint(plane, _points(READ, result.ages[spots], result.values[spots], units)),
        *plane.ribbon(_band(TYPICAL, path.km, path.value, path.low, path.high, units), "monotone"),
        *_limit_line(result, plane),
    ]
    thinned = f"{spots.size:,} of {len(result.ages):,} readings are drawn. " if spots.size < len(result.ages) else ""
    pieces = f"{result.drift.pieces:,} pieces, {result.drift.repeated:,} of them read at two ages or more"
    said = [
        f"{len(result.ages):,} readings of {pieces}.",
        f"{thinned}Narrow band: {show_share(path.level)} limits of the typical path.",
        f"Dashed: between these lie {show_share(path.level)} of pieces, also of those renewed before that age.",
    ]
    return framed(alt.LayerChart(layer=layers), result.name, said)


def piece_chart(result: DriftingReading, piece: VehicleDrift, units: Units) -> Chart:
    """One piece: its readings, its path with its band, the limit, its age now; behind them the range of pieces."""
    left, name = piece.left, f"Piece on {piece.vehicle}"
    until = left.km <= left.now
    read = [reading.value for reading in piece.readings]
    seen = [left.limit, *read, *left.path[until], *left.high[until], *left.low[until]]
    plane = _plane(result, units, float(left.km[-1]), (name, KIND), (TEAL, AMBER), seen)
    ages = np.array([reading.age for reading in piece.readings])
    layers = [
        *_range(result, plane),
        *plane.ribbon(_band(name, left.km, left.path, left.low, left.high, units), "monotone"),
        *_limit_line(result, plane),
        *plane.upright(left.now, "now"),
        plane.points(_points(name, ages, np.array(read), units), 60),
    ]
    level = show_share(left.distance.level)
    count = len(piece.readings)
    points = f"Points: its {count:,} reading{'' if count == 1 else 's'}." if count else "No reading of it is on record."
    said = [
        f"{points} Line and band: its true value, {level}.",
        f"Dashed: between these lie {show_share(result.typical.level)} of pieces of its kind. "
        f"Now: {units.show_odometer(piece.km)} on the odometer.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{piece.vehicle}: {result.name}", said)


def chance_chart(result: DriftingReading, piece: VehicleDrift, units: Units) -> Chart:
    """Chance that the piece has reached the limit, against distance from now."""
    left, name = piece.left, f"Piece on {piece.vehicle}"
    ahead = left.km > left.now
    km = np.r_[0.0, left.km[ahead] - left.now]
    reached = np.r_[left.chance_beyond_now, left.reached[ahead]]
    end = float(km[min(int(np.searchsorted(reached, CERTAIN)) + 1, km.size - 1)])
    plane = Plane(units, end, (name,), "Limit reached", colours=(TEAL,), x_title="Distance from now")
    layers = [plane.line(_points(name, km, reached, units), "monotone")]
    if np.isfinite(left.distance.value) and left.distance.value > 0:
        layers += _even_chance(plane, name, left.distance.value)
    said = [
        f"To the limit{_stated(result)} (interval: {show_share(left.distance.level)}): "
        f"{units.show_estimate(left.distance)} from now.",
        f"Beyond it already now: chance {chance_shown(left.chance_beyond_now)}.",
    ]
    return framed(alt.LayerChart(layer=layers), f"{piece.vehicle}: when {result.reading} reaches its limit", said)


def _even_chance(plane: Plane, name: str, km: float) -> list[alt.Chart]:
    """The point at which the chance is even, named on the side where the curve leaves room."""
    spot = _points(name, np.array([km]), np.array([0.5]), plane.units)
    row: Row = {**spot[0], "label": f"even chance at {plane.units.show_distance(km)}"}
    right = km < 0.45 * plane.reach
    text = values([row]).mark_text(
        align="left" if right else "right", dx=10 if right else -10, dy=-8, fontSize=12, color=INK
    )
    return [plane.points(spot, 60), text.encode(x=plane.x(), y=plane.y(), text="label:N")]


def _plane(
    result: DriftingReading,
    units: Units,
    reach: float,
    names: tuple[str, ...],
    colours: tuple[str, ...],
    seen: Sequence[float],
) -> Plane:
    """Room for what is ``seen``; it begins at 0 unless that would press what changes against the other edge."""
    low, high = float(min(seen)), float(max(seen))
    spread = (high - low) or abs(high) or 1.0
    bottom = 0.0 if 0 <= low <= 2 * spread else low - ROOM * spread
    unit = f", {result.unit}" if result.unit else ""
    return Plane(
        units, reach, names, f"{result.reading}{unit}", format="~g", top=high + ROOM * (high - bottom), bottom=bottom,
        colours=colours, x_title="Age of the piece",
    )  # fmt: skip


def _range(result: DriftingReading, plane: Plane) -> list[alt.Chart]:
    """The range of pieces: a faint band between dashed lines; pieces that do not differ have none."""
    path = result.typical
    band = _band(KIND, path.km, path.value, path.piece_low, path.piece_high, plane.units)
    edges = [_points(KIND, path.km, column, plane.units) for column in (path.piece_low, path.piece_high)]
    return [plane.band(band, "monotone", 0.08), *(plane.line(edge, "monotone", [6, 4], 1.4) for edge in edges)]


def _faint(plane: Plane, rows: list[Row]) -> alt.Chart:
    mark = values(rows).mark_point(size=10, filled=True, opacity=0.35, clip=True)
    faint: alt.Chart = mark.encode(x=plane.x(), y=plane.y(), color=plane.colour())
    return faint


def _limit(result: DriftingReading) -> list[float]:
    return [] if result.limit is None else [result.limit]


def _limit_line(result: DriftingReading, plane: Plane) -> list[alt.Chart]:
    return [] if result.limit is None else plane.level(result.limit, f"limit{_stated(result)}")


def _stated(result: DriftingReading) -> str:
    return f" {result.limit:g}{f' {result.unit}' if result.unit else ''}"


def _spots(result: DriftingReading) -> np.ndarray:
    """Places of at most `SPOTS` readings, even over their ages' ranks."""
    order = np.argsort(result.ages, kind="stable")
    if order.size <= SPOTS:
        return order
    return order[np.linspace(0, order.size - 1, SPOTS).round().astype(np.int64)]


def _band(name: str, km: Array, value: Array, low: Array, high: Array, units: Units) -> list[Row]:
    return [
        {"series": name, "x": units.from_km(at), "y": y, "low": below, "high": above}
        for at, y, below, above in zip(*(c.tolist() for c in (km, value, low, high)), strict=True)
    ]


def _points(name: str, km: Array, value: Array, units: Units) -> list[Row]:
    return [{"series": name, "x": units.from_km(at), "y": y} for at, y in zip(km.tolist(), value.tolist(), strict=True)]
