"""The estimate: hours, parts, consumables and hire -> lines that add up to the hundredth."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal
from math import floor, fsum

from wearlore.jobcard.model import ConsumableLine, CustomerEstimate, EstimateLine, Item, PartLine, Subject, ToolLine

HUNDREDTH = Decimal("0.01")


def price_job(
    subject: Subject,
    items: Sequence[Item],
    parts: Sequence[PartLine],
    consumables: Sequence[ConsumableLine],
    tools: Sequence[ToolLine],
    *,
    labour_rate: float,
    visit_fixed: float,
    tax_rate: float,
) -> CustomerEstimate:
    """Price the visit; labour is charged once for the union, shared between the items.

    A part that the book does not say how to buy is on the job card and not in the price.
    """
    hours = in_hundredths([item.hours for item in items])
    lines = [
        EstimateLine("labour", item.title, spent, "h", labour_rate, _times(spent, labour_rate))
        for item, spent in zip(items, hours, strict=True)
    ]
    lines += [
        EstimateLine(
            "part", f"{line.name}, {line.number}", line.quantity, "", line.price, _times(line.quantity, line.price)
        )
        for line in parts
        if line.number
    ]
    lines += [
        EstimateLine("consumable", line.name, line.quantity, line.unit, line.price, _times(line.quantity, line.price))
        for line in consumables
    ]
    lines += [
        EstimateLine("hire", f"Hire: {line.name}", 1.0, "visit", line.charge, to_hundredth(line.charge))
        for line in tools
        if line.ownership == "hire" and line.charge
    ]
    if visit_fixed:
        lines.append(EstimateLine("fixed", "Each visit", 1.0, "visit", visit_fixed, to_hundredth(visit_fixed)))
    subtotal = to_hundredth(sum(Decimal(str(line.amount)) for line in lines))
    tax = to_hundredth(Decimal(str(subtotal)) * Decimal(str(tax_rate)))
    return CustomerEstimate(
        subject=subject,
        lines=tuple(lines),
        hours=fsum(item.hours for item in items),
        hours_saved=fsum(item.hours_alone - item.hours for item in items),
        labour_rate=labour_rate,
        subtotal=subtotal,
        tax_rate=tax_rate,
        tax=tax,
        total=to_hundredth(Decimal(str(subtotal)) + Decimal(str(tax))),
    )


def to_hundredth(amount: float | Decimal) -> float:
    """Rounded to the hundredth, a half upwards, as a person adding up the bill would."""
    return float(Decimal(str(amount)).quantize(HUNDREDTH, ROUND_HALF_UP))


def in_hundredths(shares: Sequence[float]) -> list[float]:
    """Each of ``shares`` in hundredths so that together they are their sum in hundredths (largest remainders)."""
    scaled = [round(100 * share, 6) for share in shares]
    whole = [floor(value) for value in scaled]
    rest = round(round(sum(scaled), 6)) - sum(whole)
    largest = sorted(range(len(shares)), key=lambda i: (whole[i] - scaled[i], i))
    for i in largest[:rest]:
        whole[i] += 1
    return [value / 100 for value in whole]


def _times(quantity: float, price: float) -> float:
    return to_hundredth(Decimal(str(quantity)) * Decimal(str(price)))
