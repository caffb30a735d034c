"""Which weak points the family page shows, and in what order: chosen in the address."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from math import inf
from typing import get_args
from urllib.parse import urlencode

from wearlore.answers import FamilyLives, ModeSummary
from wearlore.book.model import Book, Severity
from wearlore.errors import NameNotKnown
from wearlore.report.bands import evidence_of

SEVERITIES: tuple[str, ...] = get_args(Severity)  # mildest first
NOTICED = ("evident", "hidden")
USUAL = "soonest"
ORDERS = {
    "soonest": "soonest first",
    "worst": "worst consequence first",
    "often": "most failures first",
    "known": "best known first",
}


@dataclass(frozen=True, slots=True)
class Choice:
    """What is asked for; empty: anything. ``consequence``: this or worse."""

    variant: str = ""
    system: str = ""
    consequence: str = ""
    noticed: str = ""
    search: str = ""
    order: str = USUAL

    @property
    def address(self) -> str:
        """The page with this choice."""
        said = {each.name: getattr(self, each.name) for each in fields(self)}
        told = urlencode({name: value for name, value in said.items() if value and (name, value) != ("order", USUAL)})
        return f"/?{told}" if told else "/"

    @property
    def narrows(self) -> bool:
        """Whether it may leave any out."""
        return any((self.variant, self.system, self.consequence, self.noticed, self.search))

    def check(self, book: Book) -> None:
        """Raises NameNotKnown for what an address says that does not exist."""
        known = {
            "variant": tuple(book.variants),
            "system": systems(book),
            "consequence": SEVERITIES,
            "noticed": NOTICED,
            "order": tuple(ORDERS),
        }
        for name, names in known.items():
            said = getattr(self, name)
            if said and said not in names:
                raise NameNotKnown(name, said, names)

    def of(self, lives: FamilyLives, book: Book) -> list[ModeSummary]:
        """The rows asked for, in order; what is alike in that stands soonest first."""
        return sorted((row for row in lives.rows if self._has(row, book)), key=self._place)

    def _place(self, row: ModeSummary) -> float:
        match self.order:
            case "worst":
                return -SEVERITIES.index(row.severity)
            case "often":
                return -evidence_of(row, self.variant)[0]
            case "known":
                return row.b10.high / row.b10.low if row.b10 and row.b10.low else inf
            case _:
                return row.b10.value if row.b10 else inf

    def _has(self, row: ModeSummary, book: Book) -> bool:
        return (
            (not self.variant or any(each.variant == self.variant for each in row.variants))
            and (not self.system or row.system == self.system)
            and (not self.consequence or SEVERITIES.index(row.severity) >= SEVERITIES.index(self.consequence))
            and (not self.noticed or row.noticed == self.noticed)
            and all(word in _words(row, book) for word in self.search.casefold().split())
        )


def systems(book: Book) -> tuple[str, ...]:
    """The systems in which something fails, in the book's order."""
    return tuple(dict.fromkeys(book.components[mode.component].system for mode in book.modes.values()))


def _words(row: ModeSummary, book: Book) -> str:
    return " ".join(_named(row, book)).casefold()


def _named(row: ModeSummary, book: Book) -> Iterator[str]:
    component = book.components[row.component]
    yield from (row.name, row.mode, component.name, row.component, row.system, *component.aliases)
