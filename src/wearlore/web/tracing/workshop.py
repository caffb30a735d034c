"""What this workshop has today, what is open already, and where the vehicle stands."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import replace

from wearlore.book.model import Book
from wearlore.units import Units
from wearlore.web import parts
from wearlore.web.parts import tag
from wearlore.web.tracing.said import Said, number

Say = Callable[[Callable[[Said], Said]], Awaitable[None]]


class Today:
    """``say`` is told how what is said changes."""

    def __init__(self, book: Book, units: Units, say: Say) -> None:
        self.book, self.units, self.say = book, units, say

    def draw(self, said: Said) -> None:
        rate = self.book.economics.labour_rate
        with tag("div", classes="controls"):
            self._number("Odometer now", said.odometer, self.units.distance, lambda s, v: replace(s, odometer=v))
            self._number(
                f"Labour rate (book: {rate:g})", said.rate, f"{self.units.currency}/h", lambda s, v: replace(s, rate=v)
            )
        looks = self.book.inspections.values()
        tools = dict.fromkeys((*(tool for look in looks for tool in look.tools), *said.missing_tool))
        needs = dict.fromkeys((*(operation for look in looks for operation in look.needs), *said.off))
        self._ticks(
            "Missing here today",
            {id_: self.book.tools[id_].name for id_ in tools},
            lambda said: said.missing_tool,
            lambda said, names: replace(said, missing_tool=names),
            said,
        )
        self._ticks(
            "Done already, so open",
            {id_: self.book.operations[id_].name for id_ in needs},
            lambda said: said.off,
            lambda said, names: replace(said, off=names),
            said,
        )

    def _number(self, label: str, value: float | None, unit: str, change: Callable[[Said, float | None], Said]) -> None:
        async def take(typed: str) -> None:
            await self.say(lambda said: change(said, number(label, typed)))

        parts.field(label, "" if value is None else f"{value:.10g}", take, kind="number", unit=unit, min=0, step="any")

    def _ticks(
        self,
        title: str,
        options: Mapping[str, str],
        chosen: Callable[[Said], tuple[str, ...]],
        change: Callable[[Said, tuple[str, ...]], Said],
        said: Said,
    ) -> None:
        def taking(id_: str) -> Callable[[bool], Awaitable[None]]:
            def changed(said: Said, ticked: bool) -> Said:
                others = tuple(one for one in chosen(said) if one != id_)
                return change(said, (*others, id_) if ticked else others)

            return lambda ticked: self.say(lambda said: changed(said, ticked))

        if options:
            with tag("fieldset", classes="ticks"):
                tag("legend", title)
                for id_, name in options.items():
                    parts.tick(name, id_ in chosen(said), taking(id_))
