"""An appraisal -> one page to take along: boxes to tick, minutes, what to look for, what it does to the price.

As many looks stand on it as one A4 page holds, in their order; heights are reckoned from the words, on the safe side.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from math import ceil

from wearlore.answers import Appraisal, BuyersLook
from wearlore.report.appraisal import called, money, offer_in_words, rules, sure_in_words, title, worth_listing
from wearlore.report.card import SIGNALS
from wearlore.report.sheet import Block, Bullets, Callout, Line, Paragraph, Sheet, StepBlock
from wearlore.units import Units

PAGE = 715.0  # points between the margins of A4
HEAD, SMALL_PRINT = 98.0, 42.0
WIDE, BESIDE = 92, 76  # characters of a line across the page, and of one beside its label
SHOWN = 3  # findings of a look
UNSEEN = 3  # faults named at the end
SMALL = (
    "Beside each finding, {currency}: what the vehicle is worth after it, against one that was kept well. "
    "Decides: alone it turns whether to buy at the asking price."
)


def checklist(found: Appraisal, units: Units, made_on: date) -> Sheet:
    """The looks that fit into the time there is and onto the page."""
    stops, end = rules(found), tuple(_end(found, units))
    looks = [look for look in worth_listing(found) if look.within]
    while True:
        blocks = (*stops, *_begin(found, looks, units), *_steps(looks, units), *end)
        if len(looks) <= 1 or HEAD + SMALL_PRINT + sum(map(_height, blocks)) <= PAGE:
            break
        looks.pop()
    facts = (
        ("Asking price", units.show_money(found.price)),
        ("Even now", money(found.even.even.value, units)),
        ("Offer up to", money(max(found.even.offer, 0.0), units)),
        ("Better at the asking price", sure_in_words(found.even.sure)),
        ("Minutes", f"{sum(look.minutes for look in looks):.0f}"),
    )
    return Sheet(
        "Buyer's checklist", title(found, units), made_on, facts, blocks, SMALL.format(currency=units.currency)
    )


def _begin(found: Appraisal, looks: Sequence[BuyersLook], units: Units) -> Iterator[Block]:
    yield Paragraph(offer_in_words(found, units))
    cautions = dict.fromkeys(caution for look in looks for caution in look.cautions)
    ordered = sorted(cautions, key=lambda caution: SIGNALS.index(caution[1]))
    if ordered:
        yield Bullets(tuple(f"{signal}, {name.lower()}: {text}" for name, signal, text in ordered))


def _steps(looks: Sequence[BuyersLook], units: Units) -> Iterator[StepBlock]:
    for number, look in enumerate(looks, 1):
        yield StepBlock(
            number, look.name, f"{look.minutes:.0f} min", (), (), (), (*_prepare(look), *_look_for(look, units))
        )


def _prepare(look: BuyersLook) -> Iterator[tuple[str, tuple[Line, ...]]]:
    if first := [*look.opens, *look.tools]:
        yield "First", (Line("; ".join(first)),)


def _look_for(look: BuyersLook, units: Units) -> Iterator[tuple[str, tuple[Line, ...]]]:
    lines = tuple(
        Line(
            f"{finding.about}: {round(finding.if_there):,} if there, {round(finding.if_not):,} if not",
            ("decides",) if finding.changes else (),
        )
        for finding in look.findings[:SHOWN]
    )
    yield "Look for", lines


def _end(found: Appraisal, units: Units) -> Iterator[Block]:
    unseen = [f"{called(fault)} ({money(fault.cost, units)})" for fault in found.unseen if fault.expected >= 1][:UNSEEN]
    if unseen:
        yield Paragraph(f"Not to be seen without dismantling, and what it takes off: {'; '.join(unseen)}.", "small")


def _height(block: Block) -> float:
    """Points, reckoned high."""
    match block:
        case Callout(_, name, text):
            return 16.0 + 13.0 * (_lines(name, 74) + _lines(text, 74))
        case Paragraph(text):
            return 10.0 + 13.0 * _lines(text, WIDE)
        case Bullets(items):
            return 6.0 + sum(14.0 * _lines(item, WIDE - 4) for item in items)
        case StepBlock(_, name, _, _, _, _, details):
            lines = sum(_lines(_with_flags(line), BESIDE) for _, each in details for line in each)
            return 12.0 + 12.5 * _lines(name, 58) + 11.8 * lines
    raise TypeError(f"no height of {type(block).__name__}")


def _with_flags(line: Line) -> str:
    return " ".join((line.text, *(f"[ {flag} ]" for flag in line.flags)))


def _lines(text: str, width: int) -> int:
    return max(1, ceil(len(text) / width))
