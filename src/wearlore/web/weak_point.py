"""What the page of a weak point asks: each answer with its sheet and its charts, made in a thread of its own.

A question that has nothing to say answers with nothing, and its section is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date

from wearlore.answers import ModeSummary
from wearlore.answers.remedies import ModeRemedies
from wearlore.errors import WearloreError
from wearlore.records.summary import EvidenceLine
from wearlore.report.charts import (
    acceleration_drawings,
    comparison_drawings,
    drift_drawings,
    economy_drawings,
    repeats_drawings,
    study_drawings,
)
from wearlore.report.charts.plan import mode_drawings
from wearlore.report.comparison import accelerated_lives, compared_lives
from wearlore.report.depth import depth_blocks
from wearlore.report.drift import drifting_reading
from wearlore.report.economy import component_economy
from wearlore.report.lives import mode_study
from wearlore.report.repeats import repeated_repairs
from wearlore.report.sheet import Block, Paragraph, Sheet
from wearlore.report.strategy import planned_mode
from wearlore.units import Units
from wearlore.web.sheets import figures
from wearlore.workbench import Workbench

WAYS = ("revision", "grade", "variant")  # by which lives are compared


@dataclass(frozen=True, slots=True)
class Asked:
    """The weak point, the variant that work and money are told for, those that can have it, and how it is told."""

    mode: str
    variant: str
    variants: tuple[str, ...]
    units: Units
    today: date


@dataclass(frozen=True, slots=True)
class Life:
    """When it fails: in one sentence, in one row, and as a sheet without that sentence."""

    summary: ModeSummary
    lead: str
    sheet: Sheet


@dataclass(frozen=True, slots=True)
class Told:
    """A sheet under a heading of its own (empty: under the section's); ``worth``: it is worth showing."""

    title: str
    sheet: Sheet
    worth: bool = True


def life(bench: Workbench, asked: Asked) -> Life:
    """Raises FitError where neither record nor judgement says anything."""
    study = bench.study(asked.mode, units=asked.units)
    sheet = mode_study(study, asked.units, asked.today, figures(study_drawings(study, asked.units)))
    first, *rest = (block for block in sheet.blocks if block != Paragraph(study.note))
    assert isinstance(first, Paragraph)
    return Life(study.summary, first.text, replace(sheet, blocks=tuple(rest)))


def deeper(bench: Workbench, asked: Asked) -> tuple[Block, ...]:
    study = bench.study(asked.mode, in_depth=True, units=asked.units)
    if study.depth is None:
        return ()
    return depth_blocks(study.depth, asked.units, figures(study_drawings(study, asked.units)))


def remedies(bench: Workbench, asked: Asked) -> ModeRemedies:
    return bench.remedies(asked.mode, variant=asked.variant)


def plan(bench: Workbench, asked: Asked) -> tuple[Told, ...]:
    def told() -> Told:
        found = bench.planned_mode(asked.mode, variant=asked.variant)
        drawn = figures(mode_drawings(found, asked.units))
        return Told("", planned_mode(found, asked.units, asked.today, drawn))

    return _those(told)


def economy(bench: Workbench, asked: Asked) -> tuple[Told, ...]:
    """Remedies and grades of its component; one way alone has nothing to be held against."""

    def told() -> Told:
        found = bench.economy(bench.book.modes[asked.mode].component, variant=asked.variant)
        drawn = figures(economy_drawings(found, asked.units), "long-run")
        sheet = component_economy(found, asked.units, asked.today, drawn)
        return Told("", sheet, len(found.economy.choices) > 1)

    return _those(told)


def apart(bench: Workbench, asked: Asked) -> tuple[Told, ...]:
    """By revision, grade and variant, where there is more than one."""

    def told(by: str) -> Told:
        found = bench.compare(asked.mode, by, units=asked.units)
        drawings = comparison_drawings(found, asked.units)
        if not found.comparison.different:  # curves that lie on each other tell nothing that the sentence does not
            drawings = tuple(drawing for drawing in drawings if drawing.name != "curves")
        return Told(f"By {by}", compared_lives(found, asked.units, asked.today, figures(drawings)))

    return _those(*(lambda by=by: told(by) for by in WAYS))


def faster(bench: Workbench, asked: Asked) -> tuple[Told, ...]:
    """What makes it age faster, and what it makes age faster."""

    def told(mode: str, by: str) -> Told:
        found = bench.while_present(mode, by)
        drawn = figures(acceleration_drawings(found, asked.units))
        title = f"While “{found.by_name}” is there" if mode == asked.mode else f"What it does to “{found.name}”"
        return Told(title, accelerated_lives(found, asked.units, asked.today, drawn))

    modes = bench.book.modes
    pairs = [(asked.mode, other) for other, entry in modes.items() if asked.mode in entry.accelerates]
    pairs += [(other, asked.mode) for other in modes[asked.mode].accelerates]
    return _those(*(lambda pair=pair: told(*pair) for pair in pairs))


def again(bench: Workbench, asked: Asked) -> tuple[Told, ...]:
    """Repairs on the same vehicle, where there are enough for a trend."""

    def told() -> Told:
        found = bench.repeats(bench.book.modes[asked.mode].component, mode=asked.mode)
        drawn = figures(repeats_drawings(found, asked.units))
        return Told("", repeated_repairs(found, asked.units, asked.today, drawn), found.trend is not None)

    return _those(told)


def readings(bench: Workbench, asked: Asked) -> tuple[Told, ...]:
    """The readings among its signs; of a component with several places those of the first."""
    book = bench.book
    component = book.components[book.modes[asked.mode].component]
    place = component.positions[0] if component.positions else None

    def told(reading: str) -> Told:
        found = bench.drift(reading, mode=asked.mode, position=place)
        drawn = figures(drift_drawings(found, asked.units))
        where = f", {place}" if place else ""
        return Told(f"{found.name}{where}", drifting_reading(found, asked.units, asked.today, drawn))

    names = [name for name in book.modes[asked.mode].observations if book.observations[name].kind == "reading"]
    return _those(*(lambda name=name: told(name) for name in names))


def records(bench: Workbench, asked: Asked) -> tuple[EvidenceLine, ...]:
    """Its failures on record, newest first."""
    return tuple(sorted(bench.failures_on_record(asked.mode), key=lambda line: line.date, reverse=True))


def _those(*questions: Callable[[], Told]) -> tuple[Told, ...]:
    """What can be answered: where records or book determine nothing there is nothing to tell."""
    return tuple(one for one in _answers(questions) if one.worth)


def _answers(questions: tuple[Callable[[], Told], ...]) -> Iterator[Told]:
    for question in questions:
        with suppress(WearloreError):
            yield question()
