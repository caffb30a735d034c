"""What the address of a page says, under the names of the options, and the address that says it again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from math import isfinite
from urllib.parse import urlencode

from fastapi import Request
from nicegui import ui

from wearlore.errors import ScopeError
from wearlore.units import Units


@dataclass(frozen=True)
class Said:
    """``query``: names with all that is said under each, in order."""

    path: str
    query: Mapping[str, tuple[str, ...]]

    @classmethod
    def of(cls, request: Request) -> Said:
        names = dict.fromkeys(request.query_params.keys())
        return cls(request.url.path, {name: tuple(filter(None, request.query_params.getlist(name))) for name in names})

    def many(self, name: str) -> tuple[str, ...]:
        return self.query.get(name, ())

    def one(self, name: str, usual: str = "") -> str:
        return self.many(name)[-1] if self.many(name) else usual

    def number(self, name: str) -> float | None:
        """Raises ScopeError."""
        if not (said := self.one(name)):
            return None
        try:
            number = float(said.replace(",", ""))
        except ValueError:
            number = float("nan")
        if not isfinite(number):
            raise ScopeError(f"{name} is {said!r}", "Give a number.")
        return number

    def km(self, name: str, units: Units) -> float | None:
        """A distance in the units of the page. Raises ScopeError."""
        number = self.number(name)
        return None if number is None else units.to_km(number)

    def day(self, name: str) -> date | None:
        """Raises ScopeError."""
        if not (said := self.one(name)):
            return None
        try:
            return date.fromisoformat(said)
        except ValueError:
            raise ScopeError(f"{name} is {said!r}", "Write year, month and day: 2016-05-01.") from None

    def chances(self, name: str) -> dict[str, float]:
        """Faults that may be there: ``FAULT=0.3``. Raises ScopeError."""
        found = {}
        for said in self.many(name):
            fault, _, chance = said.partition("=")
            try:
                found[fault] = float(chance)
            except ValueError:
                raise ScopeError(f"{name} is {said!r}", "Write the fault, = and its chance: MODE=0.3.") from None
        return found

    def but(self, **changed: str | Iterable[str]) -> Said:
        """The same with something else said; nothing said under a name takes it away. ``per_year`` is ``per-year``."""
        query = dict(self.query)
        for name, value in changed.items():
            values = (value,) if isinstance(value, str) else tuple(value)
            query[name.replace("_", "-")] = tuple(filter(None, values))
        return Said(self.path, {name: values for name, values in query.items() if values})

    @property
    def address(self) -> str:
        query = urlencode({name: list(values) for name, values in self.query.items()}, doseq=True, safe="@:/,")
        return f"{self.path}?{query}" if query else self.path

    @property
    def key(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        return tuple(sorted(self.query.items()))


def keep_address(said: Said) -> None:
    """The browser's address says what the page shows."""
    ui.navigate.history.replace(said.address)
