"""One weak point: when it fails and on what that rests, how it shows itself, and what to do about it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from itertools import groupby
from typing import TypeVar
from urllib.parse import quote

from fastapi import Request, Response
from nicegui import ui
from nicegui.element import Element

from wearlore.answers.remedies import ModeRemedies
from wearlore.errors import CannotOccur, NameNotKnown, WearloreError
from wearlore.records.summary import EvidenceLine
from wearlore.report.bands import lone_band
from wearlore.report.sheet import Block, counted
from wearlore.report.weak_point import (
    LISTED,
    cautions_of,
    facts,
    failures_listed,
    figures_told,
    looks_block,
    remedy_told,
    rules_of,
    signs_listed,
)
from wearlore.web import parts, weak_point
from wearlore.web.desk import Desk
from wearlore.web.frame import frame
from wearlore.web.parts import tag
from wearlore.web.sheets import folded, in_short
from wearlore.web.weak_point import Asked, Life, Told
from wearlore.workbench import Workbench

T = TypeVar("T")
DEEPER = "How far to trust the curve: probability paper, hazard, early failures, unknown ages"
MORE = "More: tables, tests and what it rests on"
OPEN_TOO = ("Strategies, cheapest first", "What each choice costs, cheapest in the long run first")


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/weak-points/{mode}")
    async def weak_point_page(mode: str, request: Request, variant: str = "") -> Response | None:
        try:
            asked = _asked(desk, mode, variant)
        except WearloreError as error:
            with frame(desk, "No such weak point", section="family"):
                parts.problem(error)
                parts.link("All weak points", "/", classes="button plain")
            return ui.context.client.build_response(request, 404)
        with frame(desk, desk.bench.book.modes[mode].name, section="family"):
            await _Page(desk, asked).draw()
        return None


def _asked(desk: Desk, mode: str, variant: str) -> Asked:
    """Raises NameNotKnown, CannotOccur."""
    book = desk.bench.book
    if mode not in book.modes:
        raise NameNotKnown("weak point", mode, book.modes)
    able = tuple(book.variants_with(mode))
    if variant and variant not in book.variants:
        raise NameNotKnown("variant", variant, book.variants)
    if variant and variant not in able:
        raise CannotOccur(mode, "a vehicle", variant)
    return Asked(mode, variant or able[0], able, desk.units, desk.today())


class _Page:
    """The page for one visitor. A section whose answer has nothing to say stays away."""

    def __init__(self, desk: Desk, asked: Asked) -> None:
        self.desk, self.asked, self.book = desk, asked, desk.bench.book
        self.turn = asyncio.Lock()  # from the top down, and never in the way of others' short questions

    async def draw(self) -> None:
        parts.facts(facts(self.book, self.asked.mode, self.asked.units))
        with tag("div", classes="weak-point"):
            self.ways = tag("nav", classes="inner", aria_label="On this page")
            with tag("div", classes="sections"):
                await self._answered("when", "When it fails", weak_point.life, self._life, waits=True)
                self._signs()
                await self._answered("remedies", "What cures it", weak_point.remedies, self._remedies)
                await self._answered("plan", "Look, renew or leave", weak_point.plan, _told)
                await self._answered("economy", "Which part pays", weak_point.economy, _told, long=True)
                await self._answered("apart", "Which lasts longer", weak_point.apart, _told)
                await self._answered("faster", "What brings it on", weak_point.faster, _told)
                await self._answered("again", "Does it come again", weak_point.again, _told)
                await self._answered("readings", "Readings that drift", weak_point.readings, _told)
                await self._answered("records", "Records behind it", weak_point.records, self._records)

    def _section(self, name: str, title: str, *, shown: bool) -> tuple[Element, Element]:
        """The section, and the way to it."""
        away = "" if shown else "gone"
        with self.ways:
            way = tag("a", title, href=f"#{name}", classes=away)
        with tag("section", id=name, classes=f"panel {away}") as panel:
            tag("h2", title)
        return panel, way

    async def _answered(
        self,
        name: str,
        title: str,
        question: Callable[[Workbench, Asked], T],
        draw: Callable[[T], None],
        *,
        waits: bool = False,
        long: bool = False,
    ) -> None:
        """``waits``: the section is there while it is asked; else once there is something in it."""
        asked = self.asked
        panel, way = self._section(name, title, shown=waits)

        def shown(answer: T) -> None:
            if answer:
                draw(answer)
                panel.classes(remove="gone")
                way.classes(remove="gone")

        with panel:
            key = ("weak-point", name, asked.mode, asked.variant, asked.today)
            await parts.answered(self.desk, lambda bench: question(bench, asked), shown, key=key, long=long, moment=0)

    # sections ---------------------------------------------------------------------------------------------------------

    def _life(self, told: Life) -> None:
        parts.says(told.lead, "lead")
        ui.html(lone_band(told.summary, self.asked.units), sanitize=False)
        parts.facts(figures_told(told.summary, self.asked.units))
        if note := self.book.modes[self.asked.mode].note:
            parts.says(note)
        in_short(told.sheet, "The numbers behind the curve")
        self._deeper()

    def _deeper(self) -> None:
        """What takes long to answer is asked when somebody opens it."""
        with folded(DEEPER) as details:
            slot = tag("div", classes="slot")
        opened: list[bool] = []

        async def toggled(is_open: bool) -> None:
            if is_open and not opened:
                opened.append(True)
                with slot:
                    await parts.answered(
                        self.desk, lambda bench: weak_point.deeper(bench, self.asked), _shown,
                        key=("weak-point", "deeper", self.asked.mode), long=True,
                    )  # fmt: skip

        details.on("toggle", lambda event: toggled(event.args), js_handler="(e) => emit(e.target.open)")

    def _signs(self) -> None:
        mode = self.asked.mode
        if not self.book.modes[mode].observations:
            return
        panel, _ = self._section("signs", "How it shows itself", shown=True)
        with panel:
            parts.blocks(*rules_of(self.book, mode))
            parts.says("Of 100 vehicles that have it, how many show it so:", "small")
            ui.html(signs_listed(self.book, mode), sanitize=False)
            if looks := looks_block(self.book, mode):
                tag("h3", "Where to look")
                parts.blocks(*looks)

    def _remedies(self, told: ModeRemedies) -> None:
        self._variants("remedies")
        if not told.ways:
            parts.says("Nothing in the book cures it.")
        by_remedy = sorted(told.ways, key=lambda way: way.remedy)
        alike = [tuple(same) for _, same in groupby(by_remedy, key=lambda way: way.remedy)]
        for ways in sorted(alike, key=lambda ways: min(way.money for way in ways)):
            with tag("div", classes="remedy"):
                tag("h3", ways[0].name)
                parts.blocks(*remedy_told(ways, self.asked.units))
        grave, others = cautions_of(self.book, told)
        if grave.rows:
            parts.blocks(grave)
        if others.rows:
            with folded(counted(len(others.rows), "more caution" if grave.rows else "caution")):
                parts.blocks(others)
        where = f"{told.variant}{f', {told.position}' if told.position else ''}"
        rate = self.asked.units.show_money(told.rate)
        parts.says(
            f"On {where}: a visit for it alone, access and all that goes with it counted, at {rate} an hour.", "small"
        )

    def _variants(self, section: str) -> None:
        """Another variant than the one that work and money are told for."""
        asked = self.asked
        if len(asked.variants) > 1:
            named = {id_: f"{id_}: {self.book.variants[id_].name}" for id_ in asked.variants}
            where = f"/weak-points/{quote(asked.mode)}?variant={{}}#{section}"
            with tag("div", classes="controls"):
                parts.choice(
                    "Work and money on", named, asked.variant, lambda name: ui.navigate.to(where.format(quote(name)))
                )

    def _records(self, lines: tuple[EvidenceLine, ...]) -> None:
        newest = f", the newest {LISTED} of them" if len(lines) > LISTED else ""
        with folded(f"{counted(len(lines), 'failure')} on record{newest}"):
            ui.html(failures_listed(lines, self.asked.units), sanitize=False).classes("blocks")


def _told(told: Sequence[Told]) -> None:
    for one in told:
        if one.title:
            tag("h3", one.title)
        in_short(one.sheet, MORE, open_too=OPEN_TOO)


def _shown(blocks: tuple[Block, ...]) -> None:
    parts.blocks(*blocks)
