"""A reading that drifts -> its sheet: how it drifts over all pieces, and what one vehicle's piece has left."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import floor, inf, isfinite, log10

import numpy as np

from wearlore.answers import DriftingReading, VehicleDrift
from wearlore.estimate import Estimate
from wearlore.life import Drift, TypicalPath
from wearlore.lives import Array
from wearlore.report.sheet import (
    NO_FIGURES,
    Block,
    Bullets,
    Callout,
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

SURE, HARDLY = 0.95, 0.05  # chances of being beyond the limit that are told plainly
CERTAIN = 0.999  # from here on there is nothing more to tell
ROWS = 8  # of a table at round distances, about
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)  # times powers of ten
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
            Paragraph(_lead(piece, told) if piece else _lead_of_kind(result, told), "lead"),
            *(_beyond(result, piece, told) if piece else ()),
            *drawn(figures, "path"),
            *(_vehicle(piece, told, figures) if piece else ()),
            *(_chain(result) if result.elongation_at_limit is not None else ()),
            Heading("How pieces of this kind drift"),
            *_typical(result, told),
            Bullets(tuple(_parameters(result.drift, told))),
            Heading("What this rests on"),
            Bullets(tuple(_evidence(result))),
        ),
        small_print=SMALL.format(level=show_share(result.drift.level)) + (LEFT if piece else ""),
    )


class Told:
    """Values of one reading in words: as many decimals as its noise leaves sense in."""

    def __init__(self, result: DriftingReading, units: Units) -> None:
        self.units = units
        self.unit = f" {result.unit}" if result.unit else ""
        self.reading = result.reading.replace("-", " ")
        self.decimals = min(max(-floor(log10(result.drift.noise.value)), 0), 6)
        self._limit = result.limit

    def value(self, value: float, finer: int = 0) -> str:
        """``3.1 deg``"""
        return self.number(value, finer) + self.unit

    def number(self, value: float, finer: int = 0) -> str:
        text = f"{value:,.{self.decimals + finer}f}"
        return text.removeprefix("-") if not any(digit in text for digit in "123456789") else text

    def estimate(self, estimate: Estimate, finer: int = 0) -> str:
        """``3.1 deg (2.9 to 3.3)``"""
        return f"{self.value(estimate.value, finer)} {self.span(estimate.low, estimate.high, finer)}"

    def span(self, low: float, high: float, finer: int = 0) -> str:
        return f"({self.number(low, finer)} to {self.number(high, finer)})"

    @property
    def limit(self) -> str:
        """As the book states it, never with fewer digits."""
        if self._limit is None:
            raise ValueError("there is no limit to tell")
        stated = f"{self._limit:g}"
        fine = len(stated.partition(".")[2]) > self.decimals
        return f"{stated}{self.unit}" if fine else self.value(self._limit)


# one vehicle ---------------------------------------------------------------------------------------------------------


def _lead(piece: VehicleDrift, told: Told) -> str:
    return f"{piece.vehicle}: {_last(piece, told)}; {_left(piece, told)}."


def _last(piece: VehicleDrift, told: Told) -> str:
    if not piece.readings:
        return f"no {told.reading} of the piece in place is on record, so only its kind speaks"
    last = piece.readings[-1]
    return f"{told.reading} {told.value(last.value)} at {told.units.show_distance(last.age)} (last reading)"


def _left(piece: VehicleDrift, told: Told) -> str:
    left, units = piece.left, told.units
    if left.chance_beyond_now >= SURE:
        return f"it is beyond the limit of {told.limit} already (chance {_chance(left.chance_beyond_now)})"
    to = f"to the limit of {told.limit}"
    if left.chance_beyond_now > HARDLY:
        may = f"it may be beyond the limit of {told.limit} already (chance {_chance(left.chance_beyond_now)})"
        return f"{may}; at most {units.show_distance(left.distance.high)} are left" if _ends(left.distance) else may
    return f"{to} {_distance(left.distance, units)} from now, {units.show_odometer(piece.km)} on the odometer"


def _ends(distance: Estimate) -> bool:
    return isfinite(distance.high) and distance.high > 0


def _distance(distance: Estimate, units: Units) -> str:
    low = units.show_distance(distance.low)
    if not isfinite(distance.value):
        return f"over {low} are left" if distance.low > 0 else "nothing can be said of what is left"
    return f"about {units.show_estimate(distance).replace(' (', ' are left (', 1)}"


def _beyond(result: DriftingReading, piece: VehicleDrift, told: Told) -> tuple[Block, ...]:
    """A caution where the piece is, or may well be, beyond the limit, or was read there."""
    sign = 1.0 if piece.left.side == "upper" else -1.0
    read = bool(piece.readings) and sign * (piece.readings[-1].value - piece.left.limit) >= 0
    if not read and piece.left.chance_beyond_now <= HARDLY:
        return ()
    why = (
        f"The last reading is at or beyond the limit of {told.limit}. "
        if read
        else f"It was not read beyond the limit, but by its path it may be there: chance "
        f"{_chance(piece.left.chance_beyond_now)}. Read it again. "
    )
    text = f"{why}What to check then, and whether the engine may run on, is for the maker's procedure: follow it."
    if result.elongation_at_limit is not None:
        return (Callout("WARNING", "A timing chain at its limit", f"{text} It comes before any forecast here."),)
    return (Callout("CAUTION", "A reading at its limit", text),)


def _vehicle(piece: VehicleDrift, told: Told, figures: Figures) -> Iterator[Block]:
    if piece.left.chance_beyond_now < SURE:
        yield Heading("What is left")
        yield from drawn(figures, "chance")
        yield _ahead(piece, told)
    yield Heading("Readings of this piece")
    if not piece.readings:
        yield Paragraph("None. A reading would narrow what is said here: take one.")
        return
    columns = (
        Column(f"Age of the piece, {told.units.distance}", wide=True),
        Column("Odometer", "right"),
        Column(f"Read{f',{told.unit}' if told.unit else ''}", "right"),
        Column("Against the limit"),
    )
    sign = 1.0 if piece.left.side == "upper" else -1.0
    yield Table(
        columns,
        tuple(
            (
                f"{told.units.from_km(read.age):,.0f}",
                told.units.show_odometer(piece.km - piece.age + read.age),
                told.number(read.value, 1),
                "at or beyond the limit" if sign * (read.value - piece.left.limit) >= 0 else "within",
            )
            for read in piece.readings
        ),
    )


def _ahead(piece: VehicleDrift, told: Told) -> Table:
    """At round distances from now: the value of the piece, and the chance that the limit is reached."""
    left, units = piece.left, told.units
    columns = (
        Column(f"From now, {units.distance}", wide=True),
        Column("Odometer", "right", spare=True),
        Column(f"Value{f',{told.unit}' if told.unit else ''}", "right"),
        Column(f"({show_share(left.distance.level)})"),
        Column("Limit reached by then", "right"),
    )
    rows = []
    sure = left.km[left.reached > CERTAIN]
    for ahead in _round(float(sure[0] if sure.size else left.km[-1]) - left.now, units):
        value, low, high, reached = (
            _at(left.km, column, left.now + ahead) for column in (left.path, left.low, left.high, left.reached)
        )
        chance = left.chance_beyond_now if ahead == 0 else reached
        rows.append(
            (
                f"{units.from_km(ahead):,.0f}", units.show_odometer(piece.km + ahead), told.number(value),
                told.span(low, high), _chance(chance),
            )
        )  # fmt: skip
    return Table(columns, tuple(rows))


def _chain(result: DriftingReading) -> Iterator[Block]:
    yield Heading("As elongation of the chain")
    at_limit, usual = result.elongation_at_limit, result.usual_elongation
    said = [f"At the limit of the book the chain is longer by {_longer(at_limit or 0.0)} than new."]
    if result.vehicle and result.vehicle.elongation:
        now = result.vehicle.elongation
        span = f"({_longer(now.low)} to {_longer(now.high)})"
        said.append(f"This chain, by its path, is now longer by {_longer(now.value)} {span}.")
    if usual:
        said.append(
            f"Chains are usually renewed at {100 * usual:.2g} % (common practice, no source). Makers of engines set "
            "tighter limits for timing: theirs come first."
        )
    said.append("Worn guides and a yielding tensioner move the reading too.")
    yield Bullets(tuple(said))


# pieces of its kind --------------------------------------------------------------------------------------------------


def _lead_of_kind(result: DriftingReading, told: Told) -> str:
    path = result.typical
    if result.limit is None:
        new, old = told.value(float(path.value[0])), told.value(float(path.value[-1]))
        return f"A typical piece reads {new} when new and {old} at {told.units.show_distance(float(path.km[-1]))}."
    reached = _typical_reaches(path, result.limit)
    if reached is None:
        return f"Up to {told.units.show_distance(float(path.km[-1]))} a typical piece stays within {told.limit}."
    typical = told.units.show_estimate(reached)
    ends = sorted(_reaches(path.km, column, result.limit) for column in (path.piece_low, path.piece_high))
    first, last = (told.units.show_distance(end) if isfinite(end) else "" for end in ends)
    until = f"and {last}" if last else "and an age beyond those read"
    spread = f"; {show_share(path.level)} of pieces reach it between about {first} {until}" if first else ""
    return f"A typical piece reaches the limit of {told.limit} at about {typical}{spread}."


def _typical_reaches(path: TypicalPath, limit: float) -> Estimate | None:
    """Where the typical path and its limits cross the limit of the reading; None: not at the ages read."""
    value = _reaches(path.km, path.value, limit)
    if not isfinite(value):
        return None
    low, high = sorted(_reaches(path.km, column, limit) for column in (path.low, path.high))
    return Estimate(value, low, high, path.level)


def _reaches(km: Array, values: Array, limit: float) -> float:
    """The first age at which the line through ``values`` comes to ``limit``; inf when it does not."""
    side = np.sign(values - limit)
    (changes,) = np.nonzero(side[1:] != side[0])
    if not changes.size:
        return inf
    k = int(changes[0])
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
    ages = _round(min(float(np.quantile(result.ages, OFTEN)), float(path.km[-1])), units)
    half = (ages[1] - ages[0]) / 2 if len(ages) > 1 else inf
    rows = []
    for age in ages:
        value, low, high, piece_low, piece_high = (
            _at(path.km, column, age)
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


# words and round numbers ---------------------------------------------------------------------------------------------


def _round(end: float, units: Units) -> list[float]:
    """0 and round distances (km) in the reader's units up to ``end`` (km)."""
    reach = units.from_km(end)
    if reach <= 0:
        return [0.0]
    power = 10.0 ** floor(log10(reach / ROWS))
    step = next(power * one for one in STEPS if power * one >= reach / ROWS)
    return [units.to_km(step * k) for k in range(int(reach / step) + 1)]


def _at(km: Array, column: Array, at: float) -> float:
    """The column between its ages, on a straight line."""
    return float(np.interp(at, km, column))


def _chance(chance: float) -> str:
    """A computed chance is never told as certain."""
    return "under 0.1 %" if chance < 0.001 else "over 99.9 %" if chance > CERTAIN else show_share(chance)


def _longer(share: float) -> str:
    """Elongation; what the noise leaves below new is new."""
    return f"{100 * max(share, 0.0):.2f} %"
