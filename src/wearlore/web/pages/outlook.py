"""What the years to come cost on one vehicle, under each way of caring for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from urllib.parse import quote

from fastapi import Request
from nicegui import ui

from wearlore.answers import VehicleOutlook
from wearlore.errors import ScopeError
from wearlore.outlook.forecast import Driver, Forecast
from wearlore.report import outlook as words
from wearlore.report.charts import outlook_drawings
from wearlore.report.hindsight import track_record
from wearlore.report.sheet import Bullets, Figure
from wearlore.units import Units, show_share
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import frame
from wearlore.web.latest import Latest
from wearlore.web.parts import tag
from wearlore.web.said import Said, keep_address
from wearlore.web.sheets import figures, folded
from wearlore.workbench import Workbench
from wearlore.workbench.outlooks import YEARS

MOST_YEARS = 15  # of the slider
Answer = tuple[VehicleOutlook, Mapping[str, Figure]]  # the fan of costs under each policy


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}/outlook")
    async def outlook(vehicle: str, request: Request) -> None:
        with frame(desk, "Outlook", section="vehicles", vehicle=vehicle, tab="outlook"):
            _Page(desk, vehicle, Said.of(request)).show()


class _Page:
    """One visitor's page: what is asked, and the place of its answer."""

    def __init__(self, desk: Desk, vehicle: str, said: Said) -> None:
        self.desk, self.vehicle, self.said = desk, vehicle, said
        self.units = desk.units

    def show(self) -> None:
        with parts.panel(classes="asking"):
            self.controls()
        self.latest = Latest(self.desk, "Weighing what may fail")
        self.ask()

    # ------------------------------------------------------------------------------------------------------- asking
    def say(self, **changed: str | tuple[str, ...]) -> None:
        self.said = self.said.but(**changed)
        keep_address(self.said)
        self.ask()

    def ask(self) -> None:
        """Which way of caring is told in detail changes no figure: it is no part of the question."""
        said, units, vehicle = self.said.but(policy=""), self.units, self.vehicle

        def question(bench: Workbench) -> Answer:
            years = said.number("years")
            found = bench.outlook(
                vehicle,
                said.many("fault"),
                probable=said.chances("probable"),
                years=None if years is None else round(years),
                horizon=said.km("horizon", units),
                per_year=said.km("per-year", units),
                km=said.km("odometer", units),
                terms=bench.terms(labour_rate=said.number("rate"), missing_tools=frozenset(said.many("missing-tool"))),
            )
            return found, {name: _fan(replace(found, told=name), units) for name in found.policies}

        self.latest.ask(question, self.draw, key=("outlook", vehicle, said.key, units))

    def controls(self) -> None:
        with tag("div", classes="controls"):
            parts.slider(
                "Years ahead", self._years(), (1, MOST_YEARS), 1, _in_years,
                lambda years: self.say(years=str(round(years)), horizon=""),
            )  # fmt: skip
            parts.field(
                "Distance a year", self.said.one("per-year"), lambda told: self.say(per_year=told), kind="number",
                unit=self.units.distance, placeholder="by its own record", min=1, inputmode="numeric",
            )  # fmt: skip
            parts.field(
                "Odometer now", self.said.one("odometer"), lambda told: self.say(odometer=told), kind="number",
                unit=self.units.distance, placeholder="at its last visit", min=0, inputmode="numeric",
            )  # fmt: skip
            self.faults = tag("div", classes="faults")
            self._draw_faults()

    def _years(self) -> float:
        try:
            return self.said.number("years") or YEARS
        except ScopeError:
            return YEARS

    def _draw_faults(self) -> None:
        """Confirmed faults, each to be taken away again, and those that there can be."""
        self.faults.clear()
        known, told = self._known_faults(), self.said.many("fault")
        with self.faults:
            offered = {"": "none" if not told else "one more …"} | {
                fault: name for fault, name in known.items() if fault not in told
            }
            parts.choice("Confirmed fault, cured first", offered, "", lambda fault: self._faults((*told, fault)))
            for fault in told:
                rest = tuple(other for other in told if other != fault)
                chip = parts.button(f"{known.get(fault, fault)} ✕", partial(self._faults, rest))
                chip.props["aria-label"] = f"Take away: {known.get(fault, fault)}"

    def _faults(self, faults: tuple[str, ...]) -> None:
        self.say(fault=faults)
        self._draw_faults()

    def _known_faults(self) -> dict[str, str]:
        book = self.desk.bench.book
        found = {
            f"{id_}@{place}" if place else id_: f"{mode.name} ({place})" if place else mode.name
            for id_, mode in book.modes.items()
            for place in book.components[mode.component].places
        }
        return dict(sorted(found.items(), key=lambda one: one[1]))

    # ------------------------------------------------------------------------------------------------------- answer
    def draw(self, answer: Answer) -> None:
        found, fans = answer
        self.found = self._told(found)
        told = self.found.policies[self.found.told]
        parts.blocks(*words.extrapolation(self.found, self.units))
        with parts.panel(classes="headline"):
            parts.says(words.lead_in_words(self.found, self.units), "lead")
            _key_figures(self.found, told, self.units)
        with parts.panel("What it comes to, year by year"):
            with tag("div", classes="beside-chart"):
                parts.blocks(fans[self.found.told])
                _years(self.found, told, self.units)
            with folded("Each year in figures"):
                parts.blocks(words.years_table(self.found, told, self.units))
        self._ways()
        _drivers(self.found, told, self.units)
        self._basis(told)

    def _told(self, found: VehicleOutlook) -> VehicleOutlook:
        policy = self.said.one("policy").replace("-", " ")
        return replace(found, told=policy) if policy in found.policies else found

    def _ways(self) -> None:
        with parts.panel("Ways of caring for it, side by side"):
            with tag("div", classes="rivals"):
                for name in self.found.policies:
                    self._way(name)
            parts.says(
                "All on the same courses of events, so that chance does not favour one. In brackets 95 % for what "
                "records and judgement leave open.",
                "small",
            )

    def _way(self, name: str) -> None:
        one, here = self.found.policies[name], name == self.found.told
        with tag("section", classes="rival here" if here else "rival"):
            tag("h3", words.POLICIES.get(name, name))
            _amount(self.units.currency, words.money(one.cost.value))
            tag("p", f"({words.money(one.cost.low)} to {words.money(one.cost.high)})", classes="ends")
            if here:
                tag("p", "Told in detail on this page.", classes="paired")
            else:
                saved = words.saving_of(self.found, name, self.found.told)
                tag("p", words.saving_in_words(saved, self.units), classes="paired")
            parts.facts(
                (
                    ("8 in 10 pay", f"{words.money(one.spread[0])} to {words.money(one.spread[2])}"),
                    ("Visits", f"{one.visits.value:.1f}"),
                    ("Stranded", show_share(one.stranded.value)),
                    ("Engine at risk", show_share(one.damage.value)),
                )
            )
            if not here:
                parts.button("Show this in detail", lambda: self.say(policy=name.replace(" ", "-")))

    def _basis(self, told: Forecast) -> None:
        with parts.panel("What it rests on"):
            parts.says(words.evidence_in_words(self.found, told))
            parts.blocks(track_record(self.found.track_record))
            parts.link("How forecasts held, weak point by weak point", "/hindsight")
            with folded("What is supposed"):
                parts.facts(tuple(words.facts(self.found, self.units)))
                parts.blocks(Bullets(tuple(words.supposed(self.found, self.units))))
                parts.says(words.SMALL, "small")


# ----------------------------------------------------------------------------------------------------------- the parts
def _in_years(years: float) -> str:
    return "1 year" if round(years) == 1 else f"{round(years)} years"


def _fan(found: VehicleOutlook, units: Units) -> Figure:
    return figures(outlook_drawings(found, units)[:1])["fan"]


def _amount(currency: str, amount: str) -> None:
    with tag("p", classes="amount"):
        tag("span", currency)
        tag("b", amount)


def _key_figures(found: VehicleOutlook, told: Forecast, units: Units) -> None:
    whole = found.years > 1 and not found.by_distance
    few, _, many = told.visit_spread
    a_year = told.visits.value / found.years
    low, high = (words.money(told.spread[end] / found.years) for end in (0, 2))
    pairs = [
        ("A year", f"{units.currency} {words.money(told.cost.value / found.years)}", f"{low} to {high} for 8 in 10"),
        ("In all", f"{units.currency} {words.money(told.cost.value)}", _of(told.cost.low, told.cost.high)),
        ("Visits", f"{told.visits.value:.1f}", f"{few:.0f} to {many:.0f} in 8 of 10; {a_year:.1f} a year"),
        ("Stranded at least once", *_share(words.share_range(told.stranded))),
        ("Failure that can damage the engine", *_share(words.share_range(told.damage))),
    ]
    parts.key_figures(pairs if whole else pairs[1:])


def _years(found: VehicleOutlook, told: Forecast, units: Units) -> None:
    """Each year's cost as a bar."""
    most = max(max(year.cost.value, year.spread[2]) for year in told.years) or 1.0
    with tag("ol", classes="year-bars"):
        for year in told.years:
            with tag("li"):
                tag("span", words.year_name(found, year.number, units))
                with tag("div", classes="share-bar", aria_hidden="true"):
                    tag("i", style=f"width: {100 * year.cost.value / most:.1f}%")
                    left, wide = year.spread[0] / most, (year.spread[2] - year.spread[0]) / most
                    tag("b", style=f"left: {100 * left:.1f}%; width: {100 * wide:.1f}%")
                tag("span", f"{units.currency} {words.money(year.cost.value)}", classes="money")
                low, _, high = (words.money(amount) for amount in year.spread)
                tag("span", f"8 in 10 pay {low} to {high}; {year.visits.value:.1f} visits", classes="beside")


def _of(low: float, high: float) -> str:
    return f"{words.money(low)} to {words.money(high)} (95 %)"


def _share(told: str) -> tuple[str, str]:
    value, _, ends = told.partition(" (")
    return value, f"{ends.rstrip(')')} (95 %)"


def _drivers(found: VehicleOutlook, told: Forecast, units: Units) -> None:
    shown = words.listed(told)
    if not told.drivers:
        return
    with parts.panel("What drives the cost"):
        most = max(driver.share for driver in shown)
        with tag("ol", classes="drivers"):
            for driver in shown:
                _driver(found, driver, most, units)
        if rest := told.drivers[len(shown) :]:
            share = sum(driver.share for driver in rest)
            parts.says(f"{len(rest)} others make {show_share(share)} of the cost together.", "small")


def _driver(found: VehicleOutlook, driver: Driver, most: float, units: Units) -> None:
    with tag("li"):
        with tag("p", classes="name"):
            for number, mode in enumerate(driver.modes):
                if number:
                    tag("span", ", ")
                parts.link(found.modes[mode].name, f"/weak-points/{quote(mode, safe='')}")
            if len(driver.units) > 1:
                tag("span", f" ({len(driver.units)} of them)")
        with tag("div", classes="share-bar", aria_hidden="true"):
            tag("i", style=f"width: {100 * driver.share / most:.1f}%")
        tag("p", f"{units.currency} {words.money_range(driver.cost)}", classes="money")
        judged = min(found.modes[mode].record_share for mode in driver.modes) < 0.5
        basis = "mostly judgement" if judged else "by records"
        failures = f"{words.count_in_words(driver.failures)} failures expected"
        tag("p", f"{show_share(driver.share)} of the cost; {failures}; {basis}", classes="beside")
