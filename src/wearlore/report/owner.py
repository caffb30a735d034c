"""Estimate and owner's page -> their sheets, for the owner of the vehicle."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from itertools import groupby

from wearlore.estimate import Estimate
from wearlore.jobcard import CustomerEstimate, EstimateLine, OwnerPage, Reason
from wearlore.report.card import in_hours, subject_facts, vehicle_title, when
from wearlore.report.sheet import Advice, Block, Bullets, Column, Heading, Paragraph, Sheet, SignOff, Table
from wearlore.units import Units, show_share

KINDS = {
    "labour": "Labour",
    "part": "Parts",
    "consumable": "Fluids, sealants and cleaners",
    "hire": "Tool hire",
    "fixed": "Visit charge",
}


def estimate(priced: CustomerEstimate, units: Units, made_on: date) -> Sheet:
    """The customer's price, line by line."""
    return Sheet(
        kind="Estimate",
        title=vehicle_title(priced.subject),
        made_on=made_on,
        facts=(*subject_facts(priced.subject, units), ("Total", units.show_price(priced.total))),
        blocks=(
            Table(
                (
                    Column("Item", wide=True),
                    Column("Quantity", "right"),
                    Column(f"Price, {units.currency}", "right"),
                    Column(f"Amount, {units.currency}", "right"),
                ),
                tuple(_priced_rows(priced)),
                totals=3 if priced.tax_rate else 1,
            ),
            *_saved(priced, units),
            Heading("Approval"),
            SignOff(
                ("Approved by the owner", "For the workshop"),
                "This is an estimate, not a bill: it holds for the work listed. Work found necessary beyond it is "
                "priced and agreed before it is done.",
            ),
        ),
    )


def owner_page(page: OwnerPage, units: Units, made_on: date) -> Sheet:
    """What the owner of the vehicle is told, in plain words."""
    priced = page.estimate
    horizon = units.show_distance(page.horizon_km)
    return Sheet(
        kind="For the owner",
        title=vehicle_title(page.subject),
        made_on=made_on,
        facts=subject_facts(page.subject, units),
        blocks=(
            *when(page.found, Heading("What was found"), Bullets(page.found)),
            *when(page.advised, Heading("What we advise now"), *(_advised(reason, units) for reason in page.advised)),
            *when(page.waiting, Heading("What can wait"), *(_waiting(reason, units) for reason in page.waiting)),
            Heading("What it costs"),
            Table(
                (Column("", wide=True), Column(units.currency, "right")),
                tuple(_cost_rows(priced)),
                totals=3 if priced.tax_rate else 1,
            ),
            *when(
                [reason for reason in (*page.advised, *page.waiting) if reason.chance is not None],
                Paragraph(
                    f"Chances are for the next {horizon}, if the piece is left as it is. They come from records of "
                    "other vehicles of this kind and from experience; a single vehicle may do better or worse. "
                    "Amounts beside single items are without tax.",
                    "small",
                ),
            ),
        ),
        small_print="What is advised rests on what was seen on the day named above. "
        "A new noise, leak, smell or warning lamp changes it: have it looked at, and stop for a red one.",
    )


def _by_kind(priced: CustomerEstimate) -> Iterator[tuple[str, list[EstimateLine]]]:
    for kind, lines in groupby(priced.lines, key=lambda line: line.kind):
        yield KINDS[kind], list(lines)


def _priced_rows(priced: CustomerEstimate) -> Iterator[tuple[str, ...]]:
    for kind, lines in _by_kind(priced):
        yield (kind,)
        for line in lines:
            quantity = f"{line.quantity:.2f} h" if line.unit == "h" else f"{line.quantity:g} {line.unit}".strip()
            yield line.text, quantity, f"{line.price:,.2f}", f"{line.amount:,.2f}"
    yield from ((text, "", "", amount) for text, amount in _sums(priced))


def _cost_rows(priced: CustomerEstimate) -> Iterator[tuple[str, ...]]:
    for kind, lines in _by_kind(priced):
        hours = f", {in_hours(priced.hours)}" if lines[0].kind == "labour" else ""
        yield kind + hours, f"{sum(line.amount for line in lines):,.2f}"
    yield from _sums(priced)


def _sums(priced: CustomerEstimate) -> Iterator[tuple[str, str]]:
    if priced.tax_rate:
        yield "Without tax", f"{priced.subtotal:,.2f}"
        yield f"Tax, {100 * priced.tax_rate:g} %", f"{priced.tax:,.2f}"
    yield "Total", f"{priced.total:,.2f}"


def _saved(priced: CustomerEstimate, units: Units) -> Iterator[Block]:
    if priced.hours_saved > 0.005:
        worth = units.show_money(priced.hours_saved * priced.labour_rate)
        yield Paragraph(
            f"Doing this in one visit saves {in_hours(priced.hours_saved)} of labour, about {worth}: work that several "
            "items need is done and charged once, shared equally between them."
        )


def _chance(chance: float | Estimate) -> str:
    if isinstance(chance, Estimate):
        return f"{show_share(chance.value)} ({show_share(chance.low)} to {show_share(chance.high)})"
    return show_share(chance)


def _reason_facts(reason: Reason, units: Units, words: Sequence[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    values = {
        "now": None if reason.cost_now is None else units.show_money(reason.cost_now),
        "later": None if reason.cost_later is None else units.show_money(reason.cost_later),
        "chance": None if reason.chance is None else _chance(reason.chance),
        "until": None if reason.wait_until_km is None else units.show_distance(reason.wait_until_km),
    }
    return tuple((label, value) for label, key in words if (value := values[key]) is not None)


def _advised(reason: Reason, units: Units) -> Advice:
    words = (("Done now", "now"), ("If left, on average", "later"), ("Chance of needing it", "chance"))
    return Advice(reason.unit, reason.sentence, _reason_facts(reason, units, words))


def _waiting(reason: Reason, units: Units) -> Advice:
    words = (
        ("Can wait until about", "until"),
        ("Chance of needing it", "chance"),
        ("If left, on average", "later"),
        ("Done now it would add", "now"),
    )
    return Advice(reason.unit, reason.sentence, _reason_facts(reason, units, words))
