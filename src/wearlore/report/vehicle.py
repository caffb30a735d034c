"""A vehicle -> its sheet: what is likely now, what is open, what is fitted, and every visit on record."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from pathlib import PurePath
from typing import Literal, NamedTuple

from wearlore.answers import FoundVehicles, LikelyNow, Suspected, UnitNow, VehicleHistory, VehicleNow
from wearlore.records.of_vehicle import LineOnRecord, VisitOnRecord
from wearlore.report.card import when
from wearlore.report.sheet import (
    NO_FIGURES,
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

Kind = Literal["fault", "good", "renewed", "cleaned", "repaired", "original", "reading"]
KINDS: dict[Kind, str] = {
    "fault": "Fault found",
    "good": "Looked at, good",
    "renewed": "Renewed",
    "cleaned": "Cleaned",
    "repaired": "Repaired",
    "original": "Maker's own piece",
    "reading": "Reading",
}
SHOWN = 12  # suspects listed
SMALL = (
    "Chances are of being there now, at the odometer that is supposed for today, by age, history and the last look "
    "alone; in brackets 95 % of what records and judgement leave open. What is found or looked for changes them."
)


class Mark(NamedTuple):
    """One thing found, done or read on a lane of the history: at odometer ``km``, in visit number ``visit``."""

    lane: str
    kind: Kind
    km: float
    visit: int
    text: str


class Lane(NamedTuple):
    """What is on record of one unit; ``pieces``: km from and to which each piece was in place."""

    name: str
    system: str
    marks: tuple[Mark, ...]
    pieces: tuple[tuple[float, float], ...]


def vehicle_now(now: VehicleNow, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """What is likely and open first, what happened last."""
    history, likely = now.history, now.likely
    return Sheet(
        kind="Vehicle",
        title=f"{history.vehicle}, {history.variant}",
        made_on=made_on,
        facts=vehicle_facts(history, units),
        blocks=(
            Paragraph(standing(history, likely, units), "lead"),
            *when(history.open, Heading("On record and not cured"), open_faults(history, units)),
            Heading("Likely now"),
            likely_table(likely.suspects[:SHOWN], units),
            *drawn(figures, "history"),
            Heading("What is fitted"),
            fitted(history.units, units),
            *when(history.visits, Heading("Visits"), visits_table(history, history.visits, units)),
        ),
        small_print=SMALL,
    )


def found_vehicles(found: FoundVehicles, family: str, units: Units, made_on: date) -> Sheet:
    """Those found, the one of that name first."""
    said = f" with {found.search!r} in name or variant" if found.search else ""
    return Sheet(
        kind="Vehicles",
        title=family,
        made_on=made_on,
        facts=(("Found", f"{counted(found.matching, 'vehicle')}{said}"), ("Listed", f"{len(found.vehicles):,}")),
        blocks=(
            Table(
                (
                    Column("Vehicle", wide=True),
                    Column("Variant"),
                    Column("Built"),
                    Column("Last seen"),
                    Column("Odometer", "right"),
                    Column("Visits", "right"),
                    Column("Open faults", "right"),
                ),
                tuple(
                    (
                        one.vehicle,
                        one.variant,
                        one.built.isoformat(),
                        one.last.isoformat() if one.last else "no visit yet",
                        "" if one.km is None else units.show_odometer(one.km),
                        f"{one.visits:,}",
                        f"{one.faults:,}" if one.faults else "",
                    )
                    for one in found.vehicles
                ),
            ),
        ),
    )


def vehicle_facts(history: VehicleHistory, units: Units) -> tuple[tuple[str, str], ...]:
    last = history.visits[-1].date.isoformat() if history.visits else ""
    return (
        ("Variant", history.variant),
        ("Built", history.built.isoformat()),
        ("Odometer", f"{units.show_odometer(history.km)} on {last}" if last else "no visit yet"),
        ("Visits", f"{len(history.visits):,}"),
        ("Records reach back", "to new" if history.complete else "not to new"),
        *((("Duty", history.duty),) if history.duty else ()),
    )


def standing(history: VehicleHistory, likely: LikelyNow, units: Units) -> str:
    """How the vehicle stands, in one or two sentences."""
    open_ = [called(fault.name, fault.position) for fault in history.open]
    first = f"On record and not cured: {'; '.join(open_)}. " if open_ else ""
    if not likely.suspects:
        return f"{first}Nothing else is likely now."
    top = likely.suspects[0]
    chance = f"{show_share(top.chance.value)} ({show_share(top.chance.low)} to {show_share(top.chance.high)})"
    return f"{first}Likeliest now: {called(top.name, top.position)}, chance {chance}."


def likely_table(suspects: Sequence[Suspected], units: Units) -> Table:
    """Each with what its chance rests on."""
    return Table(
        (
            Column("May be there", wide=True),
            Column("Chance", "right"),
            Column("(95 %)"),
            Column("Not looked at for", "right"),
            Column("On record, of its kind"),
        ),
        tuple(
            (
                called(one.name, one.position),
                show_share(one.chance.value),
                f"({show_share(one.chance.low)} to {show_share(one.chance.high)})",
                units.show_distance(one.unseen),
                rests_on(one),
            )
            for one in suspects
        ),
    )


def rests_on(one: Suspected) -> str:
    """``214 failed in 5,132 lives``, or that it is judgement."""
    seen = one.evidence
    return f"{seen.failures:,} failed in {seen.lives:,} lives" if seen.lives else "judgement alone"


def open_faults(history: VehicleHistory, units: Units) -> Table:
    return Table(
        (Column("Fault", wide=True), Column("Found"), Column("At", "right")),
        tuple(
            (
                called(fault.name, fault.position),
                fault.since.isoformat() if fault.since else "",
                "" if fault.km is None else units.show_odometer(fault.km),
            )
            for fault in history.open
        ),
    )


def fitted(fitted: Sequence[UnitNow], units: Units) -> Table:
    """Every unit with the age of the piece; by system."""
    rows: list[tuple[str, ...]] = []
    for system in dict.fromkeys(unit.system for unit in fitted):
        rows.append((system.capitalize(),))
        rows += [
            (called(unit.name, unit.position), unit.revision, unit.grade, age_told(unit, units))
            for unit in fitted
            if unit.system == system
        ]
    return Table((Column("Unit", wide=True), Column("Revision"), Column("Grade"), Column("Age", "right")), tuple(rows))


def age_told(unit: UnitNow, units: Units) -> str:
    if unit.age is not None:
        return units.show_distance(unit.age)
    return f"over {units.show_distance(unit.at_least)}" if unit.at_least else "not known"


def visits_table(history: VehicleHistory, visits: Sequence[VisitOnRecord], units: Units) -> Table:
    """Newest first, each with its lines and readings and where they came from."""
    rows: list[tuple[str, ...]] = []
    for visit in reversed(visits):
        rows.append((f"{visit.date.isoformat()}, {units.show_odometer(visit.km)}",))
        for what, text, source in told_of(history, visit):
            rows.append((what, text, source))
    return Table((Column("What"), Column("Of what", wide=True), Column("From")), tuple(rows))


def told_of(history: VehicleHistory, visit: VisitOnRecord) -> list[tuple[str, str, str]]:
    """Of each line and reading of a visit: what it is, of what, and the file and line that it came from."""
    told = [
        (what, text, f"{PurePath(line.file).name}:{line.line}")
        for line in visit.lines
        for _, what, text in line_told(history, line)
    ]
    for one in visit.readings:
        _, unit = history.limits.get(one.reading, (None, ""))
        told.append((
            KINDS["reading"], f"{history.names.get(one.reading, one.reading)}: {one.value:g} {unit}".rstrip(),
            f"{PurePath(one.file).name}:{one.line}",
        ))  # fmt: skip
    return told


def line_told(history: VehicleHistory, line: LineOnRecord) -> list[tuple[Kind | None, str, str]]:
    """What a line says was found and what was done: kind (None: a remark), in words, of what."""
    unit = called(history.names.get(line.component, line.component), line.position)
    mode = history.names.get(line.mode, line.mode)
    text = line.text if line.text != mode else ""
    said: list[tuple[Kind | None, str, str]] = []
    match line.finding:
        case "failed":
            said.append(("fault", KINDS["fault"], f"{unit}: {mode}"))
        case "good":
            said.append(("good", KINDS["good"], f"{unit}: no “{mode}”" if mode else unit))
        case "original":
            said.append(("original", KINDS["original"], unit))
    match line.action:
        case "renewed":
            piece = ", ".join(filter(None, (f"revision {line.revision}" if line.revision else "", line.grade)))
            said.append(("renewed", KINDS["renewed"], f"{unit} ({piece})" if piece else unit))
        case "cleaned" | "repaired":
            kind: Kind = "cleaned" if line.action == "cleaned" else "repaired"
            said.append((kind, KINDS[kind], f"{unit}: {mode}" if mode else unit))
    if not said:
        return [(None, "Noted", ": ".join(filter(None, (unit, text))))]
    return [(kind, what, f"{of}: {text}" if text and not n else of) for n, (kind, what, of) in enumerate(said)]


def called(name: str, position: str) -> str:
    """``Glow plug burnt out (2)``."""
    return f"{name} ({position})" if position else name


# lanes ------------------------------------------------------------------------------------------------------------


def lanes(history: VehicleHistory) -> tuple[Lane, ...]:
    """One lane for each unit of which anything is on record, by system; then one for each kind of reading."""
    marks: dict[tuple[str, str], list[Mark]] = {}
    for number, visit in enumerate(history.visits):
        for line in visit.lines:
            for kind, what, text in line_told(history, line):
                if kind and line.component:
                    at = (line.component, line.position)
                    lane = called(history.names.get(line.component, line.component), line.position)
                    marks.setdefault(at, []).append(Mark(lane, kind, visit.km, number, f"{what}: {text}"))
    by_system = sorted(marks, key=lambda at: (list(history.systems.values()).index(history.systems[at[0]]), at))
    made = [
        Lane(marks[at][0].lane, history.systems[at[0]], tuple(marks[at]), _pieces(marks[at], history))
        for at in by_system
    ]
    return (*made, *_reading_lanes(history))


def _pieces(marks: Sequence[Mark], history: VehicleHistory) -> tuple[tuple[float, float], ...]:
    start = 0.0 if history.complete else history.visits[0].km
    ends = sorted({mark.km for mark in marks if mark.kind == "renewed"} | {start, history.km})
    return tuple((a, b) for a, b in pairwise(ends) if b > a)


def _reading_lanes(history: VehicleHistory) -> list[Lane]:
    read: dict[str, list[Mark]] = {}
    for number, visit in enumerate(history.visits):
        for one in visit.readings:
            name, (_, unit) = history.names.get(one.reading, one.reading), history.limits.get(one.reading, (None, ""))
            text = f"{name}: {one.value:g} {unit}".rstrip()
            read.setdefault(name, []).append(Mark(name, "reading", visit.km, number, text))
    return [Lane(name, "readings", tuple(marks), ()) for name, marks in read.items()]
