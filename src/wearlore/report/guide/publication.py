"""The guide -> what is published for one reader: owners are told what to watch, buyers what to check."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from wearlore.answers.guide import FamilyGuide, Reader, WeakPoint
from wearlore.report.charts import family_drawings, to_svg
from wearlore.report.guide.advice import cautions, checklists, plans
from wearlore.report.guide.document import Chapter, GuideBlock, Publication, words
from wearlore.report.guide.method import SMALL, method
from wearlore.report.guide.weak_point import SEVERITY, weak_point
from wearlore.report.guide.wording import MEASURED, about_money, chances, from_distance, within
from wearlore.report.plan import strategy_in_words
from wearlore.report.sheet import Callout, Column, Figure, Paragraph, Sheet, Table, counted
from wearlore.units import Units

GRAVE = ("stranded", "engine-damage", "injury")
MOST = 8  # weak points named at the beginning
KIND = {"owners": "Owner's guide", "buyers": "Buyer's guide"}
SUBTITLE = {
    "owners": "What to watch, what to do in the same visit, what it costs now and later",
    "buyers": "What to check before the money changes hands, and what it will cost after",
}


def publication(guide: FamilyGuide, reader: Reader, units: Units, made_on: date) -> Publication:
    ordered = in_order(guide, reader)
    chapters = [weak_point(point, guide, reader, units) for point in ordered]
    first = [_in_short(guide, ordered, reader, units), *_stop(guide), *_bands(guide, units)]
    if reader == "buyers":
        first += checklists(guide, units)
    last = plans(guide, units)
    if reader == "owners":
        last += cautions(guide)
    return Publication(
        reader=reader,
        kind=KIND[reader],
        title=guide.family,
        subtitle=SUBTITLE[reader],
        author=guide.author,
        made_on=made_on,
        facts=_facts(guide),
        chapters=(*first, *chapters, *last, method(guide, units)),
        small_print=SMALL,
    )


def in_short(guide: FamilyGuide, reader: Reader, units: Units, made_on: date) -> Sheet:
    """What counts most, as one sheet."""
    ordered = in_order(guide, reader)
    return Sheet(
        kind=KIND[reader],
        title=guide.family,
        made_on=made_on,
        facts=_facts(guide),
        blocks=(
            Paragraph(_lead(guide, ordered), "lead"),
            _most(ordered[:MOST], guide, reader, units),
            Paragraph(_why_these(guide, reader, units), "small"),
        ),
        small_print=SMALL,
    )


def _facts(guide: FamilyGuide) -> tuple[tuple[str, str], ...]:
    failures = sum(point.summary.evidence.failures for point in guide.points)
    return (
        ("Weak points", f"{len(guide.points):,}"),
        ("Vehicles on record", f"{guide.lives.vehicles:,}"),
        ("Failures on record", f"{failures:,}"),
        ("Told of", "; ".join(one.name for one in guide.variants)),
    )


def in_order(guide: FamilyGuide, reader: Reader) -> tuple[WeakPoint, ...]:
    """By the money that each is expected to cost this reader, the most first."""
    return tuple(sorted(guide.points, key=lambda point: (-point.expected[reader], point.mode)))


def _in_short(guide: FamilyGuide, ordered: tuple[WeakPoint, ...], reader: Reader, units: Units) -> Chapter:
    own = guide.owners if reader == "owners" else guide.buyers
    blocks: list[GuideBlock] = [
        *([Paragraph(guide.description)] if guide.description else []),
        Paragraph(_lead(guide, ordered), "lead"),
        *words(own, guide.author, [point.mode for point in guide.points]),
        _most(ordered[:MOST], guide, reader, units),
        Paragraph(_why_these(guide, reader, units), "small"),
    ]
    return Chapter("in-short", "In short", "", "", tuple(blocks))


def _stop(guide: FamilyGuide) -> Iterator[Chapter]:
    """What outranks every chance."""
    if guide.rules:
        said = Paragraph("What follows comes before everything else in this guide, whatever the cause may be.")
        rules = (Callout(rule.signal, rule.name, rule.text) for rule in guide.rules)
        yield Chapter("stop", "When to stop at once", "", "", (said, *rules))


def _lead(guide: FamilyGuide, ordered: tuple[WeakPoint, ...]) -> str:
    counts = {name: sum(point.severity == name for point in guide.points) for name in SEVERITY}
    grave = [f"{count} {SEVERITY[name]}" for name, count in counts.items() if count and name in GRAVE]
    first = "; ".join(within(point.summary.name) for point in ordered[:3])
    told = f"{counted(len(guide.points), 'weak point')} known" + (f": {', '.join(grave)}" if grave else "")
    return f"{told}. What counts most: {first}. {_known(guide)}"


def _known(guide: FamilyGuide) -> str:
    measured = sum(point.summary.record_share >= MEASURED for point in guide.points)
    if not measured:
        return "All of it is judgement more than record so far."
    if measured == len(guide.points):
        return "All of it is known by record more than by judgement."
    return f"{measured} of them are known by record more than by judgement; of the others it says so."


def _most(points: tuple[WeakPoint, ...], guide: FamilyGuide, reader: Reader, units: Units) -> Table:
    last = "Planned for" if reader == "owners" else "Surest look"
    columns = (
        Column("What counts most", wide=True),
        Column("1 in 10 has failed by", wide=True),
        Column(f"Failed by {units.show_distance(guide.used_km)}"),
        Column("When it fails"),
        Column(last, wide=True),
    )
    return Table(columns, tuple(_row(point, reader, units) for point in points))


def _row(point: WeakPoint, reader: Reader, units: Units) -> tuple[str, ...]:
    b10 = point.summary.b10
    money = about_money(point.plan.failure, units) if point.plan else ""
    look = point.looks[0].name if point.looks else "cannot be seen"
    doing = strategy_in_words(point.plan.chosen, units) if point.plan else ""
    return (
        f"{point.summary.name}\n{SEVERITY[point.severity]}",
        from_distance(b10, units).words if b10 else "not known yet",
        chances(point.failed_used) if point.failed_used else "not known yet",
        money,
        doing if reader == "owners" else look,
    )


def _why_these(guide: FamilyGuide, reader: Reader, units: Units) -> str:
    at = guide.horizon if reader == "owners" else guide.used_km
    return (
        f"In the order of the money that they are expected to cost one vehicle: the share failed by "
        f"{units.show_distance(at)}, times the cheapest remedy with all that the failure brings. All chapters stand in "
        "that order."
    )


def _bands(guide: FamilyGuide, units: Units) -> Iterator[Chapter]:
    figures = tuple(Figure(to_svg(one.chart), one.text) for one in family_drawings(guide.lives, units))
    if figures:
        said = Paragraph(
            "A long band is a weak point that strikes early on some and late on others. A band that begins far to the "
            "right leaves you in peace for long. Where the gauge on the right is empty, it is judgement."
        )
        yield Chapter("wear-bands", "What wears when", "", "", (said, *figures))
