"""What to look at next and what it showed, or to act now: with what comes off and the cautions before it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence

from nicegui.element import Element

from wearlore.answers import LookAhead, TracedFault
from wearlore.book.model import Book
from wearlore.report.sheet import Bullets, Paragraph
from wearlore.report.trace import (
    SHOWN,
    acting_in_words,
    before_looking,
    handed_over,
    look_in_words,
    minutes_in_words,
    not_now,
    why_act,
)
from wearlore.trace import Told
from wearlore.units import Units
from wearlore.web import parts
from wearlore.web.frame import of_vehicle
from wearlore.web.parts import tag
from wearlore.web.tracing.said import number
from wearlore.web.tracing.signs import spoken

HERE = "next-step"
TO_HEAD = f"() => {{ document.getElementById('{HERE}').focus(); emit(); }}"

Showed = Callable[[LookAhead, Sequence[Told]], Awaitable[None]]


class NextPanel:
    """``showed`` is told what a look showed, ``later`` that it is not done now; ``sights``: what a look can show."""

    def __init__(
        self,
        book: Book,
        units: Units,
        sights: Callable[[str], Sequence[tuple[str, str]]],
        showed: Showed,
        later: Callable[[LookAhead], Awaitable[None]],
    ) -> None:
        self.book, self.units = book, units
        self.sights, self.showed, self.later = sights, showed, later
        self.chosen = ""
        self.traced: TracedFault | None = None
        self.pending: dict[str, Told] = {}  # what the look at hand showed, not told yet
        self.rows: dict[str, tuple[Element, ...]] = {}

    def draw(self) -> None:
        self.head = tag("h2", "What to look at next", id=HERE, tabindex="-1")
        self.body = tag("div", classes="next-body", aria_live="polite")
        with self.body:
            tag("p", "Weighing what to look at …", classes="waiting", role="status")

    def busy(self) -> None:
        """An answer is on its way."""
        self.body.classes(add="stale")

    def nothing(self) -> None:
        self.chosen = ""
        parts.retext(self.head, "What to look at next")
        self.body.classes(remove="stale")
        self.body.clear()

    def show(self, traced: TracedFault) -> None:
        if self.traced is None or self.traced.told != traced.told:
            self.chosen = ""
        self.traced = traced
        self.pending, self.rows = {}, {}
        self.body.classes(remove="stale")
        self.body.clear()
        look = next((one for one in traced.looks if one.inspection == self.chosen), traced.next)
        with self.body:
            if not traced.asked:
                parts.retext(self.head, "What to look at next")
                parts.says("Touch what is wet, or say what you see, hear or read: then the next look is worked out.")
                return
            if look:
                self._look(traced, look)
            else:
                self._act(traced)
            self._others(traced, look)

    # ------------------------------------------------------------------------------------------------------- a look
    def _look(self, traced: TracedFault, look: LookAhead) -> None:
        parts.retext(self.head, f"Next: {look.name}" if look == traced.next else f"Instead: {look.name}")
        parts.blocks(*before_looking(look))
        words = look_in_words(look, self.units)
        parts.blocks(Paragraph(minutes_in_words(look), "lead"), Bullets(words if look == traced.next else words[:-1]))
        with tag("div", classes="results"):
            tag("h3", "What did it show?")
            telling = look.counted
            for about, name in sorted(self.sights(look.inspection), key=lambda sight: sight[1] not in telling):
                self._sight(look, about, name)
            with tag("div", classes="controls"):
                self._go("That is what it showed", lambda: self._done(look), main=True)
                if len(self.rows) > 1:
                    parts.button("The rest: not there", lambda: self._rest(look))
                self._go("Not now", lambda: self.later(look))
        self._pressed()

    def _go(self, label: str, act: Callable[[], Awaitable[None]], *, main: bool = False) -> Element:
        """A button after which the panel is another one: the keyboard goes on at its head."""
        made = tag("button", label, type="button", classes="button main" if main else "button")
        return made.on("click", lambda _: act(), js_handler=TO_HEAD)

    def _sight(self, look: LookAhead, about: str, name: str) -> None:
        observation = self.book.observations.get(about)
        name = spoken(observation) if observation else name
        with tag("div", classes="sign"):
            tag("b", name, classes="what")
            if observation and observation.kind == "reading":
                parts.field("Read", "", lambda said: self._read(look, about, said), kind="number", step="any",
                            unit=observation.unit or "", aria_label=f"{name}, in {observation.unit}")  # fmt: skip
                self.rows[about] = ()
                return
            with tag("div", classes="yes-no", role="group", aria_label=name):
                self.rows[about] = tuple(
                    parts.button(label, self._telling(Told(about, present, by=look.inspection)), pressed=False)
                    for label, present in (("there", True), ("not there", False))
                )

    def _telling(self, told: Told) -> Callable[[], None]:
        def tell() -> None:
            if self.pending.get(told.about) == told:
                del self.pending[told.about]
            else:
                self.pending[told.about] = told
            self._pressed()

        return tell

    def _read(self, look: LookAhead, about: str, said: str) -> None:
        value = number(about, said)  # the browser lets nothing else through
        self.pending.pop(about, None)
        if value is not None:
            self.pending[about] = Told(about, value=value, by=look.inspection)

    def _rest(self, look: LookAhead) -> None:
        for about, buttons in self.rows.items():
            if buttons:
                self.pending.setdefault(about, Told(about, False, by=look.inspection))
        self._pressed()

    def _pressed(self) -> None:
        for about, buttons in self.rows.items():
            told = self.pending.get(about)
            for button, present in zip(buttons, (True, False), strict=False):
                parts.press(button, told is not None and told.present == present)

    async def _done(self, look: LookAhead) -> None:
        await self.showed(look, tuple(self.pending.values()))

    # ------------------------------------------------------------------------------------------------------- to act
    def _act(self, traced: TracedFault) -> None:
        nothing = not (traced.acting.steps or traced.acting.beside)
        parts.retext(self.head, "Leave it, look no further" if nothing else "Act now, look no further")
        parts.blocks(Bullets(acting_in_words(traced, self.units)), Paragraph(why_act(traced, self.units), "small"))
        if traced.stops:
            parts.says("What the box above says comes before this.")
        parts.link("Plan the visit with this", self.visit(traced), classes="button main")

    def visit(self, traced: TracedFault) -> str:
        """The visit with the causes in question."""
        said: dict[str, str | list[str]] = {"fault": [], "probable": []}
        for option, word in handed_over(traced, self.book):
            said[option] = [*said[option], word]
        if not traced.supposed:
            said["odometer"] = f"{self.units.from_km(traced.km):.0f}"
        return of_vehicle(traced.vehicle, "/visit", **said)

    # ------------------------------------------------------------------------------------------------------- others
    def _others(self, traced: TracedFault, look: LookAhead | None) -> None:
        others = [one for one in traced.looks if one != look and one.saving >= SHOWN]
        if others:
            with tag("details", classes="fold"):
                tag("summary", f"Other looks ({len(others)})")
                for one in others:
                    with tag("div", classes="sign other-look"):
                        with tag("div", classes="what"):
                            tag("b", one.name)
                            saves, costs = self.units.show_money(one.saving), self.units.show_money(one.cost)
                            tag("span", f"{minutes_in_words(one)}; saves {saves}, costs {costs}", classes="aside")
                        made = tag(
                            "button",
                            "Look at this",
                            type="button",
                            classes="button",
                            aria_label=f"Look at this: {one.name}",
                        )
                        made.on("click", self._choosing(one), js_handler=TO_HEAD)
        if traced.withheld:
            with tag("details", classes="fold"):
                tag("summary", f"Not to be looked at now ({len(traced.withheld)})")
                parts.blocks(Bullets(not_now(traced)))
        if look:
            with tag("details", classes="fold"):
                tag("summary", f"To act now instead, expected to cost {self.units.show_money(traced.acting.cost)}")
                parts.blocks(Bullets(acting_in_words(traced, self.units)))
                parts.link("Plan the visit with these chances", self.visit(traced), classes="button")

    def _choosing(self, look: LookAhead) -> Callable[[], None]:
        def choose() -> None:
            self.chosen = look.inspection
            if self.traced:
                self.show(self.traced)

        return choose
