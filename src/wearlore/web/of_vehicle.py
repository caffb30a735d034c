"""What stands on the page of one vehicle: what is likely, what is open, its history, its readings, and a form."""

from __future__ import annotations

from collections.abc import Callable
from itertools import groupby

from nicegui import ui

from wearlore.answers import DriftingReading, LikelyNow, Suspected, VehicleHistory
from wearlore.errors import WearloreError
from wearlore.records.of_vehicle import VisitOnRecord
from wearlore.report.charts import drift_drawings
from wearlore.report.piece import at_the_limit, piece_lead
from wearlore.report.readings import Told
from wearlore.report.sheet import Column, Figures, Heading, Paragraph, Table, drawn
from wearlore.report.timeline import timeline
from wearlore.report.vehicle import called, fitted, rests_on, standing, told_of, vehicle_facts, visits_table
from wearlore.units import show_share
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import of_vehicle
from wearlore.web.latest import Latest
from wearlore.web.noting import SAVED, Noting, rows_said
from wearlore.web.parts import retext, tag
from wearlore.web.said import Said
from wearlore.web.sheets import figures, folded
from wearlore.workbench import Workbench

Drift = tuple[DriftingReading | str, Figures]  # or why there is none to tell
FIRST = 6  # weak points listed before the rest is folded
CHOSEN = "(e) => { const mark = e.target.closest('[data-visit]'); if (mark) emit(Number(mark.dataset.visit)); }"


class OneVehicle:
    """The page of one vehicle."""

    def __init__(self, desk: Desk, vehicle: str, said: Said) -> None:
        self.desk, self.vehicle, self.said = desk, vehicle, said
        self.slot = tag("div", classes="slot")
        self.saved = False

    def draw(self, history: VehicleHistory) -> None:
        self.history = history
        self.slot.clear()
        with self.slot:
            if self.saved:
                tag("p", SAVED, role="status", classes="done")
            self._now()
            if history.visits:
                self._history()
                self._readings()
            self._note()
            with parts.panel():
                with folded("What is fitted"):
                    parts.blocks(fitted(history.units, self.desk.units))
                if history.visits:
                    with folded(f"All {len(history.visits):,} visits, and where each line came from"):
                        parts.blocks(visits_table(history, history.visits, self.desk.units))

    # now --------------------------------------------------------------------------------------------------------------

    def _now(self) -> None:
        with tag("div", classes="beside-each-other"):
            with parts.panel("Likely now", classes="likely-now"):
                vehicle = self.vehicle
                key = ("likely", vehicle, self.history.version)
                Latest(self.desk, "Weighing what may be wrong").ask(
                    lambda bench: bench.likely(vehicle), self._likely, key=key, long=False
                )
            with parts.panel("This vehicle"):
                parts.facts(vehicle_facts(self.history, self.desk.units))
                tag("h3", "On record and not cured")
                if not self.history.open:
                    tag("p", "Nothing is open.")
                for fault in self.history.open:
                    at = "" if fault.km is None else f", found at {self.desk.units.show_odometer(fault.km)}"
                    with tag("p", classes="open-fault"):
                        tag("strong", called(fault.name, fault.position))
                        tag("span", f"{at}. ")
                        parts.link("Plan its visit", of_vehicle(self.vehicle, "/visit", fault=fault.cause))
                with tag("p", classes="ways-on"):
                    parts.link("Trace a fault", of_vehicle(self.vehicle, "/trace"), classes="button")
                    parts.link("Plan a visit", of_vehicle(self.vehicle, "/visit"), classes="button")
                    parts.link("The years ahead", of_vehicle(self.vehicle, "/outlook"), classes="button")

    def _likely(self, likely: LikelyNow) -> None:
        units = self.desk.units
        parts.says(standing(self.history, likely, units), "lead")
        tag("p", f"At about {units.show_distance(likely.km)}, by age and history alone.", classes="small")
        grouped = [list(group) for _, group in groupby(sorted(likely.suspects, key=_rank(likely)), lambda s: s.mode)]
        with tag("ul", classes="suspects"):
            for group in grouped[:FIRST]:
                self._suspect(group)
        if grouped[FIRST:]:
            with folded(f"{len(grouped) - FIRST} more that are less likely"), tag("ul", classes="suspects"):
                for group in grouped[FIRST:]:
                    self._suspect(group)

    def _suspect(self, group: list[Suspected]) -> None:
        """One weak point at its likeliest place, and the chances at the others."""
        one, *others = group
        low, value, high = (100 * part for part in (one.chance.low, one.chance.value, one.chance.high))
        with tag("li"):
            with tag("div", classes="what"):
                tag("strong", called(one.name, one.position))
                also = ", ".join(f"({other.position}) {show_share(other.chance.value)}" for other in others)
                tag("span", f"Also {also}. {_evidence(one)}" if also else _evidence(one), classes="beside")
            with tag("div", classes="chance"):
                tag("b", show_share(one.chance.value))
                tag("span", f"{show_share(one.chance.low)} to {show_share(one.chance.high)}", classes="beside")
            with tag("div", classes="gauge", aria_hidden="true"):
                tag("i", classes="range", style=f"left:{low:.1f}%;width:{max(high - low, 0.5):.1f}%")
                tag("i", classes="point", style=f"left:{value:.1f}%")
            with tag("div", classes="links"):
                parts.link("Weak point", f"/weak-points/{one.mode}")
                parts.link(
                    "In the visit", of_vehicle(self.vehicle, "/visit", probable=f"{one.cause}={one.chance.value:.2f}")
                )

    # history ----------------------------------------------------------------------------------------------------------

    def _history(self) -> None:
        told = [number for number, visit in enumerate(self.history.visits) if _tells(visit)]
        self.visit = told[-1] if told else len(self.history.visits) - 1
        with parts.panel("History by distance", classes="history"):
            self.lanes = ui.html(self._timeline(), sanitize=False).classes("timeline")
            self.lanes.on("click", lambda told: self._go(told.args), js_handler=CHOSEN)
            with tag("div", classes="controls stepping"):
                parts.button("Earlier visit", lambda: self._go(self.visit - 1))
                parts.button("Later visit", lambda: self._go(self.visit + 1))
                self.where = tag("strong", "", role="status")
            self.what = tag("div", classes="slot")
        self._go(self.visit)

    def _timeline(self) -> str:
        return timeline(self.history, self.desk.units, self.visit)

    def _go(self, visit: int) -> None:
        """To another visit, while there is one."""
        self.visit = min(max(int(visit), 0), len(self.history.visits) - 1)
        one, units = self.history.visits[self.visit], self.desk.units
        self.lanes.set_content(self._timeline())
        number = f"Visit {self.visit + 1} of {len(self.history.visits)}"
        retext(self.where, f"{number}: {one.date.isoformat()}, {units.show_odometer(one.km)}")
        self.what.clear()
        with self.what:
            rows = tuple(told_of(self.history, one)) or (("Noted", "nothing but the odometer", ""),)
            parts.blocks(Table((Column("What"), Column("Of what", wide=True), Column("From")), rows))

    # readings ---------------------------------------------------------------------------------------------------------

    def _readings(self) -> None:
        names = dict.fromkeys(one.reading for visit in self.history.visits for one in visit.readings)
        if not names:
            return
        with parts.panel("Readings and where they drift"):
            for name in names:
                Latest(self.desk, "Fitting the drift").ask(
                    self._drift_of(name), self._drift, key=("drift", name, self.vehicle, self.history.version)
                )

    def _drift_of(self, reading: str) -> Callable[[Workbench], Drift]:
        vehicle, units, name = self.vehicle, self.desk.units, self.history.names.get(reading, reading)

        def ask(bench: Workbench) -> Drift:
            try:
                found = bench.drift(reading, vehicle=vehicle)
            except WearloreError as error:  # no drift to tell is no fault of the page's
                return f"{name}: {error}", {}
            return found, figures(drift_drawings(found, units))

        return ask

    def _drift(self, told: Drift) -> None:
        found, made = told
        if isinstance(found, str):
            parts.says(found, "small")
            return
        piece = found.vehicle
        if piece is None:
            return
        words = Told(found, self.desk.units)
        parts.blocks(Heading(found.name, 2), Paragraph(piece_lead(piece, words)), *at_the_limit(found, piece, words))
        parts.blocks(*drawn(made, "path")).classes("drift-chart")

    # a visit ----------------------------------------------------------------------------------------------------------

    def _note(self) -> None:
        rows = rows_said(self.history, self.said.many("fault"), self.said.many("absent"))
        with parts.panel(classes="note"), folded("Note a visit") as details:
            if rows:
                details.props["open"] = True
            Noting(self.desk, self.history, rows, self._done, lambda: details.props(add="open"))

    async def _done(self) -> None:
        """The vehicle as it is on record now."""
        vehicle = self.vehicle
        self.saved = True
        self.said = self.said.but(fault=[], absent=[])
        self.draw(await self.desk.ask(lambda bench: bench.history(vehicle)))
        with self.slot:
            ui.run_javascript("window.scrollTo(0, 0)")


def _rank(likely: LikelyNow) -> Callable[[Suspected], tuple[int, float]]:
    """By the likeliest place of each mode, its places together."""
    first: dict[str, int] = {}
    for number, one in enumerate(likely.suspects):
        first.setdefault(one.mode, number)
    return lambda one: (first[one.mode], -one.chance.value)


def _tells(visit: VisitOnRecord) -> bool:
    """More than an odometer."""
    return bool(visit.readings) or any(line.component for line in visit.lines)


def _evidence(one: Suspected) -> str:
    return f"On record, of its kind: {rests_on(one)}."
