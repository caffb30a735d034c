"""The remedies of a visit: what was chosen, looked up in the book, with the companions that come along."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from wearlore.access import Access
from wearlore.book.model import Book, Remedy
from wearlore.errors import NameNotKnown, ScopeError
from wearlore.jobcard.model import Chosen


@dataclass(frozen=True, slots=True)
class Entry:
    """A chosen remedy that has been looked up, and the name of the remedy that brought it along."""

    chosen: Chosen
    remedy: Remedy
    with_item: str

    @property
    def key(self) -> tuple[str, str]:
        return self.chosen.remedy, self.chosen.position

    def operations(self, access: Access) -> tuple[str, ...]:
        """The operations it asks for at its position."""
        return access.of_remedy(self.remedy, self.chosen.position)

    @property
    def title(self) -> str:
        return f"{self.remedy.name} ({self.chosen.position})" if self.chosen.position else self.remedy.name


def entries_of(book: Book, variant: str, chosen: Sequence[Chosen]) -> tuple[Entry, ...]:
    """The chosen remedies with their companions, each once on each position."""
    entries: dict[tuple[str, str], Entry] = {}
    for one in chosen:
        entry = Entry(one, _checked(book, variant, one), "")
        entries.setdefault(entry.key, entry)
    pending = list(entries.values())
    while pending:
        leader = pending.pop(0)
        for companion in _companions(book, variant, leader):
            if companion.key not in entries:
                entries[companion.key] = companion
                pending.append(companion)
    return tuple(entries.values())


def _checked(book: Book, variant: str, chosen: Chosen) -> Remedy:
    if chosen.remedy not in book.remedies:
        raise NameNotKnown("remedy", chosen.remedy, book.remedies)
    remedy = book.remedies[chosen.remedy]
    places = book.components[remedy.component].places
    if chosen.position not in places:
        raise NameNotKnown(f"position of {remedy.component}", chosen.position, [place for place in places if place])
    for part in chosen.offers:
        if part not in book.parts:
            raise NameNotKnown("part", part, book.parts)
    if remedy.variants and variant not in remedy.variants:
        raise ScopeError(
            f"remedy {chosen.remedy!r} is for {', '.join(remedy.variants)}, not for variant {variant!r}",
            "Choose a remedy that is for this variant",
        )
    return remedy


def _companions(book: Book, variant: str, leader: Entry) -> Iterator[Entry]:
    """Companions on the leader's position where they have it, else on all of theirs; of the leader's grade."""
    for id_ in leader.remedy.companions:
        remedy = book.remedies[id_]
        if remedy.variants and variant not in remedy.variants:
            continue
        places = book.components[remedy.component].places
        for place in (leader.chosen.position,) if leader.chosen.position in places else places:
            yield Entry(Chosen(id_, place, leader.chosen.grade), remedy, leader.title)
