"""The guide as it will be published, for either reader, and the button that publishes it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from itertools import groupby

from fastapi import Request, Response
from fastapi.responses import PlainTextResponse
from nicegui import app, ui

from wearlore.answers.guide import FamilyGuide, Published, Reader
from wearlore.errors import WearloreError
from wearlore.report.guide import READERS, chapter_html, files, publication
from wearlore.report.guide.document import Chapter, Publication
from wearlore.report.sheet import counted
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import frame
from wearlore.web.latest import Latest
from wearlore.web.parts import tag
from wearlore.web.said import Said, keep_address
from wearlore.workbench import Workbench

CALLED: Mapping[Reader, str] = {"owners": "For owners", "buyers": "For buyers"}
KINDS = {"html": ("text/html; charset=utf-8", "as a page"), "pdf": ("application/pdf", "to print")}
FILES = {f"{reader}.{kind}": f"{CALLED[reader]}, {KINDS[kind][1]}" for reader in READERS for kind in KINDS}
OPEN = ("in-short",)  # chapters that are not folded
ALL = "all"
Told = tuple[FamilyGuide, Mapping[Reader, Publication]]


def create(desk: Desk) -> None:
    """Make the page and the published files known."""

    @ui.page("/guide")
    async def guide(request: Request) -> None:
        with frame(desk, "Guide", section="guide"):
            await _Page(desk, Said.of(request)).show()

    @app.get("/guide/{name}", include_in_schema=False)
    async def file(name: str) -> Response:
        """A published file. Only names that we give ourselves are looked for."""
        known = next((one for one in FILES if one == name), None)
        path = desk.bench.guide_path / known if known else None
        if path is None or not path.is_file():
            return PlainTextResponse("There is no such file of the guide. Publish it first.", 404)
        kind = KINDS[path.suffix.removeprefix(".")][0]
        held = {"Content-Disposition": f'inline; filename="guide-{path.name}"', "Cache-Control": "no-store"}
        return Response(path.read_bytes(), media_type=kind, headers=held)


class _Page:
    """One visitor's page: for whom, of which variant, and what is shown of it."""

    def __init__(self, desk: Desk, said: Said) -> None:
        self.desk, self.said, self.units = desk, said, desk.units
        self.variant = said.one("variant")
        told = said.one("for", READERS[0])
        self.reader: Reader = next((one for one in READERS if one == told), READERS[0])

    async def show(self) -> None:
        parts.says("What you publish for those who own such a vehicle, and for those who think of buying one.")
        with parts.panel(classes="guide-desk"):
            with tag("div", classes="controls"):
                self.switch = tag("div", classes="reader-switch", role="group", aria_label="For whom")
                self.draw_switch()
                variants = {ALL: "The whole family"} | {
                    name: f"Only {one.name}" for name, one in self.desk.bench.book.variants.items()
                }
                chosen = self.variant if self.variant in variants else ALL
                parts.choice("Of", variants, chosen, self.of_variant)
            self.state = tag("div", classes="guide-state")
        self.draw_state(await self.desk.ask(lambda bench: bench.published()))
        self.preview = Latest(self.desk, "Gathering what the guide says")
        self.ask()

    # ---------------------------------------------------------------------------------------------------------- wishes
    def draw_switch(self) -> None:
        self.switch.clear()
        with self.switch:
            for reader, called in CALLED.items():
                parts.button(called, partial(self.for_reader, reader), pressed=reader == self.reader)

    def for_reader(self, reader: Reader) -> None:
        self.reader = reader
        self.said = self.said.but(**{"for": reader})
        keep_address(self.said)
        self.draw_switch()
        self.ask()

    def of_variant(self, variant: str) -> None:
        self.variant = "" if variant == ALL else variant
        self.said = self.said.but(variant=self.variant)
        keep_address(self.said)
        self.ask()

    # --------------------------------------------------------------------------------------------------------- preview
    @property
    def key(self) -> tuple[str, str, str]:
        return "guide", self.variant, self.units.distance

    def ask(self) -> None:
        self.preview.ask(self.question, self.draw, key=self.key)

    def question(self, bench: Workbench) -> Told:
        """The guide with what is published for each reader."""
        guide = bench.guide(variant=self.variant or None, units=self.units)
        return guide, {reader: publication(guide, reader, self.units, self.desk.today()) for reader in READERS}

    def draw(self, told: Told) -> None:
        shown = told[1][self.reader]
        with tag("article", classes="guide guide-preview"):
            with tag("header", classes="cover"):
                tag("p", shown.kind, classes="kind")
                tag("h2", shown.title)
                tag("p", shown.subtitle, classes="subtitle")
                parts.facts([*shown.facts, *([("Written by", shown.author)] if shown.author else [])])
            for group, chapters in groupby(shown.chapters, lambda one: one.group):
                if group:
                    tag("h2", group, classes="group-name")
                for chapter in chapters:
                    _chapter(chapter)
            tag("p", shown.small_print, classes="small")

    # ------------------------------------------------------------------------------------------------------- publishing
    def draw_state(self, published: Published | None) -> None:
        self.state.clear()
        with self.state:
            tag("p", _told(published), role="status")
            with tag("div", classes="guide-files"):
                for name in published.files if published else ():
                    if called := FILES.get(name):
                        parts.link(called, f"/guide/{name}", classes="button")
                parts.button("Publish both", self.publish, main=True)
            tag(
                "p",
                "Written into the folder “guide” of this workshop. Your own words stand in the book.",
                classes="small",
            )

    async def publish(self) -> None:
        self.state.clear()
        with self.state, tag("p", role="status", classes="waiting"):
            tag("span", "Typesetting both guides …")
        units, today = self.units, self.desk.today()
        try:
            guide, _ = await self.desk.ask(self.question, key=self.key, long=True)
            made = await self.desk.ask(lambda _: files(guide, READERS, units, today), long=True)
            self.draw_state(await self.desk.change(lambda bench: bench.publish(made, today)))
        except WearloreError as problem:
            self.draw_state(await self.desk.ask(lambda bench: bench.published()))
            with self.state:
                parts.problem(problem)


def _told(published: Published | None) -> str:
    if published is None:
        return "Not published yet."
    said = f"Published on {published.on.isoformat()}, {counted(len(published.files), 'file')}."
    if published.changed:
        return f"{said} Since then {' and '.join(f'the {what}' for what in published.changed)} changed: publish anew."
    return f"{said} Neither the book nor the records have changed since."


def _chapter(chapter: Chapter) -> None:
    """Folded, and filled only when it is opened: all of them at once would be much to send."""
    details = tag("details", classes="folded", id=chapter.anchor)
    unfolded = chapter.anchor in OPEN

    def fill() -> None:
        if not inside.default_slot.children:
            with inside:
                if chapter.kicker:
                    tag("p", chapter.kicker, classes="kicker")
                ui.html(chapter_html(chapter), sanitize=False).classes("blocks")

    with details:
        tag("summary", chapter.title)
        inside = tag("div", classes="inside")
    if unfolded:
        details.props["open"] = True
        fill()
    else:
        details.on("toggle", lambda _: fill())
