"""An appraisal -> its sheet: what to offer and how sure that is, what to look at first, what it will cost."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import exp

from wearlore.answers import Appraisal, BuyersLook, PricedFault
from wearlore.appraisal import SURE, Finding
from wearlore.estimate import Estimate
from wearlore.report.card import when
from wearlore.report.sheet import (
    NO_FIGURES,
    Block,
    Bullets,
    Callout,
    Column,
    Figures,
    Heading,
    Paragraph,
    Sheet,
    Table,
    counted,
    drawn,
)
from wearlore.report.trace import show_chance
from wearlore.units import Units, significant

TOLD = 0.5  # money that is told
FAULTS, LOOKS = 10, 8  # listed at most
SOURCES = {
    "given": "as said",
    "market": "by the prices of the market",
    "supposed": "supposed: no other price is given, so the asking price is taken",
}
SUPPOSED = (
    "Compared with a vehicle of the same kind, age and odometer of which every unit was renewed whenever it failed, "
    "its ages known, all of it looked at and good now. Both are driven the same way, cared for by the advice, and meet "
    "the same luck.",
    "What is there now is cured in one visit, the way paid for once, together with what then costs less than it saves "
    "later. What looking does not show is not found then: its consequence is added.",
    "The even price falls in proportion to the chance of each fault. What a look is worth counts this purchase alone, "
    "not that a fault found is put right in time; what two looks tell only together is not seen.",
    "A buyer takes off covers of at most half an hour, with no special tool, spoiling nothing.",
    "Not in it: body, brakes, tyres, papers, and all else that the book does not hold.",
)
SMALL = (
    "Even price in brackets: 95 % for what is not known of lives and of prices, and for the simulation. Chances of "
    "turning out better count beside that what may be there on this vehicle now. Worth of looking: expected value of "
    "sample information (Raiffa & Schlaifer 1961). Years to come: discounted. What a fault brings about and how well a "
    "look tells are the book's judgement."
)


def appraisal_sheet(found: Appraisal, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """Rules that hold come before any price."""
    return Sheet(
        kind="Appraisal",
        title=title(found, units),
        made_on=made_on,
        facts=(
            ("Asking price", units.show_money(found.price)),
            ("Built", found.built.isoformat()),
            ("Odometer", units.show_odometer(found.km)),
            ("History", found.history),
            ("Looking ahead", f"{units.show_distance(found.horizon)}, {units.show_distance(found.per_year)} a year"),
            *((("Left out", f"{', '.join(found.unknown)}: neither record nor judgement"),) if found.unknown else ()),
        ),
        blocks=(
            *rules(found),
            *_advice(found, units),
            *cautions(found, units),
            *when(
                found.said,
                Heading("What is told, and what it did to the even price"),
                Bullets(tuple(told_in_words(found, units))),
            ),
            *drawn(figures, "price"),
            *_looks(found, units),
            *_unseen(found, units),
            *costs(found, units),
            *_market(found, units),
            *faults(found, units),
            Heading("What is supposed"),
            Bullets(SUPPOSED),
        ),
        small_print=SMALL,
    )


# ------------------------------------------------------------------------------------------------------------- words
def title(found: Appraisal, units: Units) -> str:
    """``m96 of 2016, 158,000 km``, after the vehicle's name where it has one in the store."""
    kind = f"{found.variant} of {found.built.year}, {units.show_odometer(found.km)}"
    return f"{found.vehicle}, {kind}" if found.in_store else kind


def money(amount: float, units: Units) -> str:
    """As it is offered, to three digits: ``EUR 8,190``; a loss has its sign in front: ``−EUR 240``."""
    shown = units.show_money(significant(abs(amount)))
    return f"−{shown}" if round(amount) < 0 else shown


def money_between(estimate: Estimate, units: Units) -> str:
    """``EUR 8,190 (7,780 to 8,570)``."""
    low, high = (significant(end) for end in (estimate.low, estimate.high))
    return f"{money(estimate.value, units)} ({_signed(low)} to {_signed(high)})"


def _signed(amount: float) -> str:
    return f"{round(amount):,}".replace("-", "−")


def sure_in_words(chance: float) -> str:
    return "under 1 %" if chance < 0.01 else "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def rules(found: Appraisal) -> tuple[Callout, ...]:
    return tuple(Callout(s.signal, s.name, f"{s.text} (Seen: {', '.join(s.because)}.)") for s in found.stops)


def verdict(found: Appraisal, units: Units) -> str:
    """Buy, leave, or offer; in one sentence with its price and how sure that is."""
    even, asked = found.even.even.value, units.show_money(found.price)
    chance = f"buying turns out better with a chance of {sure_in_words(found.even.sure)}"
    if found.price <= found.even.offer:
        return f"At {asked} it is a good buy: {chance}, and it is worth up to {money(even, units)}."
    if found.price <= even:
        return f"At {asked} it is just worth its money: {chance}; even would be {money(even, units)}."
    return f"At {asked} it is too dear on the mean: {chance}; even would be {money(even, units)}."


def offer_in_words(found: Appraisal, units: Units) -> str:
    even, offer = found.even.even.value, found.even.offer
    if even <= 0:
        return "What it needs is more than it is worth: walk away at any price."
    top = f"Walk away above {money(even, units)}: from there on one that was kept well is the better buy."
    if offer <= 0:
        return f"No offer is {SURE:.0%} safe with what may be there. {top}".replace("%", " %")
    sure = f"with that, buying turns out better with a chance of {100 * SURE:.0f} %"
    return f"Offer up to {money(offer, units)}: {sure}. {top}"


def look_first(found: Appraisal, units: Units) -> str:
    """Which look pays before deciding; why none does."""
    if first := found.first:
        return (
            f"Look first: {first.name} ({first.minutes:.0f} min). It may turn the decision: knowing is worth "
            f"{money(first.worth, units)}, the time {money(first.cost, units)}."
        )
    if not found.looks:
        return "Nothing is left that a buyer can look at without dismantling."
    if any(look.worth > 0 for look in found.looks):
        return "No look that is left is worth its time for the decision alone; each still moves the price."
    return "No single look that is left turns the decision at this price; each still moves what to offer."


def told_in_words(found: Appraisal, units: Units) -> Iterator[str]:
    """``Oil at the sump: there (Look underneath): −EUR 240``."""
    for said, moved in zip(found.said, found.moved, strict=True):
        yield f"{said}: {moved_in_words(moved, units)}"


def moved_in_words(amount: float, units: Units) -> str:
    """What something did to a price: ``+EUR 14``, ``−EUR 240``, ``nothing``."""
    if abs(amount) < TOLD:
        return "nothing"
    return f"{'+' if amount > 0 else ''}{money(amount, units)}"


def _advice(found: Appraisal, units: Units) -> Iterator[Block]:
    yield Paragraph(f"{verdict(found, units)} {offer_in_words(found, units)}", "lead")
    yield Paragraph(look_first(found, units))


def cautions(found: Appraisal, units: Units) -> Iterator[Block]:
    if found.furthest is not None:
        yield Paragraph(
            f"Caution: no vehicle on record has run further than {units.show_distance(found.furthest)}. What is said "
            f"for {units.show_odometer(found.km)} is drawn out beyond the records."
        )
    if found.compared.beyond:
        yield Paragraph("Caution: the market prices hold no vehicle so old or so far driven; the price is drawn out.")


# ------------------------------------------------------------------------------------------------------------- looking
def worth_listing(found: Appraisal) -> tuple[BuyersLook, ...]:
    """Looks in their order, but for those that neither turn the decision nor move the price by anything told."""
    return tuple(look for look in found.looks if look.worth > 0 or look.moves >= TOLD)[:LOOKS]


def _looks(found: Appraisal, units: Units) -> Iterator[Block]:
    listed = worth_listing(found)
    if not listed:
        return
    yield Heading("What to look at, in this order")
    columns = (
        Column("Finding", wide=True),
        Column("Chance", "right"),
        Column("Even price if there", "right"),
        Column("if not there", "right"),
        Column("Decision"),
    )
    rows: list[tuple[str, ...]] = []
    for number, look in enumerate(listed, 1):
        rows.append((_look_told(number, look, units),))
        rows += [_finding(finding, found, units) for finding in look.findings]
        rows.append(("None of these", show_chance(look.clear[0]), "", units.show_money(look.clear[1]), ""))
    yield Table(columns, tuple(rows))
    if more := len(found.looks) - len(listed):
        yield Paragraph(f"{counted(more, 'more look')} would move the price less.", "small")
    for why in dict.fromkeys(withheld.why for withheld in found.withheld):
        names = "; ".join(withheld.name for withheld in found.withheld if withheld.why == why)
        yield Paragraph(f"{why[0].upper()}{why[1:]}: {names}.", "small")


def _look_told(number: int, look: BuyersLook, units: Units) -> str:
    opens = f"; first {', '.join(o[0].lower() + o[1:] for o in look.opens)}" if look.opens else ""
    worth = "turns nothing at this price"
    if look.worth > 0:
        worth = f"worth {money(look.worth, units)}" if look.worth >= TOLD else f"worth under {units.show_money(1)}"
    late = "" if look.within else "; beyond the time there is"
    return f"{number}. {look.name}: {look.minutes:.0f} min, {worth}{opens}{late}"


def _finding(finding: Finding, found: Appraisal, units: Units) -> tuple[str, ...]:
    turns = decision(finding, found.even.even.value, found.price)
    return (
        finding.about, show_chance(finding.chance), units.show_money(finding.if_there),
        units.show_money(finding.if_not), turns,
    )  # fmt: skip


def decision(finding: Finding, even: float, price: float) -> str:
    """Whether the finding alone turns it, and which way."""
    if not finding.changes:
        return "stays"
    turned = finding.if_there if (finding.if_there > price) != (even > price) else finding.if_not
    word = "there" if turned == finding.if_there else "not there"
    return f"{word}: {'buy' if turned > price else 'leave it'}"


def _unseen(found: Appraisal, units: Units) -> Iterator[Block]:
    rows = [
        (
            called(fault),
            show_chance(fault.chance),
            money(fault.cost, units),
            "; ".join(fault.by) or "nothing in the book",
        )
        for fault in found.unseen
        if fault.expected >= TOLD
    ][:FAULTS]
    if rows:
        yield Heading("What cannot be seen well without dismantling")
        columns = (
            Column("Fault", wide=True),
            Column("Chance", "right"),
            Column("Takes off if there", "right"),
            Column("What would show it", wide=True, spare=True),
        )
        yield Table(columns, tuple(rows))


def called(fault: PricedFault) -> str:
    return f"{fault.name} ({fault.position})" if fault.position else fault.name


# --------------------------------------------------------------------------------------------------------------- money
def costs(found: Appraisal, units: Units) -> Iterator[Block]:
    over = units.show_distance(found.horizon)
    low, high = found.together[1:]
    standard, years, compared = found.standard, found.years, found.compared
    yield Heading("What it will cost")
    columns = (
        Column("Expected", wide=True),
        Column(units.currency, "right"),
        Column("8 in 10 single vehicles", "right"),
    )
    nothing = f"; nothing to do with a chance of {show_chance(standard.clear)}" if standard.clear > 0 else ""
    yield Table(
        columns,
        (
            (f"To bring it to standard now{nothing}", _whole(standard.cost), _ends(*standard.one)),
            (f"The next {over} after that", _whole(years.cost.value), _ends(*years.one)),
            ("Together", _whole(found.together[0]), _ends(low, high)),
        ),
        totals=1,
    )
    yield Paragraph(
        f"Over these {over}: {years.visits:.1f} visits; stranded at least once with a chance of "
        f"{show_chance(years.stranded)}, damage to the engine {show_chance(years.damage)}.",
        "small",
    )
    yield Heading("How the even price comes about")
    more = "What this one costs more than that one" if found.more.value >= 0 else "What this one costs less than that"
    yield Table(
        (Column("", wide=True), Column(units.currency, "right"), Column("95 %", "right")),
        (
            (
                f"One of the same kind that was kept well ({SOURCES[compared.source]})",
                _whole(compared.price.value), _range(compared.price),
            ),
            (
                f"{more}: {_whole(found.together[0])} against {_whole(compared.years.cost.value)}",
                _whole(-found.more.value), _range(Estimate(-found.more.value, -found.more.high, -found.more.low)),
            ),
            ("Even price", _whole(found.even.even.value), _range(found.even.even)),
        ),
        totals=1,
    )  # fmt: skip


def _market(found: Appraisal, units: Units) -> Iterator[Block]:
    model, single = found.compared.market, found.compared.single
    if model is None or single is None:
        return
    distance = units.to_km(10_000)
    year, far = (100 * (1 - exp(slope)) for slope in (model.per_year.value, distance * model.per_km.value))
    yield Paragraph(
        f"{counted(model.sales, 'price')} of the market: {year:.1f} % less a year and {far:.1f} % less per 10,000 "
        f"{units.distance}. 19 in 20 single ones of this age and odometer are priced at "
        f"{_ends(single.low, single.high)}.",
        "small",
    )


def faults(found: Appraisal, units: Units) -> Iterator[Block]:
    rows = [
        (
            called(fault), show_chance(fault.chance), _whole(fault.alone), _whole(fault.cost), _whole(fault.expected),
            "yes" if fault.anyway else "",
        )
        for fault in found.faults
        if fault.expected >= TOLD
    ][:FAULTS]  # fmt: skip
    if rows:
        yield Heading("What may be there, by what it is expected to cost")
        columns = (
            Column("Fault", wide=True),
            Column("Chance", "right"),
            Column("Cure alone", "right"),
            Column(f"Takes off, {units.currency}", "right"),
            Column("Expected", "right"),
            Column("Soon due", spare=True),
        )
        yield Table(columns, tuple(rows))
    if any(fault.anyway for fault in found.faults):
        yield Paragraph(
            "A fault takes off what it adds to what the advice does. Soon due: by its age the piece is renewed at once "
            "even if it is good, so that a fault of it takes off little.",
            "small",
        )


def _whole(amount: float) -> str:
    return _signed(significant(amount))


def _ends(low: float, high: float) -> str:
    return f"{_whole(low)} to {_whole(high)}"


def _range(estimate: Estimate) -> str:
    return "" if estimate.low == estimate.high else _ends(estimate.low, estimate.high)
