"""Estimate and owner's page -> their sheets, for the owner of the vehicle."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Literal

from wearlore.estimate import Estimate
from wearlore.jobcard import CustomerEstimate, EstimateLine, OwnerPage, Reason
from wearlore.report.card import in_hours, subject_facts, vehicle_title, when
from wearlore.report.sheet import Block, Bullets, Column, Heading, Paragraph, Sheet, SignOff, Table
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
            *when(page.advised, Heading("What we advise now"), _reasons(page.advised, ADVISED, units)),
            *when(page.waiting, Heading("What can wait"), _reasons(page.waiting, WAITING, units)),
            Heading("What it costs"),
            Table(
                (Column("", wide=True), Column(units.currency, "right")),
                tuple(_cost_rows(priced)),
                totals=3 if priced.tax_rate else 1,
            ),
            *when(
                page.advised or page.waiting,
                Paragraph(
                    f"Chance: of needing it within the next {horizon} if it is left as it is. If left: what it then "
                    f"costs on average over that distance, its own visit and what it brings about included, weighed by "
                    "that chance. Both come from records of other vehicles of this kind and from experience; a single "
                    "vehicle may do better or worse. Done now: what it adds to this visit. Amounts of single pieces "
                    "are without tax.",
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
    """``31 % (22 to 41 %)``; an interval that rounds to its value is not repeated."""
    if not isinstance(chance, Estimate):
        return show_share(chance)
    value, low, high = (show_share(share) for share in (chance.value, chance.low, chance.high))
    return value if low == value == high else f"{value} ({low.removesuffix(' %')} to {high})"


def _reasons(reasons: Sequence[Reason], columns: Sequence[_Shown], units: Units) -> Table:
    """What is said of each piece, pieces with the same reason together under it; what has failed comes first."""
    groups: dict[str, list[Reason]] = {}
    for reason in sorted(reasons, key=lambda reason: reason.chance is not None):
        groups.setdefault(reason.sentence, []).append(reason)
    used = [shown for shown in columns if any(shown.of(reason, units) for reason in reasons)]
    rows: list[tuple[str, ...]] = []
    for sentence, group in groups.items():
        rows += [(sentence,)] if sentence else []
        rows += [(reason.unit, *(shown.of(reason, units) for shown in used)) for reason in group]
    return Table((Column("Piece", wide=True), *(Column(shown.label(units), "right") for shown in used)), tuple(rows))


@dataclass(frozen=True, slots=True)
class _Shown:
    """A column of the owner's page."""

    words: str
    what: Literal["now", "later", "chance", "until"]

    def label(self, units: Units) -> str:
        return {"now": f"{self.words}, {units.currency}", "later": f"{self.words}, {units.currency}"}.get(
            self.what, self.words
        )

    def of(self, reason: Reason, units: Units) -> str:
        """The value in words; empty when it is not known."""
        match self.what:
            case "now":
                return "" if reason.cost_now is None else f"{reason.cost_now:,.0f}"
            case "later":
                return "" if reason.cost_later is None else f"{reason.cost_later:,.0f}"
            case "chance":
                return "" if reason.chance is None else _chance(reason.chance)
            case "until":
                return "" if reason.wait_until_km is None else units.show_distance(reason.wait_until_km)


ADVISED = (_Shown("Done now", "now"), _Shown("If left", "later"), _Shown("Chance", "chance"))
WAITING = (
    _Shown("Can wait until", "until"),
    _Shown("Chance", "chance"),
    _Shown("If left", "later"),
    _Shown("Done now", "now"),
)
