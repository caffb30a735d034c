"""Wear bands for a page: one row a weak point on a common axis of distance, in plain HTML that fits every width.

A band runs from where 1 in 10 has failed to where 9 in 10 have. Its ends are slopes over what is not known of these two
distances (95 %): upright where the records settle it, long where they do not. It is filled as far up as its knowledge
is record, hatched where it is judgement. Positions are shares of the axis; the style sheet of the pages draws them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from urllib.parse import quote

from wearlore.answers import ModeSummary
from wearlore.estimate import Estimate
from wearlore.report.sheet import counted, counted_lives
from wearlore.units import Units, round_step, show_share, significant

TICKS = 6  # distances named on the axis, about
SHOWN = 0.75  # share of the weak points whose median the axis reaches at least
GRAVE = ("stranded", "engine-damage", "injury")  # consequences that stand out
NOTHING = "neither record nor judgement yet"


@dataclass(frozen=True, slots=True)
class Axis:
    """From 0 to ``end``, named at multiples of ``step``; km."""

    end: float
    step: float

    @classmethod
    def over(cls, rows: Sequence[ModeSummary], units: Units) -> Axis:
        """Far enough for every start and for most medians; what runs on is cut at the edge."""
        medians = sorted(row.b50.value for row in rows if row.b50)
        if not medians:
            return cls(units.to_km(1.0), units.to_km(1.0))
        most = medians[min(len(medians) - 1, int(SHOWN * len(medians)))]
        latest = max(row.b10.value for row in rows if row.b10)
        return cls._to(max(1.3 * most, 1.15 * latest), units)

    @classmethod
    def of(cls, row: ModeSummary, units: Units) -> Axis:
        """As far as one band runs, or to three times its median."""
        return cls._to(
            min(1.04 * row.b90.high, 3.0 * row.b50.value) if row.b90 and row.b50 else units.to_km(1.0), units
        )

    @classmethod
    def _to(cls, end: float, units: Units) -> Axis:
        return cls(end, units.to_km(round_step(units.from_km(end) / TICKS)))

    def at(self, km: float) -> float:
        """In per cent of the axis, its ends at most."""
        return 100 * min(max(km / self.end, 0.0), 1.0)

    def named(self) -> Iterator[float]:
        """Distances, km, named on it."""
        return (self.step * k for k in range(int(self.end / self.step * 0.97) + 1))

    def ticks(self, units: Units) -> str:
        """The distances under or over the bands; every other one can be left out where there is little room."""
        return "".join(
            f'<span class="tick-{"odd" if number % 2 else "even"}" style="left:{self.at(km):.2f}%">'
            f"{units.from_km(km):,.0f}{f' {units.distance}' if number == 0 else ''}</span>"
            for number, km in enumerate(self.named())
        )


def axis_row(axis: Axis, units: Units) -> str:
    """The head of the rows: what stands in each column, and the axis."""
    return (
        f'<div class="weak-head" aria-hidden="true"><span>Weak point</span>'
        f'<div class="scale">{axis.ticks(units)}</div>'
        f"<span>1 in 10 failed by</span><span>Known from</span></div>"
    )


def band_rows(rows: Sequence[ModeSummary], axis: Axis, units: Units, variant: str) -> str:
    """The rows as a list; evidence is that of ``variant`` (empty: of all)."""
    shown = "".join(_row(row, axis, units, variant) for row in rows)
    return f'<ol class="weak-points" style="{_grid(axis)}">{shown}</ol>'


def lone_band(row: ModeSummary, units: Units) -> str:
    """The band of one weak point with its own axis under it."""
    axis = Axis.of(row, units)
    return (
        f'<div class="lone-band" style="{_grid(axis)}">{_lane(row, axis, units)}'
        f'<div class="scale" aria-hidden="true">{axis.ticks(units)}</div></div>'
    )


def consequence(severity: str) -> str:
    """``engine damage``."""
    return severity.replace("-", " ")


def evidence_of(row: ModeSummary, variant: str = "") -> tuple[int, int]:
    """Failures and lives on record, of one variant when it is named."""
    of = {each.variant: (each.failures, each.lives) for each in row.variants}
    return of.get(variant, (row.evidence.failures, row.evidence.lives))


def evidence_told(row: ModeSummary, variant: str = "") -> tuple[str, str]:
    """``105 failures``, ``in 371 lives``; or that it is judgement."""
    failures, lives = evidence_of(row, variant)
    if not lives:
        return "no life seen" if row.record_share else "judgement", f"on {variant}" if row.record_share else "no record"
    if not failures:
        return "no failure", f"in {counted_lives(lives)}"
    return counted(failures, "failure"), f"in {counted_lives(lives)}"


def _grid(axis: Axis) -> str:
    return f"--step:{axis.at(axis.step):.3f}%"


def _row(row: ModeSummary, axis: Axis, units: Units, variant: str) -> str:
    grave = " grave" if row.severity in GRAVE else ""
    hidden = ' <span class="hidden-one">hidden</span>' if row.noticed == "hidden" else ""
    what = (
        f'<div class="what"><a href="/weak-points/{quote(row.mode)}">{escape(row.name)}</a>'
        f'<p><span class="brings{grave}">{escape(consequence(row.severity))}</span>{hidden}'
        f" <span>{escape(row.system)}</span></p></div>"
    )
    first, second = evidence_told(row, variant)
    known = f'<div class="known"><b>{escape(first)}</b> <span>{escape(second)}</span></div>'
    return f'<li class="weak">{what}{_lane(row, axis, units)}{_first(row, units)}{known}</li>'


def _first(row: ModeSummary, units: Units) -> str:
    if row.b10 is None:
        return '<div class="first"><b>not known</b></div>'
    low, high = units.show_number(row.b10.low), units.show_number(row.b10.high)
    said = f"<b>{units.show_number(row.b10.value)}</b> <i>{units.distance}</i>"
    return f'<div class="first"><em>1 in 10 by </em>{said} <span>{low} to {high}</span></div>'


def _lane(row: ModeSummary, axis: Axis, units: Units) -> str:
    if row.b10 is None or row.b50 is None or row.b90 is None:
        return f'<div class="lane"><span class="nothing">{NOTHING}</span></div>'
    runs_on = '<i class="on"></i>' if row.b90.value > axis.end else ""
    half = f'<i class="half" style="left:{axis.at(row.b50.value):.2f}%"></i>' if row.b50.value < axis.end else ""
    tenth = f'<i class="tenth" style="left:{axis.at(row.b10.value):.2f}%"></i>'
    told = _in_words(row.b10, row.b50, row.b90, row.record_share, units)
    return (
        f'<div class="lane" role="img" aria-label="{escape(told)}" title="{escape(told)}">'
        f"{_band(row.b10, row.b90, row.b50.value, row.record_share, axis)}{half}{tenth}{runs_on}</div>"
    )


def _in_words(b10: Estimate, b50: Estimate, b90: Estimate, record: float, units: Units) -> str:
    by = ", ".join(
        f"{share} failed by {units.show_distance(end.value)}"
        for share, end in (("1 in 10", b10), ("half", b50), ("9 in 10", b90))
    )
    return f"{by}; {show_share(record)} record, {show_share(1 - record)} judgement"


def _band(b10: Estimate, b90: Estimate, middle: float, record: float, axis: Axis) -> str:
    """A box over all that the band may cover, cut to its shape."""
    left, right = axis.at(b10.low), axis.at(b90.high)
    full, falls = min(b10.high, middle), max(b90.low, middle)
    share = [100 * (axis.at(km) - left) / max(right - left, 1e-9) for km in (full, falls)]
    end = 0.0 if falls >= axis.end else 50.0 * (min(b90.high, axis.end) - falls) / max(b90.high - falls, 1e-9)
    top = f"0 50%,{share[0]:.2f}% 0,{share[1]:.2f}% 0,100% {end:.1f}%"
    below = f"100% {100 - end:.1f}%,{share[1]:.2f}% 100%,{share[0]:.2f}% 100%"
    return (
        f'<i class="band" style="left:{left:.2f}%;width:{right - left:.2f}%;--record:{100 * significant(record):.3g}%;'
        f'clip-path:polygon({top},{below})"></i>'
    )
