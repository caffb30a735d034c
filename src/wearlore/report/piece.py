"""The piece in place on one vehicle, in blocks: what it read, and what it has left to the limit."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

import numpy as np

from wearlore.answers import DriftingReading, VehicleDrift
from wearlore.estimate import Estimate
from wearlore.report.readings import CERTAIN, HARDLY, SURE, Told, chance_shown, round_distances, value_at
from wearlore.report.sheet import Block, Bullets, Callout, Column, Figures, Heading, Paragraph, Table, drawn
from wearlore.units import Units, show_share


def piece_lead(piece: VehicleDrift, told: Told) -> str:
    return f"{piece.vehicle}: {_last(piece, told)}; {_left(piece, told)}."


def _last(piece: VehicleDrift, told: Told) -> str:
    if not piece.readings:
        return f"no {told.reading} of the piece in place is on record, so only its kind speaks"
    last = piece.readings[-1]
    return f"{told.reading} {told.value(last.value)} at {told.units.show_distance(last.age)} (last reading)"


def _left(piece: VehicleDrift, told: Told) -> str:
    left, units = piece.left, told.units
    if left.chance_beyond_now >= SURE:
        return f"it is beyond the limit of {told.limit} already (chance {chance_shown(left.chance_beyond_now)})"
    to = f"to the limit of {told.limit}"
    if left.chance_beyond_now > HARDLY:
        may = f"it may be beyond the limit of {told.limit} already (chance {chance_shown(left.chance_beyond_now)})"
        return f"{may}; at most {units.show_distance(left.distance.high)} are left" if _ends(left.distance) else may
    return f"{to} {_distance(left.distance, units)} from now, {units.show_odometer(piece.km)} on the odometer"


def _ends(distance: Estimate) -> bool:
    return isfinite(distance.high) and distance.high > 0


def _distance(distance: Estimate, units: Units) -> str:
    low = units.show_distance(distance.low)
    if not isfinite(distance.value):
        return f"over {low} are left" if distance.low > 0 else "nothing can be said of what is left"
    return f"about {units.show_estimate(distance).replace(' (', ' are left (', 1)}"


def at_the_limit(result: DriftingReading, piece: VehicleDrift, told: Told) -> tuple[Block, ...]:
    """A caution where the piece is, or may well be, beyond the limit, or was read there."""
    read = bool(piece.readings) and told.beyond(np.array([piece.readings[-1].value])).item()
    if not read and piece.left.chance_beyond_now <= HARDLY:
        return ()
    why = (
        f"The last reading is at or beyond the limit of {told.limit}. "
        if read
        else f"It was not read beyond the limit, but by its path it may be there: chance "
        f"{chance_shown(piece.left.chance_beyond_now)}. Read it again. "
    )
    text = f"{why}What to check then, and whether the engine may run on, is for the maker's procedure: follow it."
    if result.elongation_at_limit is not None:
        return (Callout("WARNING", "A timing chain at its limit", f"{text} It comes before any forecast here."),)
    return (Callout("CAUTION", "A reading at its limit", text),)


def what_is_left(piece: VehicleDrift, told: Told, figures: Figures) -> Iterator[Block]:
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
    beyond = told.beyond(np.array([read.value for read in piece.readings]))
    yield Table(
        columns,
        tuple(
            (
                f"{told.units.from_km(read.age):,.0f}",
                told.units.show_odometer(piece.km - piece.age + read.age),
                told.number(read.value, 1),
                "at or beyond the limit" if over else "within",
            )
            for read, over in zip(piece.readings, beyond, strict=True)
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
    for ahead in round_distances(float(sure[0] if sure.size else left.km[-1]) - left.now, units):
        value, low, high, reached = (
            value_at(left.km, column, left.now + ahead) for column in (left.path, left.low, left.high, left.reached)
        )
        chance = left.chance_beyond_now if ahead == 0 else reached
        rows.append(
            (
                f"{units.from_km(ahead):,.0f}", units.show_odometer(piece.km + ahead), told.number(value),
                told.span(low, high), chance_shown(chance),
            )
        )  # fmt: skip
    return Table(columns, tuple(rows))


def as_elongation(result: DriftingReading) -> Iterator[Block]:
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


def _longer(share: float) -> str:
    """Elongation; what the noise leaves below new is new."""
    return f"{100 * max(share, 0.0):.2f} %"
