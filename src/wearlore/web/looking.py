"""Standing at the car: the price, and the looks as cards with buttons; each finding moves the price at once."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from urllib.parse import quote

from nicegui import ui
from nicegui.element import Element

from wearlore.answers import Appraisal, BuyersLook, PricedFault
from wearlore.appraisal import Finding
from wearlore.errors import WearloreError
from wearlore.report import appraisal as words
from wearlore.report.sheet import Bullets, Callout, Heading, Table
from wearlore.report.trace import show_chance
from wearlore.units import Units
from wearlore.web import parts
from wearlore.web.buying import Buying, is_read
from wearlore.web.desk import Desk
from wearlore.web.parts import retext, tag
from wearlore.web.said import Said, keep_address
from wearlore.web.sheets import folded
from wearlore.workbench.appraising import Appraising

SETTLING = 0.3  # seconds without another finding before the whole answer is reckoned anew
ANSWERS = {"there": "There", "not there": "Not there", "": "Not looked"}


class Looking:
    """The part of the page under the form, made where it is to stand."""

    def __init__(self, desk: Desk, appraising: Appraising, buying: Buying) -> None:
        self.desk, self.appraising, self.buying = desk, appraising, buying
        self.units = buying.units
        self.found: Appraisal | None = None
        self.number = 0
        self.values: dict[tuple[str, str], Element] = {}
        self.rules = tag("div", classes="slot")
        self.alert = tag("div", classes="slot")
        self.root = tag("div", classes="buying")
        with self.root:
            with tag("div", classes="beside-looks"):
                self.price = tag("section", classes="price-bar", aria_label="Price", aria_live="polite")
                self.more = tag("div", classes="slot more")
            self.cards = tag("div", classes="slot looks")
        with self.price:
            tag("p", "Reckoning the price …", classes="waiting")
        ui.timer(0.01, self._begin, once=True)

    async def _begin(self) -> None:
        """All looks, as they stand before anything was found, in their order; then what was found is weighed."""
        with parts.anew(self.alert):
            first = await self._answer(_bare(self.buying))
            found = await self._answer(self.buying)
            self.all = words.worth_listing(first)
            self.found = found
            with parts.anew(self.cards):
                self._draw_cards()
            self._draw(found, first)
        if self.found is None:
            self.price.clear()

    async def _answer(self, buying: Buying) -> Appraisal:
        appraising, off = self.appraising, buying.said.many("off")
        return await self.desk.ask(
            lambda bench: appraising.answer(buying.asked(appraising), buying.told(bench.book), off),
            key=("appraised", *buying.key, buying.said.key),
        )

    # -------------------------------------------------------------------------------------------------------- findings
    def tell(self, sight: str, inspection: str, answer: str) -> None:
        """Take a finding: the price moves at once, all else when no more findings come."""
        self.again(replace(self.buying, said=self.buying.with_answer(sight, inspection, answer)))

    def again(self, buying: Buying) -> None:
        """Something else is found or asked: near at once, then in full."""
        self.buying = buying
        keep_address(buying.said)
        self.number += 1
        self._press()
        with parts.anew(self.alert):
            if self.found is not None:
                told = buying.told(self.desk.bench.book)
                self._draw_price(self.found, self.appraising.at_once(self.found, told).value, settled=False)
        with self.root:
            ui.timer(SETTLING, partial(self._in_full, self.number, buying), once=True)

    async def _in_full(self, number: int, buying: Buying) -> None:
        if number != self.number:
            return
        try:
            first = await self._answer(_bare(buying))
            found = await self._answer(buying)
        except WearloreError as error:
            if number == self.number and not self.root.is_deleted:
                with parts.anew(self.alert):
                    raise error
            return
        if number == self.number and not self.root.is_deleted:
            self.found = found
            self._draw(found, first)

    # ----------------------------------------------------------------------------------------------------------- price
    def _draw(self, found: Appraisal, first: Appraisal) -> None:
        with parts.anew(self.rules):
            parts.blocks(*words.rules(found))
        self._draw_price(found, found.even.even.value, settled=True)
        self._draw_values(found)
        with parts.anew(self.more):
            _More(found, first, self.buying).draw()

    def _draw_price(self, found: Appraisal, even: float, *, settled: bool) -> None:
        """The even price is told at once; the offer and the chance follow."""
        self.price.clear()
        with self.price:
            with tag("div", classes="even"):
                tag("span", "Worth up to")
                tag("b", _whole(even, self.units))
                if settled:
                    tag("small", f"{found.even.even.low:,.0f} to {found.even.even.high:,.0f} (95 %)")
                else:
                    tag("small", "reckoning the rest …", classes="waiting")
            with tag("div", classes="offer" if settled else "offer stale"):
                tag("span", "Offer")
                tag("b", _whole(max(found.even.offer, 0.0), self.units))
                sure = words.sure_in_words(found.even.sure)
                tag("small", f"at {self.units.show_money(found.price)}: better with a chance of {sure}")

    # ----------------------------------------------------------------------------------------------------------- looks
    def _draw_cards(self) -> None:
        tag("h2", "What to look at, in this order")
        if not self.all:
            parts.says("Nothing is left that a buyer can look at without dismantling.")
        self.buttons: dict[tuple[str, str], dict[str, Element]] = {}
        self.marks: dict[str, Element] = {}
        with tag("ol", classes="look-cards"):
            for number, look in enumerate(self.all, 1):
                with tag("li", classes="look-card"):
                    self._card(number, look)
        self._press()

    def _card(self, number: int, look: BuyersLook) -> None:
        with tag("div", classes="look-head"):
            tag("span", f"{number}", classes="number")
            tag("h3", look.name)
            tag("span", f"{look.minutes:.0f} min", classes="time")
        self.marks[look.inspection] = tag("p", "", classes="mark-next")
        if first := [*look.opens, *look.tools]:
            tag("p", f"First: {'; '.join(first)}.", classes="prepare")
        if look.cautions:
            parts.blocks(*(Callout(signal, name, text) for name, signal, text in look.cautions))
        moving = {finding.about: finding for finding in look.findings}
        named = list(zip(look.sights, look.shows, strict=True))
        self._sights(look, [one for one in named if one[1] in moving], moving)
        if rest := [one for one in named if one[1] not in moving]:
            with folded(f"{len(rest)} more that it shows, each of little weight"):
                self._sights(look, rest, moving)

    def _sights(self, look: BuyersLook, named: list[tuple[str, str]], moving: dict[str, Finding]) -> None:
        for sight, called in named:
            with tag("div", classes="sight", role="group", aria_label=called):
                with tag("p", classes="what"):
                    tag("span", called)
                    self.values[look.inspection, called] = tag("small", self._worth(moving.get(called)))
                self._record(look.inspection, sight, called)

    def _record(self, inspection: str, sight: str, called: str) -> None:
        observation = self.desk.bench.book.observations.get(sight)
        told = self.buying.answer(sight, inspection)
        if observation is not None and is_read(observation):
            value = "" if told in ANSWERS else told
            parts.field(
                "Reading", value, lambda number: self.tell(sight, inspection, number.strip()), kind="number",
                unit=observation.unit or "", inputmode="decimal", step="any", aria_label=called,
            )  # fmt: skip
            return
        with tag("div", classes="answers"):
            self.buttons[inspection, sight] = {
                answer: parts.button(label, partial(self.tell, sight, inspection, answer), pressed=False)
                for answer, label in ANSWERS.items()
            }

    def _press(self) -> None:
        """Buttons stay in as the findings have it."""
        for (inspection, sight), by_answer in self.buttons.items():
            told = self.buying.answer(sight, inspection)
            for answer, button in by_answer.items():
                pressed = str(answer == told).lower()
                if button.props.get("aria-pressed") != pressed:
                    button.props["aria-pressed"] = pressed
                    button.update()

    def _draw_values(self, found: Appraisal) -> None:
        """What each finding that is left would do now, and where to look next."""
        now = {(look.inspection, one.about): one for look in found.looks for one in look.findings}
        for place, value in self.values.items():
            retext(value, self._worth(now.get(place)))
        best = next((look.inspection for look in found.looks if look.within and look.inspection in self.marks), "")
        left = {look.inspection for look in found.looks}
        for inspection, mark in self.marks.items():
            said = "Look here next." if inspection == best else "" if inspection in left else "Looked at."
            retext(mark, said)

    def _worth(self, finding: Finding | None) -> str:
        if finding is None:
            return ""
        there, absent = (_whole(amount, self.units) for amount in (finding.if_there, finding.if_not))
        turns = " Decides." if finding.changes else ""
        return f"{show_chance(finding.chance)} likely; worth {there} if there, {absent} if not.{turns}"


def _bare(buying: Buying) -> Buying:
    """Before anything was found by looking."""
    return replace(buying, said=buying.said.but(saw=(), absent=(), read=()))


def _whole(amount: float, units: Units) -> str:
    """To the unit of money, so that every finding is seen to move it: ``EUR 7,988``."""
    shown = units.show_money(round(abs(amount)))
    return f"−{shown}" if round(amount) < 0 else shown


class _More:
    """What stands beside the looks: why, what the findings did, what cannot be seen, what it will cost."""

    def __init__(self, found: Appraisal, first: Appraisal, buying: Buying) -> None:
        self.found, self.first, self.buying, self.units = found, first, buying, buying.units

    def draw(self) -> None:
        found, units = self.found, self.units
        with parts.panel("What to do"):
            tag("p", words.title(found, units), classes="subject")
            parts.says(f"{words.verdict(found, units)} {words.offer_in_words(found, units)}")
            parts.says(words.look_first(found, units))
            parts.blocks(*words.cautions(found, units))
            tag("a", "Checklist to print (PDF)", href=self._paper(), classes="button", target="_blank", rel="noopener")
        if found.said:
            with parts.panel("What the findings did to the price"):
                self._moved()
        if self._unseen():
            with parts.panel("Not to be seen without dismantling"):
                self._list_unseen()
        self._costs()
        with folded("What may be there, and what is supposed"):
            parts.blocks(*words.faults(found, units))
            parts.blocks(Bullets(words.SUPPOSED))
            parts.says(words.SMALL, "small")

    def _costs(self) -> None:
        """The tables of the sheet, in a narrow column."""
        section = None
        for block in words.costs(self.found, self.units):
            match block:
                case Heading(text):
                    with parts.panel(text) as section:
                        pass
                case Table(_, rows):
                    with section or tag("div"), tag("ul", classes="moved"):
                        for label, amount, ends in rows:
                            with tag("li"):
                                with tag("span"):
                                    tag("span", label)
                                    if ends:
                                        tag("small", f"{ends}")
                                tag("b", amount)
                case _:
                    with section or tag("div"):
                        parts.blocks(block)

    def _paper(self) -> str:
        vehicle = self.buying.vehicle
        to = f"/vehicles/{quote(vehicle, safe='')}/appraisal" if vehicle else "/appraisal"
        return Said(f"{to}/checklist.pdf", self.buying.said.query).address

    def _moved(self) -> None:
        found, units = self.found, self.units
        with tag("ol", classes="moved"):
            with tag("li"):
                tag("span", "Before anything was found")
                tag("b", _whole(self.first.even.even.value, units))
            for said, moved in zip(found.said, found.moved, strict=True):
                with tag("li"):
                    tag("span", said)
                    tag("b", words.moved_in_words(moved, units))
            missed = found.even.even.value - sum(found.moved) - self.first.even.even.value
            if abs(missed) >= words.TOLD:
                with tag("li"):
                    tag("span", "Looks done: what they may have missed is not found before it costs")
                    tag("b", words.moved_in_words(missed, units))
            with tag("li", classes="sum"):
                tag("span", "Worth up to, now")
                tag("b", _whole(found.even.even.value, units))

    def _unseen(self) -> list[PricedFault]:
        return [fault for fault in self.found.unseen if fault.expected >= words.TOLD][: words.FAULTS]

    def _list_unseen(self) -> None:
        with tag("ul", classes="moved"):
            for fault in self._unseen():
                with tag("li"):
                    with tag("span"):
                        parts.link(words.called(fault), f"/weak-points/{quote(fault.cause.partition('@')[0], safe='')}")
                        by = "; ".join(fault.by) or "nothing in the book"
                        tag("small", f"{show_chance(fault.chance)} likely; would show it: {by}")
                    tag("b", words.moved_in_words(-fault.cost, self.units))
