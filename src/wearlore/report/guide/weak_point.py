"""One weak point -> its chapter: the same facts, in the order that matters to the reader."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import inf

from wearlore.answers.guide import Difference, FamilyGuide, Reader, RemedyTold, WeakPoint
from wearlore.estimate import Estimate
from wearlore.report.card import SIGNALS
from wearlore.report.guide.document import Chapter, Facts, GuideBlock, words
from wearlore.report.guide.figure import life_figure
from wearlore.report.guide.wording import (
    about_money,
    basis,
    capital,
    chances,
    difference,
    from_distance,
    how_common,
    money_between,
    saves,
    verdict,
    within,
)
from wearlore.report.plan import per_distance, strategy_in_words, told_distance
from wearlore.report.sheet import Bullets, Callout, Column, Heading, Paragraph, Table
from wearlore.units import Units, show_share

SEVERITY = {
    "nuisance": "a nuisance",
    "degraded": "runs worse",
    "stranded": "can leave you standing",
    "engine-damage": "can damage the engine",
    "injury": "can hurt somebody",
}
CAUSE = {
    "wear": "wear: the older, the likelier",
    "random": "chance: at any age alike",
    "outside": "from outside: a stone, a wrong fuel",
}
LIKELY = 0.3  # chance from which a sign is told first
SIGNS, LOOKS = 7, 3


def weak_point(point: WeakPoint, guide: FamilyGuide, reader: Reader, units: Units) -> Chapter:
    sections = [_signs(point), _money(point, units), _causes(point), _remedies(point, units)]
    if reader == "owners":
        sections.append(_work(point))
    chapters = [one.mode for one in guide.points]
    return Chapter(
        anchor=point.mode,
        title=capital(point.summary.name),
        group="Weak points",
        kicker=f"{capital(point.summary.system)}, {SEVERITY[point.severity]}",
        blocks=(
            Paragraph(headline(point, units), "lead"),
            *(Callout(rule.signal, rule.name, rule.text) for rule in point.rules),
            Facts(tuple(_facts(point))),
            *words(point.told, guide.author, chapters),
            *life_figure(point, units),
            Paragraph(_evidence(point, units), "small"),
            *(block for section in sections for block in section),
        ),
    )


def headline(point: WeakPoint, units: Units) -> str:
    """How common, and from what distance: two claims, each no stronger than its interval."""
    b10 = point.summary.b10
    if b10 is None or not point.failed:
        return "Nobody knows yet when it comes: there is neither a record nor a judgement."
    told = "; ".join(
        f"by {units.show_distance(km)} {how_common(failed).words} ({chances(failed)})" for km, failed in point.failed
    )
    return f"1 in 10 has failed by {_by(from_distance(b10, units).words)}. {capital(told)}."


def _by(claim: str) -> str:
    """After "by": a claim that begins with "not before" or "somewhere" is told as such."""
    if claim.startswith("we do not know"):
        return f"a distance that is not known yet ({claim})"
    return f"a distance {claim}" if claim.startswith(("between", "somewhere", "not before")) else claim


def _facts(point: WeakPoint) -> Iterator[tuple[str, str]]:
    yield "Piece", point.called
    yield "Where it sits", point.where + (f" ({', '.join(point.positions)})" if point.positions else "")
    yield "Makes itself known", "yes" if point.summary.noticed == "evident" else "no: only to those who look"
    yield "Comes by", CAUSE[point.cause]
    if point.only_on:
        yield "Only on", "; ".join(point.only_on)


def _evidence(point: WeakPoint, units: Units) -> str:
    said = f"Rests on: {basis(point.summary)}."
    if point.course is None:
        return said
    drawn = "teal: measured" if point.summary.record_share >= 0.5 else "amber: judgement more than record"
    steps = ", steps: the records alone" if point.course.record else ""
    share = point.summary.record_share
    told = f" {show_share(share)} of it is record." if share else ""
    return f"{said} In the figure {drawn}, with 95 % of what is possible{steps}.{told}"


# sections ------------------------------------------------------------------------------------------------------------


def _signs(point: WeakPoint) -> Iterator[GuideBlock]:
    yield Heading("How it shows itself", 2)
    if not point.signs:
        yield Paragraph("It has no sign that anybody has written down yet.")
    else:
        yield Bullets(tuple(_sign(one.name, one.code, one.chance) for one in point.signs[:SIGNS]))
    if point.looks:
        told = "; ".join(f"{one.name} ({one.minutes:.0f} min)" for one in point.looks[:LOOKS])
        yield Paragraph(f"How to look, the surest first: {told}.")


def _sign(name: str, code: str, chance: float) -> str:
    how_often = "often" if chance >= LIKELY else "now and then"
    return f"{capital(name)}{f' ({code})' if code else ''}: {how_often}, {show_share(chance)} of cases by judgement"


def _causes(point: WeakPoint) -> Iterator[GuideBlock]:
    told = [
        *(
            f"{capital(one.name)}: ages it {one.factor:g} times as fast while it is there (judgement)."
            for one in point.worse
        ),
        *(
            f"Left alone it ages another: {within(one.name)}, {one.factor:g} times as fast (judgement)."
            for one in point.brings
        ),
        *(f"Revision {name} no longer has it{f': {note}' if note else ''}." for name, note in point.without),
        *(
            f"{difference(one)}{f'. {capital(one.note)}' if one.note else ''}."
            for one in point.differences
            if _tells(one)
        ),
        *([point.note] if point.note else []),
    ]
    if told:
        yield Heading("What makes it better or worse", 2)
        yield Bullets(tuple(dict.fromkeys(told)))


def _difference(one: Difference) -> str:
    note = f" {capital(one.note)}." if one.note else ""
    return f"{difference(one)}.{note}"


def _tells(one: Difference) -> bool:
    """Whether it is worth a line: it says something, or a reader would ask (a revised part, a cheaper grade)."""
    return verdict(one) != "not shown" or one.by in ("revision", "grade")


def _remedies(point: WeakPoint, units: Units) -> Iterator[GuideBlock]:
    yield Heading("What is done about it", 2)
    if not point.remedies:
        yield Paragraph("The book has no remedy that can be had here.")
        return
    columns = (Column("Remedy", wide=True), Column("Hours", "right"), Column(f"{units.currency}, before tax", "right"))
    yield Table(columns, tuple(_remedy(one) for one in point.remedies))
    yield from _same_visit(point.remedies)


def _work(point: WeakPoint) -> Iterator[GuideBlock]:
    """What the cheapest remedy takes, and the cautions of all: each is told in full in a chapter of its own."""
    if not point.remedies:
        return
    yield Bullets(tuple(_to_have_ready(point.remedies[0], several=len(point.remedies) > 1)))
    met = dict.fromkeys(caution for remedy in point.remedies for caution in remedy.cautions)
    rows = [(signal, "; ".join(one.name for one in met if one.signal == signal)) for signal in SIGNALS]
    if met:
        columns = (Column("Cautions"), Column("Each told in full under “Cautions” at the end", wide=True))
        yield Table(columns, tuple(row for row in rows if row[1]))


def _remedy(one: RemedyTold) -> tuple[str, ...]:
    notes = [one.note] if one.note else []
    if one.kind == "clean":
        notes.insert(0, f"cleans: gives back {show_share(one.effect or 0.0)} of the age")
    if one.kind == "guard":
        notes.insert(0, f"guards: lets through {show_share(one.effect or 0.0)} of what strikes")
    if one.companions:
        notes.append(f"always with: {', '.join(one.companions)}")
    name = "\n".join([one.name, "; ".join(notes)]) if notes else one.name
    return name, f"{one.hours:.1f}", f"{10 * round(one.price / 10):,}"


def _same_visit(remedies: Sequence[RemedyTold]) -> Iterator[GuideBlock]:
    near = next((one.same_visit for one in remedies if one.same_visit), ())
    if near:
        told = "; ".join(f"{one.name} ({one.hours:.1f} of {one.alone:.1f} h)" for one in near)
        yield Paragraph(f"In the same visit, since so much is open already: {told}.")


def _to_have_ready(usual: RemedyTold, *, several: bool) -> Iterator[str]:
    of = f" for “{usual.name}”" if several else ""
    if once := [f"{bit.quantity:g} × {bit.name}" for bit in usual.bits if bit.once]:
        yield f"Renewed whatever they look like{of}: {', '.join(once)}"
    if tools := [f"{tool.name}{_had(tool.ownership)}" for tool in usual.tools]:
        yield f"Special tools{of}: {', '.join(tools)}"
    if usual.left_to:
        yield f"Left to the licensed trade: {', '.join(usual.left_to)}"
    yield "Torques, order and limits are the maker's: follow the maker's procedure" + (
        f" ({'; '.join(usual.procedures)})" if usual.procedures else ""
    )


def _had(ownership: str) -> str:
    return {"owned": "", "hire": " (on hire)", "buy": " (to buy)", "missing": " (hard to come by)"}[ownership]


def _money(point: WeakPoint, units: Units) -> Iterator[GuideBlock]:
    plan = point.plan
    if plan is None:
        return
    yield Heading("What it costs, now and later", 2)
    pieces = f" for each of {len(plan.units)} pieces" if len(plan.units) > 1 else ""
    stops = (
        f" {show_share(point.stranded)} of failures stop the vehicle where it is (judgement)." if point.stranded else ""
    )
    yield Paragraph(
        f"Renewed in time, at a service: {about_money(plan.planned, units)}{pieces}. Left until it fails: "
        f"{about_money(plan.failure, units)}{pieces}, with all that the failure brings on the mean.{stops}"
    )
    waiting = next((one for one in plan.options if one.kind == "run-to-failure"), None)
    per = told_distance(units)
    chosen = plan.chosen
    span = money_between(_per(chosen.cost, units), units)
    if chosen.kind == "run-to-failure" or waiting is None or chosen.every == inf:
        yield Paragraph(f"Planned for: wait until it fails. In the long run that costs {span} per {per}.")
        return
    later = money_between(_per(waiting.cost, units), units)
    yield Paragraph(
        f"Planned for: {strategy_in_words(chosen, units)}, {span} per {per} in the long run; waiting costs {later}. "
        f"{saves(plan)}"
    )


def _per(cost: Estimate, units: Units) -> Estimate:
    low, value, high = (per_distance(x, units) for x in (cost.low, cost.value, cost.high))
    return replace(cost, value=value, low=low, high=high)
