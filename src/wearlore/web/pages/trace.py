"""Where a fault comes from: touch what is wet, say what is there, look where it pays most, act when it is time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from fastapi import Request
from nicegui import ui

from wearlore.answers import LookAhead, Standing, TracedFault
from wearlore.book.model import Book
from wearlore.errors import WearloreError
from wearlore.report.trace import called, rules, show_chance
from wearlore.trace import Told
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import frame, of_vehicle
from wearlore.web.parts import tag
from wearlore.web.tracing.engine import EngineMap
from wearlore.web.tracing.keeping import Keeping
from wearlore.web.tracing.nextstep import HERE, NextPanel
from wearlore.web.tracing.said import Said, number
from wearlore.web.tracing.signs import Signs
from wearlore.web.tracing.sources import Sources
from wearlore.web.tracing.workshop import Today
from wearlore.workbench.tracing import Tracing

SOURCES = "sources"
CYCLE = {None: True, True: False, False: None}  # of a zone that is touched
COPY = "() => navigator.clipboard && navigator.clipboard.writeText(document.getElementById('command').textContent)"


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}/trace")
    async def trace(request: Request, vehicle: str) -> None:
        with frame(desk, "Where does it come from?", section="vehicles", vehicle=vehicle, tab="trace"):
            book = desk.bench.book
            try:
                said = Said.of(book, request.query_params)
            except WearloreError as error:
                parts.problem(error)
                parts.link("Start anew", of_vehicle(vehicle, "/trace"), classes="button main")
                return
            page = TracePage(desk, book, vehicle, said)
            page.draw()
            ui.timer(0.01, page.answer, once=True)


class TracePage:
    """One vehicle's case on one screen: what is said, and the answers as they come."""

    def __init__(self, desk: Desk, book: Book, vehicle: str, said: Said) -> None:
        self.desk, self.book, self.vehicle, self.said = desk, book, vehicle, said
        self.turn = 0  # of what was asked; an answer to an older question is not shown
        self.tracing: Tracing | None = None
        self.map = EngineMap(book, self._touch, self._rest_dry)
        self.signs = Signs(book, self._tell, self._read, self._codes_read)
        self.sources = Sources(desk.units, self._tell)
        self.next = NextPanel(book, desk.units, self._sights, self._showed, self._later)
        self.today = Today(book, desk.units, self.change)
        self.keeping = Keeping(desk, book, vehicle, self.answer)

    # -------------------------------------------------------------------------------------------------------- drawing
    def draw(self) -> None:
        self.stops = tag("div", classes="stops", role="alert", aria_live="assertive")
        with tag("div", classes="trace"):
            with tag("div", classes="trace-told"):
                with parts.panel("Touch the engine", classes="engine-panel"):
                    self.map.draw(self.said)
                with parts.panel("What is told"):
                    self.chips = tag("div", classes="chips", id="told", tabindex="-1")
                with parts.panel("What else is there"):
                    self.signs.draw(self.said)
            with tag("div", classes="trace-answers"):
                self.trouble = tag("div")
                with tag("section", classes="panel", id=SOURCES, tabindex="-1"):
                    tag("h2", "Likely sources")
                    self.sources.draw()
                with tag("section", classes="panel next"):
                    self.next.draw()
        self._folded()
        self.strip = tag("nav", classes="trace-now", aria_label="Where the trace stands")

    def _folded(self) -> None:
        with tag("details", classes="panel"):
            tag("summary", "This vehicle and this workshop today")
            self.today.draw(self.said)
        with tag("details", classes="panel"):
            tag("summary", "What was found, and keeping the chances")
            self.keeping.draw("" if self.said.odometer is None else f"{self.said.odometer:.10g}")
        with tag("details", classes="panel"):
            tag("summary", "The same in a terminal")
            self.command = tag("pre", self._command(), id="command", tabindex="0")
            tag("button", "Copy", type="button", classes="button").on("click", js_handler=COPY)

    def _command(self) -> str:
        folder = str(self.desk.bench.folder)
        return self.said.command(self.book, self.vehicle, () if folder == "." else ("--in", folder))

    # --------------------------------------------------------------------------------------------------------- saying
    async def change(self, to: Callable[[Said], Said]) -> None:
        """Say something else, show at once that it is said, and answer anew."""
        try:
            self.said = to(self.said)
        except WearloreError as error:
            self._show_trouble(error)
            return
        self.map.show(self.said)
        self.signs.show(self.said)
        parts.retext(self.command, self._command())
        ui.navigate.history.replace(self.said.address(self.book, self.vehicle))
        await self.answer()

    async def _touch(self, about: str) -> None:
        told = self.said.about(about)
        await self._tell(about, CYCLE[told.present if told else None])

    async def _tell(self, about: str, present: bool | None) -> None:
        if present is None:
            await self.change(lambda said: said.unsaid(about))
        else:
            await self.change(lambda said: said.saying(Told(about, present)))

    async def _rest_dry(self, names: list[str]) -> None:
        await self.change(lambda said: said.saying(*(Told(name, False) for name in names)))

    async def _read(self, about: str, typed: str) -> None:
        def read(said: Said) -> Said:
            value = number(about, typed)
            return said.unsaid(about) if value is None else said.saying(Told(about, value=value))

        await self.change(read)

    async def _codes_read(self, read: bool) -> None:
        await self.change(lambda said: said.with_codes_read(self.book, read))

    async def _showed(self, look: LookAhead, told: Sequence[Told]) -> None:
        """What was opened for a look stays open."""
        needs = self.book.inspections[look.inspection].needs
        await self.change(
            lambda said: replace(
                said.saying(*told),
                skip=tuple(dict.fromkeys((*said.skip, look.inspection))),
                off=tuple(dict.fromkeys((*said.off, *needs))),
            )
        )

    async def _later(self, look: LookAhead) -> None:
        await self.change(lambda said: replace(said, skip=tuple(dict.fromkeys((*said.skip, look.inspection)))))

    def _sights(self, inspection: str) -> Sequence[tuple[str, str]]:
        """What a look can show that is not known yet, with its name."""
        return self.tracing.sights(inspection, self.said.told, self.said.off) if self.tracing else ()

    # ------------------------------------------------------------------------------------------------------- answering
    async def answer(self) -> None:
        """The sources first, then what to look at next; only for what was said last."""
        self.turn += 1
        turn, said = self.turn, self.said
        self.next.busy()
        try:
            km = None if said.odometer is None else self.desk.units.to_km(said.odometer)
            about = (self.vehicle, km, said.missing_tool, said.rate)
            tracing = await self.desk.ask(
                lambda bench: bench.tracing(
                    self.vehicle, km=km, missing_tools=said.missing_tool, labour_rate=said.rate
                ),
                key=("tracing", *about),
            )
            standing = await self.desk.ask(lambda _: tracing.standing(said.told), key=("standing", *about, said.told))
            if turn == self.turn:
                self._show_standing(tracing, standing)
                traced = await self.desk.ask(
                    lambda _: tracing.onward(standing, said.off, said.skip) if turn == self.turn else None,
                    key=("traced", *about, said.told, said.off, said.skip),
                )
                if turn == self.turn and traced:
                    self._show_traced(traced)
        except WearloreError as error:
            if turn == self.turn:
                self._show_trouble(error)

    def _show_standing(self, tracing: Tracing, standing: Standing) -> None:
        self.tracing = tracing
        self.trouble.clear()
        self.stops.clear()
        if standing.stops:
            with self.stops:
                parts.blocks(*rules(standing))
        self.sources.show(standing, self.said)
        self.map.likely(standing)
        self._show_chips(standing)
        self._show_strip(standing)

    def _show_traced(self, traced: TracedFault) -> None:
        self.next.show(traced)
        self.keeping.show(traced)
        self._show_strip(traced)

    def _show_trouble(self, error: WearloreError) -> None:
        """What was said cannot be answered: say why, and lend a way back."""
        self.sources.nothing()
        self.next.nothing()
        with parts.anew(self.trouble):
            parts.problem(error)
            with tag("div", classes="controls"):
                if self.said.told:
                    last = self.said.told[-1].about
                    parts.button("Take back what was said last", lambda: self._tell(last, None), main=True)
                parts.link("Start anew", of_vehicle(self.vehicle, "/trace"), classes="button")

    # --------------------------------------------------------------------------------------------------- what is told
    def _show_chips(self, standing: Standing) -> None:
        self.chips.clear()
        gone = {id_ for id_, o in self.book.observations.items() if o.kind == "code"} if self.said.codes_read else set()
        with self.chips:
            if not standing.told:
                parts.says("Nothing yet.")
            for one, said in zip(standing.told, standing.said, strict=True):
                if one.present or one.by or one.about not in gone:
                    self._chip(said, partial(self._tell, one.about, None))
            if gone:
                self._chip("All codes were read: no others are there", partial(self._codes_read, False))
            for look in self.said.skip:
                self._chip(f"Not offered: {self.book.inspections[look].name}", partial(self._offered, look))
            if standing.told or self.said.skip:
                parts.link("Start anew", of_vehicle(self.vehicle, "/trace"), classes="button")

    def _chip(self, said: str, away: Callable[[], object]) -> None:
        with tag("span", classes="chip-told"):
            tag("span", said)
            made = tag("button", "×", type="button", classes="away", aria_label=f"Take back: {said}")
            made.on("click", lambda _: away(), js_handler="() => { document.getElementById('told').focus(); emit(); }")

    async def _offered(self, look: str) -> None:
        await self.change(lambda said: replace(said, skip=tuple(one for one in said.skip if one != look)))

    def _show_strip(self, standing: Standing) -> None:
        """Where it stands, always in sight on a phone."""
        self.strip.clear()
        if not standing.told:
            return
        with self.strip:
            if standing.stops:
                parts.link(f"{standing.stops[0].signal}: {standing.stops[0].name}", "#content", classes="stop")
            if standing.asked:
                first = standing.asked[0]
                parts.link(f"{called(first)} {show_chance(first.chance.value)}", f"#{SOURCES}")
            if isinstance(standing, TracedFault) and standing.asked:
                parts.link(standing.next.name if standing.next else "Act now", f"#{HERE}")
