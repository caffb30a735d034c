"""Review of remedies, the parts and offers they need, consumables, dates and the distance run in a year."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from wearlore.book.codes import nearest_oil_grades, oil_grade_exists
from wearlore.book.labour import needed_operations
from wearlore.book.model import Book, Offer, Remedy, Variant
from wearlore.book.remark import Remark
from wearlore.book.source import Path

MOST_IN_A_YEAR = {"hours": 366 * 24, "days": 366}


def remedies(book: Book) -> Iterator[Remark]:
    for id_, remedy in book.remedies.items():
        for index, name in enumerate(remedy.cures):
            mode = book.modes.get(name)
            path: Path = ("remedies", id_, "cures", index)
            if mode and mode.component in book.components and mode.component != remedy.component:
                expected = f"a mode of {remedy.component!r}, not {name!r}, which is one of {mode.component!r}"
                yield Remark(
                    "error", path, expected, "Cure it with a remedy of its own and name that under 'companions'."
                )
            if mode and remedy.kind == "guard" and mode.cause != "outside":
                expected = f"a mode with an outside cause, since a guard only lowers its rate ({name!r}: {mode.cause})"
                yield Remark("warning", path, expected, "Look at 'kind' of the remedy and 'cause' of the mode.")


def idle_remedies(book: Book) -> Iterator[Remark]:
    """A remedy that on some variant would cure with no work at all, since its operations are for others."""
    for variant in book.variants:
        for id_, remedy in _done_on(book, variant).items():
            known = [book.operations[name] for name in remedy.operations if name in book.operations]
            if known and not any(not operation.variants or variant in operation.variants for operation in known):
                mend = "Look at 'variants' of the remedy and of its operations."
                yield Remark(
                    "warning", ("remedies", id_, "operations"), f"an operation that is done on {variant}", mend
                )


def parts_named_twice(book: Book) -> Iterator[Remark]:
    """A part that a remedy lists and that its own operations spoil: what is spoiled is ordered without saying."""
    for id_, remedy in book.remedies.items():
        operations = [o for variant in book.variants for o in needed_operations(book, variant, remedy.operations)]
        spoiled = {part for operation in operations for part in operation.spoils}
        for part in sorted(remedy.parts.keys() & spoiled):
            expected = f"a part that its operations do not spoil ({part!r} is on the parts list already)"
            yield Remark(
                "warning", ("remedies", id_, "parts", part), expected, "Take it off here if it is the same piece."
            )


def offers(book: Book) -> Iterator[Remark]:
    """A part that some variant needs and nobody sells for it, or not for engines built on some day."""
    missing: dict[str, list[str]] = {}
    for id_, variant in book.variants.items():
        for name in sorted(_parts_needed(book, id_) & book.parts.keys()):
            on_offer = [offer for offer in book.parts[name].offers if not offer.variants or id_ in offer.variants]
            if not on_offer:
                missing.setdefault(name, []).append(id_)
            elif day := _day_without(on_offer, variant):
                engines = "the first engines" if day == date.min else f"engines built on {day}"
                expected = f"an offer that fits {engines} of {id_}"
                yield Remark("warning", ("parts", name, "offers"), expected, "Look at 'from_date' and 'to_date'.")
    for name, variants in missing.items():
        mend = "Add an offer, or name under 'variants' of its remedies and operations the variants they are for."
        yield Remark("error", ("parts", name, "offers"), f"an offer that fits {', '.join(variants)}", mend)


def _day_without(on_offer: list[Offer], variant: Variant) -> date | None:
    """The first day of building for which no offer is meant: the variant's first, or one after an offer's last."""
    first, last = variant.built_from or date.min, variant.built_to or date.max
    ends = [offer.to_date for offer in on_offer if offer.to_date and first <= offer.to_date < last]
    days = [first, *sorted(end + timedelta(days=1) for end in ends)]
    fitting = (any((o.from_date or date.min) <= day <= (o.to_date or date.max) for o in on_offer) for day in days)
    return next((day for day, fits in zip(days, fitting, strict=True) if not fits), None)


def _done_on(book: Book, variant: str) -> dict[str, Remedy]:
    """The remedies that ``variant`` can have: it has their component, and they are meant for it."""
    fitted = {id_ for id_, c in book.components.items() if not c.variants or variant in c.variants}
    return {
        id_: remedy
        for id_, remedy in book.remedies.items()
        if remedy.component in fitted and (not remedy.variants or variant in remedy.variants)
    }


def _parts_needed(book: Book, variant: str) -> set[str]:
    done = _done_on(book, variant).values()
    operations = needed_operations(book, variant, [id_ for remedy in done for id_ in remedy.operations])
    parts = {id_ for remedy in done for id_ in remedy.parts}
    for operation in operations:
        parts |= operation.spoils.keys() | {f.part for f in operation.fasteners if f.part and f.one_time_use}
    return parts


def dates(book: Book) -> Iterator[Remark]:
    for id_, variant in book.variants.items():
        if variant.built_from and variant.built_to and variant.built_to < variant.built_from:
            yield Remark("error", ("variants", id_, "built_to"), f"a date after {variant.built_from}")
    for id_, part in book.parts.items():
        for index, offer in enumerate(part.offers):
            if offer.from_date and offer.to_date and offer.to_date < offer.from_date:
                yield Remark("error", ("parts", id_, "offers", index, "to_date"), f"a date after {offer.from_date}")


def distances(book: Book) -> Iterator[Remark]:
    """Where ages run in hours or days, the usual distances are none, and a year holds only so many."""
    unit = book.units.distance
    most = MOST_IN_A_YEAR.get(unit)
    if most is None:
        return
    for name in ("per_year", "horizon"):
        if name not in book.economics.model_fields_set:
            mend = f"Add '{name}:'; without it the book says {getattr(book.economics, name):,.0f} {unit}."
            yield Remark("error", ("economics", name), f"'{name}' stated in {unit}", mend)
        elif name == "per_year" and book.economics.per_year > most:
            yield Remark("error", ("economics", name), f"at most {most:,} {unit}, as many as a year has")


def oils(book: Book) -> Iterator[Remark]:
    for id_, consumable in book.consumables.items():
        if consumable.sae is not None and not oil_grade_exists(consumable.sae):
            near = nearest_oil_grades(consumable.sae)
            mend = f"The nearest that exist: {', '.join(near)}." if near else "Write it as 5W-30."
            path = ("consumables", id_, "sae")
            yield Remark("error", path, f"an engine-oil grade that SAE J300 defines, not {consumable.sae!r}", mend)
