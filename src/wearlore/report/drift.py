"""A reading that drifts -> its sheet: how it drifts over all pieces, and what one vehicle's piece has left."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import inf, isfinite

import numpy as np

from wearlore.answers import DriftingReading
from wearlore.estimate import Estimate
from wearlore.life import Drift, TypicalPath
from wearlore.lives import Array
from wearlore.report.piece import as_elongation, at_the_limit, piece_lead, what_is_left
from wearlore.report.readings import Told, round_distances, value_at
from wearlore.report.sheet import (
    NO_FIGURES,
    Block,
    Bullets,
    Column,
    Figures,
    Heading,
    Paragraph,
    Sheet,
    Table,
    counted,
    drawn,
)
from wearlore.units import Units, show_share

OFTEN = 0.99  # share of the readings up to whose age the path is told
DIFFER = {
    "not at all": "Pieces do not differ by more than the noise of reading them.",
    "in intercept": "Pieces differ in what they read when new: standard deviation {new}.",
    "in slope": "Pieces start alike and differ in how fast they change: standard deviation {change} at that age.",
    "in both": (
        "Pieces differ in what they read when new (standard deviation {new}) and in how fast they change ({change} at "
        "that age); the correlation of the two is {correlation}."
    ),
}
SMALL = (
    "Mixed-effects path by maximum likelihood (Laird & Ware 1982; Lu & Meeker 1993; Meeker & Escobar 1998, chapter "
    "13). Ages are of the piece, since it was new. Intervals hold {level} of what the readings allow."
)
LEFT = (
    " What is left counts to where the true value, without the noise of reading it, first reaches the limit, and holds "
    "what is not known of this piece and of the model."
)


def drifting_reading(result: DriftingReading, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """What is left on the vehicle, when one is named; the typical path, in what pieces differ, what it rests on."""
    told = Told(result, units)
    piece = result.vehicle
    return Sheet(
        kind="A reading that drifts",
        title=f"{result.name} ({result.reading})",
        made_on=made_on,
        facts=(
            *((("Vehicle", piece.vehicle), ("Odometer", units.show_odometer(piece.km))) if piece else ()),
            *((("Age of the piece", units.show_odometer(piece.age)),) if piece else ()),
            ("Failure mode", result.mode),
            ("Limit", told.limit if result.limit is not None else "none in the book"),
            *(
                ()
                if piece
                else (("Readings", f"{result.drift.readings:,} of {counted(result.drift.pieces, 'piece')}"),)
            ),
        ),
        blocks=(
            Paragraph(piece_lead(piece, told) if piece else _lead_of_kind(result, told), "lead"),
            *(at_the_limit(result, piece, told) if piece else ()),
            *drawn(figures, "path"),
            *(what_is_left(piece, told, figures) if piece else ()),
            *(as_elongation(result) if result.elongation_at_limit is not None else ()),
            Heading("How pieces of this kind drift"),
            *_typical(result, told),
            Bullets(tuple(_parameters(result.drift, told))),
            Heading("What this rests on"),
            Bullets(tuple(_evidence(result))),
        ),
        small_print=SMALL.format(level=show_share(result.drift.level)) + (LEFT if piece else ""),
    )


# pieces of its kind --------------------------------------------------------------------------------------------------


def _lead_of_kind(result: DriftingReading, told: Told) -> str:
    path = result.typical
    if result.limit is None:
        new, old = told.value(float(path.value[0])), told.value(float(path.value[-1]))
        return f"A typical piece reads {new} when new and {old} at {told.units.show_distance(float(path.km[-1]))}."
    if told.beyond(path.value[:1]).item():
        return f"A typical piece reads {told.value(float(path.value[0]))} when new: beyond the limit of {told.limit}."
    reached = _typical_reaches(path, result.limit, told)
    if reached is None:
        return f"Up to {told.units.show_distance(float(path.km[-1]))} a typical piece stays within {told.limit}."
    typical = told.units.show_estimate(reached)
    ends = sorted(_reaches(path.km, column, result.limit, told) for column in (path.piece_low, path.piece_high))
    first, last = (told.units.show_distance(end) if isfinite(end) else "" for end in ends)
    until = f"and {last}" if last else "and an age beyond those read"
    spread = f"; {show_share(path.level)} of pieces reach it between about {first} {until}" if first else ""
    return f"A typical piece reaches the limit of {told.limit} at about {typical}{spread}."


def _typical_reaches(path: TypicalPath, limit: float, told: Told) -> Estimate | None:
    """Where the typical path and its limits cross the limit of the reading; None: not at the ages read."""
    value = _reaches(path.km, path.value, limit, told)
    if not isfinite(value):
        return None
    low, high = sorted(_reaches(path.km, column, limit, told) for column in (path.low, path.high))
    return Estimate(value, low, high, path.level)


def _reaches(km: Array, values: Array, limit: float, told: Told) -> float:
    """The first age at which the line through ``values`` comes to ``limit``; inf when it does not."""
    (beyond,) = np.nonzero(told.beyond(values))
    if not beyond.size:
        return inf
    if beyond[0] == 0:
        return float(km[0])
    k = int(beyond[0]) - 1
    share = (limit - values[k]) / (values[k + 1] - values[k])
    return float(km[k] + share * (km[k + 1] - km[k]))


def _typical(result: DriftingReading, told: Told) -> Iterator[Block]:
    path, units = result.typical, told.units
    level = show_share(path.level)
    columns = (
        Column(f"Age, {units.distance}", wide=True),
        Column(f"Typical{f',{told.unit}' if told.unit else ''}", "right"),
        Column(f"({level})"),
        Column(f"{level} of pieces"),
        Column("Readings near", "right", spare=True),
    )
    ages = round_distances(min(float(np.quantile(result.ages, OFTEN)), float(path.km[-1])), units)
    half = (ages[1] - ages[0]) / 2 if len(ages) > 1 else inf
    rows = []
    for age in ages:
        value, low, high, piece_low, piece_high = (
            value_at(path.km, column, age)
            for column in (path.value, path.low, path.high, path.piece_low, path.piece_high)
        )  # fmt: skip
        near = int(((result.ages >= age - half) & (result.ages < age + half)).sum())
        rows.append(
            (
                f"{units.from_km(age):,.0f}", told.number(value, 1), told.span(low, high, 1),
                f"{told.number(piece_low)} to {told.number(piece_high)}", f"{near:,}",
            )
        )  # fmt: skip
    yield Table(columns, tuple(rows))
    if notes := [*_notes(result)]:
        yield Paragraph(" ".join(notes), "small")


def _notes(result: DriftingReading) -> Iterator[str]:
    if result.limit is not None:
        yield (
            "Path and range are of all pieces. Where those found beyond the limit are renewed, the pieces still read "
            "at high ages are the slow ones."
        )
    if _turns_back(result.typical):
        yield (
            "How fast pieces change is taken as normal, so the slow end of their range may run backwards: read it as a "
            "piece that hardly changes."
        )


def _turns_back(path: TypicalPath) -> bool:
    """The slow end of the range moves away from where typical pieces go."""
    up = path.value[-1] >= path.value[0]
    slow = path.piece_low if up else path.piece_high
    return bool(slow[-1] < slow[0] if up else slow[-1] > slow[0])


def _parameters(drift: Drift, told: Told) -> Iterator[str]:
    longest = told.units.show_distance(drift.unit)
    change = "more" if drift.slope.value >= 0 else "less"
    size = Estimate(*_size_of(drift.slope), drift.slope.level)
    yield (
        f"New, a typical piece reads {told.estimate(drift.intercept, 1)}; at {longest}, the longest age read, "
        f"{told.estimate(size)} {change}."
    )
    yield DIFFER[drift.differ].format(
        new=told.estimate(drift.sd_intercept, 1) if drift.sd_intercept else "",
        change=told.estimate(drift.sd_slope) if drift.sd_slope else "",
        correlation=_two(drift.correlation) if drift.correlation else "",
    )
    yield _curvature(drift)
    yield f"Noise, from one reading of a piece to the next: standard deviation {told.estimate(drift.noise, 2)}."


def _size_of(estimate: Estimate) -> tuple[float, float, float]:
    """Value and ends of the size of what changes, whichever way it goes."""
    if estimate.value >= 0:
        return estimate.value, estimate.low, estimate.high
    return -estimate.value, -estimate.high, -estimate.low


def _curvature(drift: Drift) -> str:
    kappa = drift.kappa
    if drift.curved:
        pace = "speeds up with age" if kappa.value > 1 else "slows down with age"
        return f"The change {pace}: it goes as age to the power {_two(kappa)}."
    if kappa.low == kappa.value == kappa.high:
        return f"The change goes as age to the power {kappa.value:.3g}, which was given."
    if kappa.low <= 0 or not isfinite(kappa.high):
        return "The readings are too few to tell whether the change speeds up or slows down: a straight line is taken."
    return (
        f"A straight line is taken: the readings leave the power of age open between {kappa.low:.2f} and "
        f"{kappa.high:.2f}."
    )


def _two(estimate: Estimate) -> str:
    return f"{estimate.value:.2f} ({estimate.low:.2f} to {estimate.high:.2f})"


def _evidence(result: DriftingReading) -> Iterator[str]:
    drift = result.drift
    yield (
        f"{counted(drift.readings, 'reading')} of {counted(drift.pieces, 'piece')}, {drift.repeated:,} of them read at "
        "two ages or more"
    )
    if result.left_out:
        yield f"Left out: {counted(result.left_out, 'reading')} of pieces of unknown age"
    yield (
        f"Does it fit? {show_share(drift.conditional_outside)} of the readings lie farther from their piece's own path "
        f"than 95 % should, and {show_share(drift.marginal_outside)} from the typical path; about 5 % should"
    )
