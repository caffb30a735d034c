"""The family: the wear bands of all weak points, soonest first, and what they rest on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

from nicegui import ui

from wearlore.answers import FamilyLives, ModeSummary
from wearlore.errors import WearloreError
from wearlore.records.summary import Summary
from wearlore.report.bands import Axis, axis_row, band_rows, consequence
from wearlore.report.sheet import counted
from wearlore.units import Units
from wearlore.web import parts
from wearlore.web.choosing import NOTICED, ORDERS, SEVERITIES, Choice, systems
from wearlore.web.desk import Desk
from wearlore.web.frame import frame
from wearlore.web.parts import tag
from wearlore.workbench import Workbench

HOW = (
    "A band runs from where 1 in 10 has failed to where 9 in 10 have; the gap in it is where half have. Its ends slope "
    "over what is not known (95 %): steep is well known, long is not. Solid is measured, hatched is judgement."
)
OF_ALL = "Bands are those of all variants together; the counts are of {variant}."
GRAVE = {
    "stranded": "can leave the vehicle standing",
    "engine-damage": "can ruin the engine",
    "injury": "can injure somebody",
}
NO_RECORDS = (
    "There are no records yet: every band is the book's judgement alone. With the first files of visits the bands turn "
    "from judgement into what was measured."
)
HOW_TO_LOAD = "wearlore records load FILE …"


class Known(NamedTuple):
    """What the page is drawn from; ``held`` is None while there is no store."""

    lives: FamilyLives
    held: Summary | None


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/")
    async def family(
        variant: str = "",
        system: str = "",
        consequence: str = "",
        noticed: str = "",
        search: str = "",
        order: str = "soonest",
    ) -> None:
        choice = Choice(variant, system, consequence, noticed, search, order)
        with frame(desk, "What fails and when", section="family"):
            try:
                choice.check(desk.bench.book)
            except WearloreError as error:
                parts.problem(error)
                choice = Choice()
            await parts.answered(desk, _known, lambda known: _Page(desk, known, choice).draw(), key=("family",))


def _known(bench: Workbench) -> Known:
    return Known(bench.lives(), bench.records() if bench.store_path.exists() else None)


class _Page:
    """The page for one visitor: what is chosen, and the parts that change with it."""

    def __init__(self, desk: Desk, known: Known, choice: Choice) -> None:
        self.book, self.units = desk.bench.book, desk.units
        self.known, self.choice = known, choice
        self.axis = Axis.over(known.lives.rows, self.units)

    def draw(self) -> None:
        self.lead = tag("p", classes="lead")
        if self.known.held is None or not self.known.held.visits:
            _without_records()
        else:
            tag("p", _held(self.known.held), classes="on-record")
        with tag("div", classes="controls sieve", role="search", aria_label="Which weak points"):
            self._controls()
        with tag("div", classes="tally"):
            self.count = tag("p", role="status")
            self.all = tag("a", "Show all", href="/", classes="button plain")
        self.note = tag("p", classes="small of-all")
        tag("p", HOW, classes="small how")
        with tag("section", classes="bands", aria_label="Wear bands"):
            ui.html(axis_row(self.axis, self.units), sanitize=False).classes("head")
            self.rows = ui.html("", sanitize=False)
        self._show()

    def _controls(self) -> None:
        book, choice = self.book, self.choice
        parts.field("Search", choice.search, self._take("search"), kind="search", live=True, autocomplete="off")
        if len(book.variants) > 1:
            named = {id_: f"{id_}: {variant.name}" for id_, variant in book.variants.items()}
            parts.choice("Variant", {"": "all variants"} | named, choice.variant, self._take("variant"))
        every = {name: name for name in systems(book)}
        parts.choice("System", {"": "all systems"} | every, choice.system, self._take("system"))
        worse = {name: consequence(name) + (" or worse" if name != SEVERITIES[-1] else "") for name in SEVERITIES[1:]}
        parts.choice("Consequence", {"": "any"} | worse, choice.consequence, self._take("consequence"))
        noticed = dict(zip(NOTICED, ("evident", "hidden, only when looked for"), strict=True))
        parts.choice("Noticed", {"": "either way"} | noticed, choice.noticed, self._take("noticed"))
        parts.choice("Order", ORDERS, choice.order, self._take("order"))

    def _take(self, name: str) -> Callable[[str], None]:
        def taken(value: str) -> None:
            self.choice = replace(self.choice, **{name: value})
            ui.navigate.history.replace(self.choice.address)
            self._show()

        return taken

    def _show(self) -> None:
        choice = self.choice
        shown = choice.of(self.known.lives, self.book)
        parts.retext(self.lead, lead(shown, self.units, choice))
        parts.retext(self.count, f"Shown: {len(shown)} of {counted(len(self.known.lives.rows), 'weak point')}")
        self.all.classes(remove="gone") if choice.narrows else self.all.classes(add="gone")
        parts.retext(self.note, OF_ALL.format(variant=choice.variant) if choice.variant else "")
        self.rows.set_content(band_rows(shown, self.axis, self.units, choice.variant))


def lead(shown: list[ModeSummary], units: Units, choice: Choice) -> str:
    """What fails soonest of those shown, and how grave it can get."""
    known = [(row, row.b10, row.b50) for row in shown if row.b10 and row.b50]
    if not shown:
        return "No weak point is like that."
    if not known:
        return "Of none of these is anything known yet."
    row, b10, b50 = min(known, key=lambda each: each[1].value)
    whose = "Of these soonest" if choice.narrows else "Soonest"
    said = f"{whose}: {row.name}. 1 in 10 by {units.show_estimate(b10)}, half by {units.show_distance(b50.value)}."
    grave = [(sum(row.severity == name for row in shown), does) for name, does in GRAVE.items()]
    told = [f"{number} {does}" for number, does in grave if number]
    return f"{said} {len(shown)} weak points, of which {' and '.join(told)}." if told and len(shown) > 1 else said


def _held(held: Summary) -> str:
    span = f", {held.first_date} to {held.last_date}" if held.first_date else ""
    counts = (counted(held.vehicles, "vehicle"), counted(held.visits, "visit"), counted(held.lines, "line"))
    return f"On record: {', '.join(counts)}{span}."


def _without_records() -> None:
    with tag("div", classes="notice-box"):
        tag("p", NO_RECORDS)
        with tag("p"):
            tag("a", "Load records", href="/records", classes="button")
            tag("span", " or type ")
            tag("code", HOW_TO_LOAD)
