"""What the book says of a weak point, in the words and shapes of its page: facts, figures, signs, looks, records."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from pathlib import PurePath
from urllib.parse import quote

from wearlore.answers import ModeSummary
from wearlore.answers.remedies import ModeRemedies, RemedyAlone
from wearlore.book.model import Book, Hazard, Observation
from wearlore.estimate import Estimate
from wearlore.records.summary import EvidenceLine
from wearlore.report.bands import consequence
from wearlore.report.card import SIGNALS
from wearlore.report.sheet import Block, Callout, Column, Paragraph, Table, counted, counted_lives
from wearlore.units import Units, show_share

LISTED = 100  # failures on record that the page lists
CAUSES = {"wear": "wear: more often with age", "random": "chance: at any age", "outside": "from outside"}
KINDS = {"level-loss": "level loss", "code": "trouble code"}
Pairs = list[tuple[str, str]]


def facts(book: Book, mode: str, units: Units) -> Pairs:
    """What it is and what it brings."""
    entry = book.modes[mode]
    component, brings = book.components[entry.component], entry.consequence
    said: Pairs = [
        ("Component", component.name),
        ("System", component.system),
        ("Noticed", "at once" if entry.noticed == "evident" else "only when looked for"),
        ("Consequence", _consequence(book, mode, units)),
        ("Cause", CAUSES[entry.cause]),
    ]
    if brings.stranded:
        said.append(("Stops where it is", f"{show_share(brings.stranded)} of failures"))
    able = list(book.variants_with(mode))
    if len(able) < len(book.variants):
        said.append(("Only on", ", ".join(able)))
    if entry.revisions:
        said.append(("Only revision", ", ".join(entry.revisions)))
    return said


def _consequence(book: Book, mode: str, units: Units) -> str:
    brings = book.modes[mode].consequence
    beyond = f", {units.show_money(brings.cost)} beyond the repair" if brings.cost else ""
    return f"{consequence(brings.severity)}{f' ({brings.note})' if brings.note else ''}{beyond}"


def figures_told(row: ModeSummary, units: Units) -> Pairs:
    """What the sentence on 1 in 10 and half leaves open: 9 in 10, and on what all of it rests."""
    far = _within(row.b90, row.b50)
    said = [("9 in 10 failed by", units.show_estimate(far))] if far else []
    evidence = row.evidence
    known = f"{counted(evidence.failures, 'failure')} in {counted_lives(evidence.lives)}"
    on = f" on {counted(evidence.vehicles, 'vehicle')}" if evidence.vehicles else ""
    said.append(("On record", f"{known}{on}" if evidence.lives else "nothing yet"))
    said.append(("Rests on", f"{show_share(row.record_share)} record, {show_share(1 - row.record_share)} judgement"))
    return said


def _within(far: Estimate | None, middle: Estimate | None) -> Estimate | None:
    """None for a distance that no vehicle reaches."""
    return far if far and middle and far.value < 5 * middle.value else None


# signs ---------------------------------------------------------------------------------------------------------------


def rules_of(book: Book, mode: str) -> tuple[Block, ...]:
    """What must be done at once when one of its signs is seen."""
    signs = book.modes[mode].observations
    return tuple(
        Callout(rule.signal, rule.name, rule.text) for rule in book.rules.values() if any(o in signs for o in rule.when)
    )


def signs_listed(book: Book, mode: str) -> str:
    """Its signs, the usual ones first, each with how often it brings it about."""
    signs = sorted(book.modes[mode].observations.items(), key=lambda sign: -sign[1])
    return f'<ul class="signs">{"".join(_sign(book.observations[name], share) for name, share in signs)}</ul>'


def _sign(seen: Observation, share: float) -> str:
    kind = KINDS.get(seen.kind, seen.kind)
    beside = ", ".join(filter(None, (f"{kind} {seen.code}" if seen.code else kind, seen.circumstance)))
    return (
        f'<li><span class="often" style="--share:{100 * share:.0f}%"><b>{100 * share:.0f}</b></span>'
        f"<span>{escape(seen.name)} <small>{escape(beside)}</small></span></li>"
    )


def looks_block(book: Book, mode: str) -> tuple[Block, ...]:
    """The inspections that show it, the surest first."""
    rows = sorted(_looks(book, mode), key=lambda look: -look[0])
    columns = (
        Column("Inspection", wide=True),
        Column("Minutes", "right"),
        Column("Shows"),
        Column("Seen when there", "right"),
    )
    return (Table(columns, tuple(row for _, row in rows)),) if rows else ()


def _looks(book: Book, mode: str) -> Iterator[tuple[float, tuple[str, ...]]]:
    signs = book.modes[mode].observations
    for inspection in book.inspections.values():
        if (direct := inspection.tells.get(mode)) is not None:
            what, sees = "the fault itself", direct.sensitivity
        elif shown := [name for name in inspection.observes if name in signs]:
            usual = max(shown, key=lambda name: signs[name])
            what, sees = book.observations[usual].name, inspection.observes[usual].sensitivity
        else:
            continue
        yield sees, (inspection.name, f"{inspection.minutes:g}", what, f"in {100 * sees:.0f} of 100")


# remedies ------------------------------------------------------------------------------------------------------------


def remedy_told(ways: Sequence[RemedyAlone], units: Units) -> Iterator[Block]:
    """One remedy: what it does, what goes with it, and its money in parts of each grade."""
    first = ways[0]
    said = [*_does(first), f"takes {first.hours:.1f} h"]
    said += [f"always with it: {', '.join(first.companions)}"] if first.companions else []
    yield Paragraph("; ".join(said).capitalize() + ".")
    if first.note:
        yield Paragraph(f"{first.note[:1].upper()}{first.note[1:]}.")
    graded = first.grade is not None
    columns = (
        Column("Part" if graded else "", wide=True),
        Column(f"Part, {units.currency}", "right"),
        Column(f"Visit, {units.currency}", "right"),
    )
    rows = tuple((_part(way), f"{way.parts:,.0f}", f"{way.money:,.0f}") for way in ways)
    yield Table(columns, rows)
    missing = f" Not to be had here: {', '.join(first.missing)}." if first.missing else ""
    tools = f"Special tools: {', '.join(first.tools)}.{missing}" if first.tools else ""
    procedure = f"The maker's procedure: {first.procedure}." if first.procedure else ""
    if beside := " ".join(filter(None, (tools, procedure))):
        yield Paragraph(beside, "small")


def _does(way: RemedyAlone) -> Iterator[str]:
    if way.restores is not None:
        yield f"gives back {show_share(way.restores)} of its age and renews nothing"
    elif way.lowers is not None:
        yield f"lets it happen {way.lowers:g} times as often and renews nothing"
    else:
        yield "renews it"


def _part(way: RemedyAlone) -> str:
    return f"{way.grade}{f', revision {way.revision}' if way.revision else ''}" if way.grade else "no part that ages"


def cautions_of(book: Book, told: ModeRemedies) -> tuple[Table, Table]:
    """Of all work that its remedies bring, once each: those of danger, and the others."""
    work = [book.operations[id_.partition("@")[0]] for way in told.ways for id_ in way.operations]
    names = dict.fromkeys(
        name for each in work for name in (*each.hazards, *(each.refit.hazards if each.refit else ()))
    )
    hazards = sorted((book.hazards[name] for name in names), key=lambda hazard: SIGNALS.index(hazard.signal))
    grave, others = [each for each in hazards if each.signal == "DANGER"], [h for h in hazards if h.signal != "DANGER"]
    return _cautions(grave), _cautions(others)


def _cautions(hazards: Sequence[Hazard]) -> Table:
    columns = Column("Caution"), Column("The maker's procedure comes first", wide=True)
    return Table(columns, tuple((hazard.signal, f"{hazard.name}\n{hazard.caution}") for hazard in hazards))


# records -------------------------------------------------------------------------------------------------------------


def failures_listed(lines: Sequence[EvidenceLine], units: Units) -> str:
    """The newest failures on record, each with the vehicle's page and the line it was read from."""
    heads = ("Vehicle", "Date", "Odometer", "Done", "Text", "File and line")
    head = "".join(f'<th scope="col">{name}</th>' for name in heads)
    rows = "".join(_failure(line, heads, units) for line in lines[:LISTED])
    return (
        '<div class="scroll" tabindex="0" role="region" aria-label="Failures on record"><table class="many">'
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _failure(line: EvidenceLine, heads: Sequence[str], units: Units) -> str:
    vehicle = f'<a href="/vehicles/{quote(line.vehicle, safe="")}">{escape(line.vehicle)}</a>'
    place = f"{PurePath(line.file).name}:{line.line}"
    said = (line.date.isoformat(), units.show_odometer(line.km), line.action, line.text, place)
    cells = [vehicle, *(escape(each) for each in said)]
    classes = ("key", *("" if cell else "empty" for cell in cells[1:]))
    told = (
        f'<td class="{name}" data-label="{head}"><span>{cell}</span></td>'
        for name, head, cell in zip(classes, heads, cells, strict=True)
    )
    return f"<tr>{''.join(told)}</tr>"
