"""What to do in a visit: faults in, scope out, priced as terms and one's own choices move."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from urllib.parse import quote, urlencode

from fastapi import Request
from nicegui import ui

from wearlore.answers import Job, OwnChoice, VisitScope, WeighedVisit
from wearlore.errors import WearloreError
from wearlore.report.card import in_hours
from wearlore.report.sheet import Callout
from wearlore.report.visit import beside_habits, missing_tools
from wearlore.report.visit_access import access_picture, shared_in_words
from wearlore.report.visit_lines import Lines, choice_told, lines_of
from wearlore.scope import Outline, Scope, Terms
from wearlore.units import show_share
from wearlore.web import parts
from wearlore.web.asking import Faults, MovedTerms
from wearlore.web.desk import Desk
from wearlore.web.frame import frame
from wearlore.web.latest import Latest
from wearlore.web.papers import PAPERS
from wearlore.web.parts import tag
from wearlore.web.said import Said, keep_address
from wearlore.web.sheets import folded
from wearlore.web.visiting import ASKED, key_of, terms_of, visit_of
from wearlore.workbench import Workbench
from wearlore.workbench.weighing import Weighing

PRESSED = """(e) => {
  const pressed = e.target.closest('button[data-unit]');
  if (pressed) emit([pressed.dataset.unit, pressed.dataset.act]);
}"""
CALLED = {"job-card": "Job card", "estimate": "Estimate", "owner": "Owner's page"}
Weighed = tuple[WeighedVisit, tuple[OwnChoice, ...]]


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}/visit")
    async def visit(vehicle: str, request: Request) -> None:
        with frame(desk, "Scope of a visit", section="vehicles", vehicle=vehicle, tab="visit"):
            _Page(desk, vehicle, Said.of(request)).show()


class _Page:
    """One visitor's page: what is asked, what was answered last, and the places of it."""

    def __init__(self, desk: Desk, vehicle: str, said: Said) -> None:
        self.desk, self.vehicle, self.said = desk, vehicle, said
        self.units = desk.units
        self.weighing: Weighing | None = None
        self.simulated: tuple[Said, VisitScope] | None = None
        self.share = 0.0  # of later set-up that other work carries, as last learned
        self.touched = ""  # the unit whose button was pressed last
        self.wished = self.answered = 0  # numbers of questions
        self.busy = False

    def show(self) -> None:
        with tag("div", classes="visit"):
            with tag("div", classes="visit-asking"):
                self.faults = Faults(lambda: self.said, self.say)
                MovedTerms(self.desk, lambda: self.said, self.say)
            with tag("div", classes="visit-answer"):
                self.trouble = tag("div", classes="slot")
                self.head = tag("div", classes="slot")
                self.lists = tag("div", classes="slot")
                self.latest = Latest(self.desk, "Simulating the years to come")
                self.way_in = tag("div", classes="slot")
        with self.head:
            tag("p", "Weighing the visit …", role="status", classes="waiting")
        self.lists.on("click", lambda told: self.choose(*told.args), js_handler=PRESSED)
        ui.timer(0.01, self.ask, once=True)

    # ------------------------------------------------------------------------------------------------------- asking
    def say(self, **changed: str | tuple[str, ...]) -> None:
        """Something else is said: weigh it at once, and simulate when it rests."""
        self.touched = ""
        self._say(**changed)

    def choose(self, unit: str, act: str) -> None:
        """One's own choice on a unit: ``in``, ``out``, or ``free``."""
        wanted = {name: tuple(one for one in self.said.many(name) if one != unit) for name in ("include", "refuse")}
        if act in ("in", "out"):
            name = "include" if act == "in" else "refuse"
            wanted[name] = (*wanted[name], unit)
        self.touched = unit
        self._say(**wanted)

    def _say(self, **changed: str | tuple[str, ...]) -> None:
        if {"missing_tool", "odometer"} & changed.keys():
            self.weighing = None
        self.said = self.said.but(**changed)
        keep_address(self.said)
        with self.lists:
            ui.timer(0.0, self.ask, once=True)

    async def ask(self) -> None:
        self.wished += 1
        said = self.said

        def simulated(answer: tuple[VisitScope, Job | None]) -> None:
            self.draw_simulated(said, *answer)

        self.latest.ask(
            lambda bench: visit_of(bench, self.vehicle, said, self.units),
            simulated,
            key=key_of(self.vehicle, said, self.units),
        )
        await self.weigh()

    async def weigh(self) -> None:
        """Weigh the newest wish, one at a time: what is wished meanwhile comes next, what was overtaken never."""
        if self.busy:
            return
        self.busy = True
        try:
            while self.answered != self.wished and not self.lists.is_deleted:
                self.answered = self.wished
                try:
                    weighed = await self.desk.ask(self._question(self.said))
                except WearloreError as error:
                    self.draw_trouble(error)
                else:
                    self.draw_weighed(*weighed)
        finally:
            self.busy = False

    def _question(self, said: Said) -> Callable[[Workbench], Weighed]:
        at_rest = self.simulated is not None and self.simulated[0] == said
        share = self.share

        def question(bench: Workbench) -> Weighed:
            if self.weighing is None:
                self.weighing = bench.weighing(
                    self.vehicle, missing_tools=said.many("missing-tool"), km=said.km("odometer", self.units)
                )
            terms = replace(terms_of(bench, said, self.units), setup_share=share)
            terms = bench.demanded(self.weighing, terms, said.many("fault"), said.chances("probable"))
            several = len(terms.include | terms.refuse) > 1
            return self.weighing.weigh(terms), self.weighing.own(terms) if at_rest and several else ()

        return question

    # ------------------------------------------------------------------------------------------------------ drawing
    def draw_trouble(self, error: WearloreError) -> None:
        for slot in (self.trouble, self.head, self.lists, self.way_in):
            slot.clear()
        with self.trouble:
            parts.problem(error)
            with tag("p"):
                if self.said.many("include") or self.said.many("refuse"):
                    parts.button("Take back my choices", lambda: self.say(include="", refuse=""))
        self._offer()

    def draw_weighed(self, weighed: WeighedVisit, each: tuple[OwnChoice, ...]) -> None:
        """The choice at once; where it has been simulated already with its margins."""
        self.trouble.clear()
        self._offer()
        scope = self.simulated[1].scope if self.simulated and self.simulated[0] == self.said else None
        self._draw_head(weighed, scope or weighed.outline, each)
        self._draw_lists(weighed, scope or weighed.outline)
        self._draw_way_in(weighed, scope)

    def draw_simulated(self, said: Said, visit: VisitScope, job: Job | None) -> None:
        self.simulated, self.share = (said, visit), visit.terms.setup_share
        with parts.panel("Beside two habits"):
            parts.blocks(*beside_habits(visit, self.units), *missing_tools(visit.scope, self.units))
        if job:
            with parts.panel("Cautions for this work"):
                parts.blocks(*(Callout(each.signal, each.name, each.text) for each in job.card.cautions))
                parts.says(job.card.defers, "small")
        self.wished += 1  # the share is learned anew: weigh once more
        with self.lists:
            ui.timer(0.0, self.weigh, once=True)

    def _offer(self) -> None:
        if self.weighing is not None:
            self.faults.offer(self.weighing.vehicle, self.desk.bench.book)

    def _draw_head(self, weighed: WeighedVisit, answer: Outline | Scope, each: tuple[OwnChoice, ...]) -> None:
        units = self.units
        number = len(answer.doing) if isinstance(answer, Outline) else len(answer.chosen)
        self.head.clear()
        with self.head, parts.panel(classes="visit-head"):
            parts.says(_in_words(number, units.show_money(answer.visit_cost), in_hours(answer.hours)), "lead")
            parts.key_figures(self._figures(weighed.terms, answer))
            self._draw_own(weighed, each)
            if number:
                self._draw_papers()
            parts.says(_share_told(self.simulated is not None, weighed.terms.setup_share), "small")

    def _figures(self, terms: Terms, answer: Outline | Scope) -> list[tuple[str, str, str]]:
        units, later = self.units, answer.later
        saved = in_hours(answer.hours_alone - answer.hours)
        ahead = units.show_distance(terms.horizon)
        return [
            (
                "This visit",
                units.show_money(answer.visit_cost),
                f"labour at {units.show_money(terms.labour_rate)} per h",
            ),
            ("Labour", in_hours(answer.hours), f"{saved} saved against visits of their own"),
            ("Later, expected", units.show_money(later.value), f"{later.low:,.0f} to {later.high:,.0f} over {ahead}"),
            ("Both together", units.show_money(answer.total), "which no other choice makes less"),
        ]

    def _draw_own(self, weighed: WeighedVisit, each: tuple[OwnChoice, ...]) -> None:
        book, horizon = self.desk.bench.book, weighed.terms.horizon
        if weighed.own is not None:
            with tag("div", classes="visit-own", role="status"):
                tag("p", choice_told(weighed.own, book, self.units, horizon))
                for one in each:
                    tag("p", choice_told(one, book, self.units, horizon), classes="small")
                parts.button("Take back my choices", lambda: self.say(include="", refuse=""))

    def _draw_papers(self) -> None:
        query = urlencode([(name, one) for name in ASKED for one in self.said.many(name)])
        stem = f"/papers/{quote(self.vehicle, safe='')}"
        with tag("div", classes="visit-papers", role="group", aria_label="Papers"):
            for paper in PAPERS:
                for kind in ("pdf", "html"):
                    label = f"{CALLED[paper]}, PDF" if kind == "pdf" else "on screen"
                    main = " main" if (paper, kind) == ("job-card", "pdf") else ""
                    way = parts.link(label, f"{stem}/{paper}.{kind}?{query}", classes=f"button{main}")
                    way.props.update({"target": "_blank", "aria-label": f"{CALLED[paper]}, {kind.upper()}"})

    def _draw_lists(self, weighed: WeighedVisit, answer: Outline | Scope) -> None:
        told = Lines(self.desk.bench.book, self.units, weighed.terms)
        lines = lines_of(answer)
        self.lists.clear()
        with self.lists:
            with parts.panel("Do in this visit"):
                ui.html(told.head() + told.done(lines), sanitize=False)
            with parts.panel("Leave"):
                ui.html(told.head() + told.left(lines), sanitize=False)
                number, rest = told.rest(lines)
                if number:
                    with folded(f"{number} more that are cheaper to cure once they have failed"):
                        ui.html(rest, sanitize=False)
        if self.touched:
            pressed = json.dumps(f'button[data-unit="{self.touched}"]')
            ui.run_javascript(f"setTimeout(() => document.querySelector({pressed})?.focus({{preventScroll: true}}), 0)")

    def _draw_way_in(self, weighed: WeighedVisit, scope: Scope | None) -> None:
        opened, answer = weighed.opened, scope or weighed.outline
        if scope is not None and self.weighing is not None:
            opened = self.weighing.opened([(one.unit, one.remedy) for one in scope.chosen if one.remedy])
        self.way_in.clear()
        if opened:
            with self.way_in, parts.panel("The way in: what comes off for what"):
                parts.says(shared_in_words(opened, answer.hours_alone, answer.hours))
                ui.html(access_picture(opened, self.desk.bench.book), sanitize=False)


def _in_words(number: int, money: str, hours: str) -> str:
    if not number:
        return "Do nothing in this visit: no fault is named, and nothing else pays now."
    pieces = "one piece" if number == 1 else f"{number} pieces"
    return f"See to {pieces} in this visit: {money}, {hours} of labour."


def _share_told(learned: bool, share: float) -> str:
    if not learned:
        return "First figures: each later visit is weighed alone until the years to come are simulated."
    return (
        f"Reckoned with {show_share(share)} of the set-up of later visits carried by other work, as last simulated; "
        "learned anew when the sliders rest."
    )
