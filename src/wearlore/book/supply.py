"""Review of remedies, the parts and offers they need, consumables and dates."""

from __future__ import annotations

from collections.abc import Iterator

from wearlore.book.codes import nearest_oil_grades, oil_grade_exists
from wearlore.book.labour import needed_operations
from wearlore.book.model import Book
from wearlore.book.remark import Remark
from wearlore.book.source import Path


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


def offers(book: Book) -> Iterator[Remark]:
    """A part that some variant needs and nobody sells for it."""
    missing: dict[str, list[str]] = {}
    for variant in book.variants:
        for id_ in sorted(_parts_needed(book, variant)):
            part = book.parts.get(id_)
            if part and not any(not offer.variants or variant in offer.variants for offer in part.offers):
                missing.setdefault(id_, []).append(variant)
    for id_, variants in missing.items():
        mend = "Add an offer, or name under 'variants' of its remedies and operations the variants they are for."
        yield Remark("error", ("parts", id_, "offers"), f"an offer that fits {', '.join(variants)}", mend)


def _parts_needed(book: Book, variant: str) -> set[str]:
    fitted = {id_ for id_, c in book.components.items() if not c.variants or variant in c.variants}
    done = [
        remedy
        for remedy in book.remedies.values()
        if remedy.component in fitted and (not remedy.variants or variant in remedy.variants)
    ]
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


def oils(book: Book) -> Iterator[Remark]:
    for id_, consumable in book.consumables.items():
        if consumable.sae is not None and not oil_grade_exists(consumable.sae):
            near = nearest_oil_grades(consumable.sae)
            mend = f"The nearest that exist: {', '.join(near)}." if near else "Write it as 5W-30."
            path = ("consumables", id_, "sae")
            yield Remark("error", path, f"an engine-oil grade that SAE J300 defines, not {consumable.sae!r}", mend)
