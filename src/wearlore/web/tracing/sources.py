"""The sources that it may be, likeliest first: each with its chance, and folded what speaks for and against it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from nicegui import ui
from nicegui.element import Element

from wearlore.answers import Standing, Suspected
from wearlore.report.page import to_fragment
from wearlore.report.sheet import Block, Bullets, Heading, Paragraph
from wearlore.report.trace import beside, called, for_and_against, listed, show_chance, span, together
from wearlore.units import Units
from wearlore.web import parts
from wearlore.web.parts import tag
from wearlore.web.tracing.said import Said

Tell = Callable[[str, bool | None], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class _Row:
    root: Element
    chance: Element
    span: Element
    bar: Element
    why: ui.html
    there: Element
    gone: Element


class Sources:
    """``tell``: a cause was opened and is there, or is good; None: not looked at. A row stays the same as it moves."""

    def __init__(self, units: Units, tell: Tell) -> None:
        self.units, self.tell = units, tell
        self.said = Said()
        self.rows: dict[str, _Row] = {}

    def draw(self) -> None:
        self.lead = tag("p", "Weighing …", classes="waiting", role="status")
        self.list = tag("ol", classes="sources")
        self.none = tag("p", classes="none-of-these")
        with tag("details", classes="fold") as self.others:
            tag("summary", "Others, and which are there together")
            self.more = ui.html("", sanitize=False).classes("blocks")

    def nothing(self) -> None:
        """There is no answer to show."""
        self.lead.classes(remove="waiting")
        parts.retext(self.lead, "No answer: see above.")
        parts.retext(self.none, "")
        self.others.classes(add="gone")
        self.list.clear()
        self.rows = {}

    def show(self, standing: Standing, said: Said) -> None:
        self.said = said
        self._lead(standing)
        wanted = listed(standing)
        for cause in self.rows.keys() - {suspect.cause for suspect in wanted}:
            self.rows.pop(cause).root.delete()
        with self.list:
            for suspect in wanted:
                self._show(suspect, standing)
        order = {self.rows[suspect.cause].root.id: place for place, suspect in enumerate(wanted)}
        children = self.list.default_slot.children
        if [order[child.id] for child in children] != list(range(len(children))):
            children.sort(key=lambda child: order[child.id])
            self.list.update()
        none = f"None of these: {show_chance(standing.unexplained)}" if standing.asked else ""
        parts.retext(self.none, none)
        others = [*beside(standing), *together(standing)] if standing.asked else []
        self.more.set_content(to_fragment(others))
        self.others.classes(**{"remove" if others else "add": "gone"})

    def _lead(self, standing: Standing) -> None:
        if not standing.told:
            said = "Nothing is told yet: by age, history and last look alone."
        elif not standing.asked:
            said = "Nothing of what is told asks for a cause; by age, history and last look alone:"
        else:
            said = "The line on each bar: 95 % interval; the mark: its chance before anything was told."
        self.lead.classes(remove="waiting")
        parts.retext(self.lead, said)

    def _show(self, suspect: Suspected, standing: Standing) -> None:
        row = self.rows.get(suspect.cause) or self._row(suspect)
        self.rows[suspect.cause] = row
        chance, before = suspect.chance, suspect.prior.value
        parts.retext(row.chance, show_chance(chance.value))
        parts.retext(row.span, span(chance))
        places = {"at": chance.value, "low": chance.low, "high": chance.high, "before": before}
        row.bar.props["style"] = ";".join(f"--{name}:{100 * value:.2f}%" for name, value in places.items())
        row.bar.update()
        row.why.set_content(to_fragment(self._why(suspect, standing)))
        told = self.said.about(suspect.cause)
        for button, pressed in ((row.there, told and told.present), (row.gone, told and not told.present)):
            parts.press(button, bool(pressed))

    def _row(self, suspect: Suspected) -> _Row:
        cause, name = suspect.cause, called(suspect)
        with tag("li", classes="source") as root, tag("details"):
            with tag("summary", title="What speaks for and against it"):
                tag("span", name, classes="source-name")
                chance, interval = tag("strong"), tag("span", classes="source-span")
                with tag("span", classes="source-bar", aria_hidden="true") as bar:
                    for part in ("fill", "whisker", "before"):
                        tag("i", classes=part)
            with tag("div", classes="source-why"):
                why = ui.html("", sanitize=False).classes("blocks")
                with tag("div", classes="yes-no", role="group", aria_label=f"Opened and looked at: {name}"):
                    tag("span", "Opened and looked at:")
                    there = parts.button("it is there", lambda: self._pressed(cause, True), pressed=False)
                    gone = parts.button("it is good", lambda: self._pressed(cause, False), pressed=False)
        return _Row(root, chance, interval, bar, why, there, gone)

    async def _pressed(self, cause: str, present: bool) -> None:
        told = self.said.about(cause)
        await self.tell(cause, None if told and told.present == present else present)

    def _why(self, suspect: Suspected, standing: Standing) -> list[Block]:
        speaks, against = for_and_against(standing, suspect.cause)
        age = "of unknown age" if suspect.age is None else f"{self.units.show_distance(suspect.age)} old"
        on = f"{suspect.component}, {age}, last known good {self.units.show_distance(suspect.unseen)} ago"
        record = " It stands on record as found and not cured." if suspect.open else ""
        evidence = f"{suspect.evidence.failures:,} failures in {suspect.evidence.lives:,} lives on record"
        before = f"Before anything was told: {show_chance(suspect.prior.value)} {span(suspect.prior)}, from {evidence}"
        blocks: list[Block] = []
        for title, items in (("Speaks for it", speaks), ("Speaks against it", against)):
            blocks += [Heading(title, 2), Bullets(items)] if items else []
        return [*blocks, Paragraph(f"{before}. On the {on}.{record}", "small")]
