"""The access graph of one variant: what a set of operations brings with it, takes, spoils and consumes.

An operation is done once in a visit, whoever asks for it; one marked `each_position` is done once at each position, and
stands here once for each, as ``operation@position``. Doing an operation brings every one that it `needs` (before it)
and every one that must follow (`then`), and so on: the closure. Operations not for the variant fall out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from wearlore.book.model import Book, Grade, Offer, Operation, Remedy
from wearlore.errors import NameNotKnown, ScopeError


@dataclass(frozen=True)
class Access:
    """The operations of a book that apply to one variant, as a graph.

    ``missing_tools`` holds the tools that the workshop neither owns nor can hire, and those named by the user.
    """

    book: Book
    variant: str
    built: date
    missing_tools: frozenset[str]

    @classmethod
    def of(cls, book: Book, variant: str, built: date, missing_tools: Iterable[str] = ()) -> Access:
        """Raises NameNotKnown for a variant or tool that the book does not have."""
        if variant not in book.variants:
            raise NameNotKnown("variant", variant, book.variants)
        named = frozenset(missing_tools)
        for tool in sorted(named - book.tools.keys()):
            raise NameNotKnown("tool", tool, book.tools)
        lacking = {id_ for id_, tool in book.tools.items() if not tool.owned and tool.hire is None}
        return cls(book, variant, built, named | lacking)

    @cached_property
    def operations(self) -> Mapping[str, Operation]:
        """The operations that apply to the variant, in the book's order."""
        return {
            name: operation
            for id_, written in self.book.operations.items()
            if not written.variants or self.variant in written.variants
            for name, operation in self._placed(id_, written)
        }

    def _placed(self, id_: str, written: Operation) -> Iterator[tuple[str, Operation]]:
        """The operation, or one of it for each position of the components whose remedies ask for it."""
        yield id_, written
        if written.each_position:
            asking = {r.component for r in self.book.remedies.values() if id_ in r.operations}
            places = dict.fromkeys(p for c in sorted(asking) for p in self.book.components[c].positions)
            for place in places:
                yield f"{id_}@{place}", _at(written, place)

    def of_remedy(self, remedy: Remedy, position: str) -> tuple[str, ...]:
        """The operations that ``remedy`` asks for when it is done at ``position`` (empty: the only one)."""
        return tuple(f"{o}@{position}" if f"{o}@{position}" in self.operations else o for o in remedy.operations)

    def _applying(self, ids: Iterable[str]) -> Iterator[str]:
        for id_ in ids:
            if id_.partition("@")[0] not in self.book.operations:
                raise NameNotKnown("operation", id_, self.book.operations)
            if id_ in self.operations:
                yield id_

    def reach(self, ids: Iterable[str]) -> frozenset[str]:
        """The closure of ``ids`` over `needs` and `then`; those not for this variant are dropped.

        Raises NameNotKnown.
        """
        asked = frozenset(ids)
        if asked not in self._reached:
            reached: set[str] = set()
            todo = list(self._applying(asked))
            while todo:
                id_ = todo.pop()
                if id_ not in reached:
                    reached.add(id_)
                    todo += self._applying((*self.operations[id_].needs, *self.operations[id_].then))
            self._reached[asked] = frozenset(reached)
        return self._reached[asked]

    @cached_property
    def _reached(self) -> dict[frozenset[str], frozenset[str]]:
        return {}

    def tools(self, ids: Iterable[str]) -> frozenset[str]:
        """The special tools that the union reached from ``ids`` takes."""
        return frozenset(tool for id_ in self.reach(ids) for tool in self.operations[id_].all_tools)

    def missing(self, ids: Iterable[str]) -> frozenset[str]:
        """Those of the tools that this workshop does not have."""
        return self.tools(ids) & self.missing_tools

    def hire(self, tool: str) -> float:
        """What hiring ``tool`` for one visit costs; 0 when it is owned. Raises NameNotKnown."""
        if tool not in self.book.tools:
            raise NameNotKnown("tool", tool, self.book.tools)
        wanted = self.book.tools[tool]
        return 0.0 if wanted.owned else wanted.hire or 0.0

    def hires(self, ids: Iterable[str]) -> dict[str, float]:
        """Tools to hire for the union reached from ``ids``, each once, with their charges."""
        charges = {tool: self.hire(tool) for tool in sorted(self.tools(ids))}
        return {tool: charge for tool, charge in charges.items() if charge}

    def spoiled(self, ids: Iterable[str]) -> dict[str, float]:
        """Parts (id -> quantity) that the union reached from ``ids`` spoils, one-time-use fasteners included."""
        parts: dict[str, float] = {}
        for id_ in sorted(self.reach(ids)):
            for part, quantity in self.spoiled_by(id_).items():
                parts[part] = parts.get(part, 0.0) + quantity
        return parts

    def spoiled_by(self, id_: str) -> dict[str, float]:
        """Parts (id -> quantity) that one operation spoils, one-time-use fasteners included."""
        operation = self.operations[id_]
        parts = dict(operation.spoils)
        for fastener in operation.fasteners:
            if fastener.one_time_use and fastener.part:
                parts[fastener.part] = parts.get(fastener.part, 0.0) + fastener.count
        return parts

    def consumed_by(self, id_: str) -> float:
        """Price of the consumables that one operation takes, build-up included."""
        operation = self.operations[id_]
        uses = [operation.consumables, operation.refit.consumables if operation.refit else {}]
        return sum(self.book.consumables[c].price * quantity for use in uses for c, quantity in use.items())

    def price(self, part: str, grade: Grade = "original") -> float:
        """Price of one ``part`` for this engine. Raises NameNotKnown, or ScopeError when no offer fits."""
        return self.offer(part, grade).price

    def parts_price(self, parts: Mapping[str, float], offers: Mapping[str, Offer]) -> float:
        """Price of ``parts`` (id -> quantity), of ``offers`` where these have them, else original."""
        return sum(
            quantity * (offers[part].price if part in offers else self.price(part)) for part, quantity in parts.items()
        )

    def offer(self, part: str, grade: Grade = "original") -> Offer:
        """The offer to buy of ``part`` for this engine. Raises NameNotKnown, or ScopeError when no offer fits."""
        if part not in self.book.parts:
            raise NameNotKnown("part", part, self.book.parts)
        offer = self.book.parts[part].offer_for(grade, self.variant, self.built)
        if offer is None:
            raise ScopeError(
                f"no offer of part {part!r} fits variant {self.variant!r} built {self.built}",
                "Add the offer to the book, or widen its variants and dates",
            )
        return offer


def _at(written: Operation, place: str) -> Operation:
    """The operation under the name of one position."""
    refit = written.refit and written.refit.model_copy(update={"name": f"{written.refit.name} ({place})"})
    return written.model_copy(update={"name": f"{written.name} ({place})", "refit": refit})
