"""The figure of one weak point, drawn small: share failed against distance, the model's band, the records' steps."""

from __future__ import annotations

from html import escape

from wearlore.answers.guide import Course, WeakPoint
from wearlore.lives import Array
from wearlore.report.charts.look import AMBER, INK, LINE, SLATE, SOFT, TEAL
from wearlore.report.guide.wording import MEASURED
from wearlore.report.sheet import Figure
from wearlore.units import Units, round_step

WIDTH, HEIGHT = 640.0, 210.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 14.0, 12.0, 40.0
TICKS = 6


class _Plane:
    """Kilometres and shares to places in the drawing."""

    def __init__(self, reach: float, top: float) -> None:
        self.reach, self.top = reach, top

    def x(self, km: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * km / self.reach

    def y(self, share: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (1 - share / self.top)

    def line(self, points: list[tuple[float, float]]) -> str:
        return " ".join(f"{self.x(km):.1f},{self.y(share):.1f}" for km, share in points)


def life_figure(point: WeakPoint, units: Units) -> tuple[Figure, ...]:
    """Nothing where nothing is known."""
    course = point.course
    if course is None:
        return ()
    plane = _Plane(float(course.km[-1]), _top(float(course.high.max())))
    low, middle, high = (_from_new(course.km, column) for column in (course.low, course.value, course.high))
    tone = TEAL if point.summary.record_share >= MEASURED else AMBER
    drawn = [
        *_grid(plane, units),
        f'<polygon points="{plane.line([*low, *reversed(high)])}" fill="{tone}" fill-opacity="0.2"/>',
        f'<polyline points="{plane.line(middle)}" fill="none" stroke="{tone}" stroke-width="2.4"/>',
        *_record(plane, course),
    ]
    said = f"{point.summary.name}: share that has failed by each distance, with its 95 % band."
    svg = (
        f'<svg class="life" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" xmlns="http://www.w3.org/2000/svg" '
        f'font-family="sans-serif" font-size="12">{"".join(drawn)}</svg>'
    )
    return (Figure(svg, said),)


def _from_new(km: Array, share: Array) -> list[tuple[float, float]]:
    return [(0.0, 0.0), *zip(km.tolist(), share.tolist(), strict=True)]


def _top(highest: float) -> float:
    return next(end for end in (0.1, 0.25, 0.5, 1.0) if highest <= end or end == 1.0)


def _grid(plane: _Plane, units: Units) -> list[str]:
    drawn = []
    for k in range(5):
        share = plane.top * k / 4
        y = plane.y(share)
        told = f"{100 * share:g} %"
        drawn.append(f'<path d="M{LEFT:.0f} {y:.1f}H{WIDTH - RIGHT:.0f}" stroke="{LINE}" fill="none"/>')
        drawn.append(f'<text x="{LEFT - 6:.0f}" y="{y + 4:.1f}" text-anchor="end" fill="{SOFT}">{told}</text>')
    step = round_step(units.from_km(plane.reach) / TICKS)
    for k in range(int(units.from_km(plane.reach) / step) + 1):
        x = plane.x(units.to_km(step * k))
        drawn.append(
            f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 17:.0f}" text-anchor="middle" fill="{INK}">{step * k:,.0f}</text>'
        )
    name = escape(f"{'Distance' if units.distance in ('km', 'miles') else 'Age'}, {units.distance}")
    middle = (LEFT + WIDTH - RIGHT) / 2
    place = f'x="{middle:.0f}" y="{HEIGHT - 5:.0f}"'
    return [*drawn, f'<text {place} text-anchor="middle" fill="{SOFT}">{name}</text>']


def _record(plane: _Plane, course: Course) -> list[str]:
    """The records alone, as steps."""
    if not course.record:
        return []
    points = [course.record[0]]
    for km, failed in course.record[1:]:
        points += [(km, points[-1][1]), (km, min(failed, plane.top))]
    return [f'<polyline points="{plane.line(points)}" fill="none" stroke="{SLATE}" stroke-width="1.4"/>']
