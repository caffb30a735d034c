"""Job card -> its sheet, for the person who does the work."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from itertools import groupby, takewhile

from wearlore.book.model import Signal
from wearlore.jobcard import (
    Caution,
    JobCard,
    PartLine,
    Shared,
    Step,
    Subject,
    Supply,
    Tightening,
    ToolLine,
)
from wearlore.jobcard.model import Half
from wearlore.report.sheet import (
    Block,
    Bullets,
    Callout,
    Column,
    Heading,
    Line,
    Paragraph,
    Sheet,
    SignOff,
    StepBlock,
    Table,
)
from wearlore.units import Units

STAGES = {
    "warm": "While the engine is warm",
    "strip-down": "Strip-down",
    "remedy": "Remedies",
    "build-up": "Build-up",
    "closing": "Closing checks",
}
MOST_SHARED = 10  # rows of the table of what is done once; the others stand in its last row
SIGNALS: tuple[Signal, ...] = ("DANGER", "WARNING", "CAUTION", "NOTICE")
LEFT_HAND: dict[Half, str] = {
    "off": "clockwise undoes it",
    "on": "anticlockwise tightens it",
    "do": "clockwise undoes it, anticlockwise tightens it",
}
OWNERSHIP = {
    "owned": "in the workshop",
    "hire": "to be hired",
    "buy": "to be bought or borrowed",
    "missing": "to be borrowed",
}


def job_card(card: JobCard, units: Units, made_on: date) -> Sheet:
    """The work instruction: what to have ready, the order of work, cautions, sign-off."""
    return Sheet(
        kind="Job card",
        title=vehicle_title(card.subject),
        made_on=made_on,
        facts=(*subject_facts(card.subject, units), ("Labour", in_hours(card.hours))),
        blocks=(
            Heading("Work in this visit"),
            *_items(card),
            Heading("Cautions"),
            *(_callout(caution) for caution in card.cautions),
            *_hazards(card),
            *_licences(card),
            Heading("To have ready"),
            *_to_have_ready(card, units),
            Heading("Order of work"),
            *_steps(card, units),
            Heading("Sign-off"),
            SignOff(("Work done by", "Torques and closing checks verified by", "Odometer at hand-over")),
        ),
        small_print=card.defers,
    )


def when(condition: object, *blocks: Block) -> tuple[Block, ...]:
    return blocks if condition else ()


def vehicle_title(subject: Subject) -> str:
    return f"{subject.vehicle}, {subject.family}"


def subject_facts(subject: Subject, units: Units) -> tuple[tuple[str, str], ...]:
    return (
        ("Engine", subject.variant),
        ("Built", f"{subject.built:%Y-%m}"),
        ("Odometer", units.show_odometer(subject.km)),
    )


def in_hours(hours: float) -> str:
    return f"{hours:.2f} h"


def _callout(caution: Caution) -> Callout:
    return Callout(caution.signal, caution.name, caution.text)


def _items(card: JobCard) -> Iterator[Block]:
    letters = _letters(card)
    rows = [
        (
            f"{letters[item.title]}: {item.title}"
            + (f"\ncomes with {letters[item.with_item]}" if item.with_item else ""),
            item.component,
            item.grade,
            f"{item.hours_alone:.2f}",
            f"{item.hours:.2f}",
        )
        for item in card.items
    ]
    yield Table(
        (
            Column("Remedy", wide=True),
            Column("Component", wide=True),
            Column("Part grade"),
            Column("Alone, h", "right"),
            Column("Here, h", "right"),
        ),
        (*rows, ("All in one visit", "", "", f"{card.hours_apart:.2f}", f"{card.hours:.2f}")),
        totals=1,
    )
    notes = tuple(f"{item.title}: {item.note}" for item in card.items if item.note)
    yield from when(notes, Bullets(notes))
    if card.shared:
        yield Paragraph(
            f"One visit saves {in_hours(card.hours_saved)}: what several remedies need is done once. "
            "“Here” shares those hours equally."
        )
        yield Table(
            (Column("Done once", wide=True), Column("Needed by"), Column("Saved, h", "right")),
            tuple(_shared(card.shared, letters)),
        )


def _shared(shared: Sequence[Shared], letters: dict[str, str]) -> Iterator[tuple[str, ...]]:
    """What is done once for several remedies, that which saves most first."""
    most = sorted(shared, key=lambda one: -one.saved)
    shown = most if len(most) <= MOST_SHARED + 1 else most[:MOST_SHARED]
    for one in shown:
        yield one.name, _by_letter(one.items, letters), f"{one.saved:.2f}"
    if rest := most[len(shown) :]:
        yield f"{len(rest)} more", "", f"{sum(one.saved for one in rest):.2f}"


def _letters(card: JobCard) -> dict[str, str]:
    """A letter for each remedy, by its title: A to Z, then A2 and on."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    laps = [str(lap) if lap > 1 else "" for lap in range(1, len(card.items) // 26 + 2)]
    names = [letter + lap for lap in laps for letter in alphabet]
    return {item.title: name for item, name in zip(card.items, names, strict=False)}


def _by_letter(items: Sequence[str], letters: dict[str, str]) -> str:
    """``A, C to F, H``: the letters of ``items``, runs of three and more drawn together."""
    places = {name: place for place, name in enumerate(letters.values())}
    runs: list[list[str]] = []
    for name in sorted((letters[item] for item in items), key=places.__getitem__):
        if runs and places[name] == places[runs[-1][-1]] + 1:
            runs[-1].append(name)
        else:
            runs.append([name])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


def _hazards(card: JobCard) -> Iterator[Block]:
    """The hazards of all steps at a glance, gravest first."""
    where: dict[tuple[Signal, str], list[str]] = {}
    for step in card.steps:
        for caution in step.cautions:
            where.setdefault((caution.signal, caution.name), []).append(str(step.number))
    rows = sorted(where.items(), key=lambda row: SIGNALS.index(row[0][0]))
    if rows:
        yield Heading("Hazards of this job", 2)
        yield Table(
            (Column("Signal"), Column("Hazard", wide=True), Column("Steps", "right")),
            tuple((signal, name, ", ".join(steps)) for (signal, name), steps in rows),
        )


def _licences(card: JobCard) -> Iterator[Block]:
    licensed = tuple(
        f"Step {step.number}, {step.title}: {step.licensed}"
        for step in card.steps
        if step.licensed and step.half != "on"
    )
    yield from when(licensed, Heading("Licensed work", 2), Bullets(licensed))
    yield from when(card.procedures, Heading("Maker's procedures to follow", 2), Bullets(card.procedures))


def _to_have_ready(card: JobCard, units: Units) -> Iterator[Block]:
    if card.parts:
        yield Heading("Parts", 2)
        yield Table(
            (
                Column("Qty", "right"),
                Column("Part", wide=True),
                Column("Number"),
                Column("Grade"),
                Column("Why", wide=True),
                Column(f"Each, {units.currency}", "right"),
            ),
            tuple(
                (
                    f"{line.quantity:g}",
                    line.name + (f"\nrevision {line.revision}" if line.revision else ""),
                    line.number or "not in the book",
                    line.grade,
                    _why(line),
                    f"{line.price:,.2f}" if line.number else "",
                )
                for line in card.parts
            ),
        )
    if card.consumables:
        yield Heading("Fluids, sealants and cleaners", 2)
        yield Table(
            (Column("Quantity", "right"), Column("What", wide=True), Column("Note", wide=True)),
            tuple(
                (f"{line.quantity:g} {line.unit}", line.name, "; ".join(filter(None, (_sae(line.sae), line.note))))
                for line in card.consumables
            ),
        )
    if card.tools:
        yield Heading("Special tools", 2)
        yield Table(
            (Column("Tool", wide=True), Column("Where"), Column("Steps", "right")),
            tuple((tool.name, _where(tool, units), ", ".join(map(str, tool.steps))) for tool in card.tools),
        )


def _sae(grade: str) -> str:
    return f"SAE {grade}" if grade else ""


def _why(line: PartLine) -> str:
    words = {"remedy": "", "spoiled": "spoiled by: ", "one-time use": "one-time use: "}
    return "\n".join(dict.fromkeys(words[need.kind] + need.by for need in line.needs))


def _where(tool: ToolLine, units: Units) -> str:
    charge = f", {units.show_price(tool.charge)}" if tool.charge else ""
    return OWNERSHIP[tool.ownership] + charge


def _steps(card: JobCard, units: Units) -> Iterator[Block]:
    letters = _letters(card)
    numbers: dict[str, str] = {}
    for line in card.parts:
        numbers[line.part] = " or ".join(filter(None, (numbers.get(line.part), line.number)))
    cautions = _cautions(card.steps)
    for stage, steps in groupby(card.steps, key=lambda step: step.stage):
        yield Heading(STAGES[stage], 2)
        for step in steps:
            yield _step(step, cautions[step.number], units, numbers, letters)


def _cautions(steps: Sequence[Step]) -> dict[int, tuple[Callout, ...]]:
    """What stands before each step: a caution once before steps in a row that share it, saying up to which it holds."""
    shown: dict[int, tuple[Callout, ...]] = {}
    before: tuple[Caution, ...] = ()
    for at, step in enumerate(steps):
        shown[step.number] = tuple(_held(caution, steps[at:]) for caution in step.cautions if caution not in before)
        before = step.cautions
    return shown


def _held(caution: Caution, steps: Sequence[Step]) -> Callout:
    """The caution before the first of ``steps``, with the last of them up to which it holds without a break."""
    last = [step.number for step in takewhile(lambda step: caution in step.cautions, steps)][-1]
    held = f" (steps {steps[0].number} to {last})" if last > steps[0].number else ""
    return Callout(caution.signal, caution.name + held, caution.text)


def _step(
    step: Step, cautions: tuple[Callout, ...], units: Units, numbers: dict[str, str], letters: dict[str, str]
) -> StepBlock:
    named = len(letters) > 1 and step.half != "on"
    details = (
        ("Licensed work", (Line("", (step.licensed,)),) if step.licensed else ()),
        ("Maker's procedure", (Line(step.procedure),) if step.procedure else ()),
        ("Special tool", tuple(Line(tool) for tool in step.tools)),
        ("New parts", tuple(Line(_supply(supply, numbers.get(supply.id, ""))) for supply in step.parts)),
        ("Use", tuple(Line(_supply(supply)) for supply in step.consumables)),
        (
            "Undo" if step.half == "off" else "Tighten",
            tuple(_tightening(fastener, units, step.half) for fastener in step.fasteners),
        ),
        ("For", (Line(_by_letter(step.items, letters)),) if named and step.items else ()),
    )
    return StepBlock(
        number=step.number,
        title=step.title,
        time=in_hours(step.hours) if step.hours else "",
        tags=(f"engine {step.state}",) if step.state != "any" and step.half != "wait" else (),
        cautions=cautions,
        instructions=step.instructions,
        details=tuple((label, lines) for label, lines in details if lines),
    )


def _supply(supply: Supply, number: str = "") -> str:
    quantity = f"{supply.quantity:g} {supply.unit}" if supply.unit else f"{supply.quantity:g} ×"
    return f"{quantity} {supply.name}" + (f", {number}" if number else "")


def _tightening(fastener: Tightening, units: Units, half: Half) -> Line:
    """``6 × pump bolts, M8 10.9: 20 N·m, then 90°``, flagged when its thread is left-hand or it serves once."""
    size = " ".join(filter(None, (fastener.size, fastener.property_class)))
    text = f"{fastener.count} × {fastener.name}" + (f", {size}" if size else "")
    stages = [units.show_torque(torque) for torque in fastener.torque] + [f"{angle:g}°" for angle in fastener.angles]
    if stages:
        text += f": {', then '.join(stages)}"
    flags = []
    if fastener.left_hand:
        flags.append(f"LEFT-HAND THREAD: {LEFT_HAND[half]}")
    if fastener.one_time_use:
        flags.append("ONE-TIME USE: " + ("discard" if half == "off" else "fit new"))
    return Line(text, tuple(flags))
