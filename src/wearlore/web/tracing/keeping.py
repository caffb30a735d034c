"""Afterwards: keep what the trace said, and put on record what was found."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from wearlore.answers import Standing, TracedFault
from wearlore.book.model import Book
from wearlore.errors import TraceError
from wearlore.report.sheet import Bullets, counted
from wearlore.report.trace import called, opened
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.parts import tag
from wearlore.web.tracing.said import number


class Keeping:
    """Of one vehicle. Nothing is written before its button is pressed; ``recorded`` is told when records changed."""

    def __init__(self, desk: Desk, book: Book, vehicle: str, recorded: Callable[[], Awaitable[None]]) -> None:
        self.desk, self.book, self.vehicle, self.recorded = desk, book, vehicle, recorded
        self.traced: TracedFault | None = None
        self.odometer = self.note = ""

    def draw(self, odometer: str) -> None:
        self.odometer = odometer
        self.found = tag("div")
        with tag("div", classes="controls"):
            parts.field("Odometer", odometer, lambda said: self._set("odometer", said), kind="number",
                        unit=self.desk.units.distance, min=0, step="any")  # fmt: skip
            parts.field("Note, in your words", "", lambda said: self._set("note", said))
            parts.button("Put on record what was found", self._record)
            parts.button("Keep these chances", self._keep)
        self.outcome = tag("div", role="status", classes="outcome")

    def show(self, traced: TracedFault) -> None:
        self.traced = traced
        self.found.clear()
        with self.found:
            if lines := self._found(traced):
                parts.blocks(Bullets(tuple(lines)))
            else:
                parts.says(
                    "Open a source, then say under its ‘Why’ whether it is there or good: that goes on record here."
                )

    def _found(self, traced: Standing) -> list[str]:
        names = {suspect.cause: called(suspect) for suspect in traced.suspects}
        told = ((True, "is there"), (False, "looked at, is not there"))
        return [f"{names[c]}: {said}" for present, said in told for c in opened(traced, self.book, present=present)]

    def _set(self, field: str, said: str) -> None:
        setattr(self, field, said)

    async def _record(self) -> None:
        with parts.anew(self.outcome):
            traced = self._known()
            if (odometer := number("the odometer", self.odometer)) is None:
                raise TraceError(
                    "nobody said where the odometer stands", "Type it: what was found is put on record at it."
                )
            found = [opened(traced, self.book, present=present) for present in (True, False)]
            taken = await self.desk.change(
                lambda bench: bench.found(
                    self.vehicle, confirmed=found[0], refuted=found[1], km=self.desk.units.to_km(odometer),
                    today=self.desk.today(), text=self.note,
                )
            )  # fmt: skip
            known = (
                "It was on record already."
                if taken.duplicate_of
                else f"On record: {counted(sum(map(len, found)), 'finding')}."
            )
            parts.says(f"{known} The chances above count with it.")
            await self.recorded()

    async def _keep(self) -> None:
        with parts.anew(self.outcome):
            traced = self._known()
            kept = await self.desk.change(lambda bench: bench.keep(traced, self.desk.today()))
            parts.says(
                f"Kept: {counted(kept, 'chance')}, to be compared with what is found."
                if kept
                else "Kept before: nothing is new."
            )

    def _known(self) -> TracedFault:
        if self.traced is None or not self.traced.told:
            raise TraceError("nothing is told yet", "Say what was seen first.")
        return self.traced
