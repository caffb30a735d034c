"""The maintenance plan and the buyer's checklist as chapters."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import isfinite

from wearlore.answers.guide import Caution, FamilyGuide, GuideLook, VariantGuide
from wearlore.appraisal import Finding
from wearlore.report.card import SIGNALS
from wearlore.report.guide.document import Chapter, GuideBlock
from wearlore.report.guide.method import END
from wearlore.report.guide.wording import about_money, capital
from wearlore.report.plan import per_distance, told_distance
from wearlore.report.sheet import Bullets, Callout, Column, Line, Paragraph, StepBlock, Table, counted
from wearlore.units import Units, show_share

SHOWN = 5  # findings of one look
LISTED = 14  # looks on one checklist


def plans(guide: FamilyGuide, units: Units) -> list[Chapter]:
    return [
        Chapter(f"plan-{one.variant}", f"Maintenance plan: {_short(one)}", "Plan", one.name, tuple(_plan(one, units)))
        for one in guide.variants
    ]


def _short(one: VariantGuide) -> str:
    """Its name up to the first comma."""
    return one.name.partition(",")[0]


def _plan(one: VariantGuide, units: Units) -> Iterator[GuideBlock]:
    plan = one.plan.plan
    yield Paragraph(
        f"Beside the maker's service schedule, which comes first. All together, with what fails all the same, it costs "
        f"on the mean {about_money(per_distance(plan.grouped, units), units)} per {told_distance(units)}.",
        "lead",
    )
    yield Table((Column("What", wide=True), Column("Because of", wide=True)), tuple(_rows(one, units)))
    if left := sorted(one.plan.names[mode.mode] for mode in plan.modes if mode.chosen.kind == "run-to-failure"):
        yield Paragraph("Left until it fails, since planning for it would cost more than it saves:")
        yield Bullets((", ".join(left),))
    for mode in plan.modes:
        if mode.unheld:
            yield Callout("WARNING", f"No task keeps the risk low: {mode.name}", "Ask the workshop what can be done.")


def _rows(one: VariantGuide, units: Units) -> Iterator[tuple[str, ...]]:
    """Looks by their interval, then renewals by their age."""
    found: dict[tuple[str, float], dict[str, list[str]]] = {}
    for mode in one.plan.plan.modes:
        chosen = mode.chosen
        if isfinite(chosen.every):
            what = chosen.inspection if chosen.kind == "inspect" else mode.remedy
            found.setdefault((chosen.kind, chosen.every), {}).setdefault(what, []).append(one.plan.names[mode.mode])
    for (kind, every), tasks in sorted(found.items()):
        verb = "Look every" if kind == "inspect" else "Renew at"
        yield (f"{verb} {units.show_distance(every)}",)
        for what, modes in tasks.items():
            yield one.plan.names[what], "; ".join(modes)


def checklists(guide: FamilyGuide, units: Units) -> list[Chapter]:
    return [
        Chapter(
            f"checklist-{one.variant}",
            f"Buyer's checklist: {_short(one)}",
            "Checklist",
            one.name,
            tuple(_checklist(one, units)),
        )
        for one in guide.variants
    ]


def _checklist(one: VariantGuide, units: Units) -> Iterator[GuideBlock]:
    looks = one.looks[:LISTED]
    minutes = sum(look.minutes for look in looks)
    yield Paragraph(
        f"{counted(len(looks), 'look')}, {minutes:.0f} minutes, those first that tell most about the money per minute. "
        f"Reckoned for one built in {one.built.year} with {units.show_distance(one.km)} of which nothing is proved: "
        "bills for what was renewed make the finding less likely, and a bargain safer.",
        "lead",
    )
    for caution in gravest_first(caution for look in looks for caution in look.cautions):
        yield Callout(caution.signal, caution.name, caution.text)
    for number, look in enumerate(looks, 1):
        yield _step(number, look, units)


def cautions(guide: FamilyGuide) -> list[Chapter]:
    """Each caution of any remedy in full, once."""
    met = gravest_first(one for point in guide.points for remedy in point.remedies for one in remedy.cautions)
    blocks = tuple(Callout(one.signal, one.name, one.text) for one in met)
    first = Paragraph(
        "Whoever works on the engine reads these first. They stand beside the maker's procedure, local codes and "
        "licensed practice and replace none of them; the job card has each before the step that it belongs to."
    )
    return [Chapter("cautions", "Cautions", END, "", (first, *blocks))] if blocks else []


def gravest_first(met: Iterable[Caution]) -> list[Caution]:
    """Each once."""
    return sorted(dict.fromkeys(met), key=lambda one: SIGNALS.index(one.signal))


def _step(number: int, look: GuideLook, units: Units) -> StepBlock:
    lines = tuple(Line(_finding(one, units)) for one in look.findings[:SHOWN])
    first = (("First", (Line("; ".join(ready)),)),) if (ready := (*look.opens, *look.tools)) else ()
    return StepBlock(number, look.name, f"{look.minutes:.0f} min", (), (), (), (*first, ("Look for", lines)))


def _finding(one: Finding, units: Units) -> str:
    takes = about_money(one.if_not - one.if_there, units)
    return f"{capital(one.about)}: {show_share(one.chance)} of such vehicles; takes {takes} off"
