"""Finding a vehicle as one types, and adding one."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from nicegui import ui
from nicegui.element import Element

from wearlore.answers import FoundVehicle, FoundVehicles
from wearlore.errors import RecordsErrors, WearloreError
from wearlore.report.sheet import counted
from wearlore.units import Units
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import of_vehicle
from wearlore.web.parts import tag
from wearlore.web.said import Said, keep_address
from wearlore.workbench.vehicles import NewVehicle

HISTORY = {"unknown": "not known", "complete": "reach back to new"}


class Finder:
    """The search of one page."""

    def __init__(self, desk: Desk, said: Said) -> None:
        self.desk, self.said = desk, said
        self.asked = 0
        self.first = ""
        with tag("div", classes="controls finder"):
            search = parts.field(
                "Name or variant", said.one("search"), self.find, kind="search", live=True, autocomplete="off",
                autofocus=True, spellcheck="false",
            )  # fmt: skip
        search.on("keydown.enter", lambda _: ui.navigate.to(of_vehicle(self.first)) if self.first else None)

    def place(self) -> Element:
        """Where what is found stands."""
        self.slot = tag("div", classes="slot")
        return self.slot

    async def find(self, search: str) -> None:
        """Show what has ``search`` in it, unless more has been typed by then."""
        self.asked += 1
        asked = self.asked
        self.said = self.said.but(search=search)
        keep_address(self.said)
        try:
            found = await self.desk.ask(lambda bench: bench.vehicles(search), key=("vehicles", search, 40))
        except WearloreError as error:
            with parts.anew(self.slot):
                raise error
        if asked == self.asked and not self.slot.is_deleted:
            with parts.anew(self.slot):
                self.draw(found)

    def draw(self, found: FoundVehicles) -> None:
        self.first = found.vehicles[0].vehicle if found.vehicles else ""
        shown = f", the first {len(found.vehicles):,} shown" if found.matching > len(found.vehicles) else ""
        tag("p", f"{counted(found.matching, 'vehicle')}{shown}.", role="status", classes="found-count")
        if found.vehicles:
            rows = "".join(_row(one, self.desk.units) for one in found.vehicles)
            ui.html(f'<ul class="found">{rows}</ul>', sanitize=False)
        else:
            parts.says("None is called that. Look for a part of the name, or add the vehicle below.")


def _row(one: FoundVehicle, units: Units) -> str:
    seen = f"seen {one.last.isoformat()} at {units.show_odometer(one.km or 0)}" if one.last else "no visit yet"
    faults = f'<b class="open">{counted(one.faults, "open fault")}</b>' if one.faults else ""
    said = f"{one.variant}, built {one.built.isoformat()}"
    return (
        f'<li><a href="{escape(of_vehicle(one.vehicle), quote=True)}"><strong>{escape(one.vehicle)}</strong>'
        f"<span>{escape(said)}</span><span>{seen}</span><span>{counted(one.visits, 'visit')}</span>{faults}</a></li>"
    )


class Adding:
    """The form for a vehicle that is not on record yet; each field says what is wrong with it."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        variants = desk.bench.book.variants
        self.typed = {"vehicle": "", "variant": next(iter(variants)), "built": "", "history": "unknown", "duty": ""}
        self.typed["odometer"] = ""
        self.wrong: dict[str, Element] = {}
        with tag("div", classes="controls"):
            self._field("vehicle", "Name or number", autocomplete="off", maxlength=100)
            with self._with_wrong("variant"):
                names = {name: one.name for name, one in variants.items()}
                parts.choice("Variant", names, self.typed["variant"], self._take("variant"))
            self._field("built", "Built on", kind="date")
            with self._with_wrong("history"):
                parts.choice("Records", HISTORY, "unknown", self._take("history"))
            self._field("duty", "Duty, if known", maxlength=100)
            self._field("odometer", "Odometer today", unit=desk.units.distance, inputmode="numeric", size=10)
        with tag("div", classes="controls"):
            parts.button("Add it", self.add, main=True)
        self.told = tag("div", classes="slot")

    def _field(self, name: str, label: str, **properties: object) -> None:
        with self._with_wrong(name):
            parts.field(label, "", self._take(name), **properties)  # type: ignore[arg-type]

    def _with_wrong(self, name: str) -> Element:
        around = tag("div", classes="judged")
        self.wrong[name] = around
        return around

    def _take(self, name: str) -> Callable[[str], None]:
        def take(told: str) -> None:
            self.typed[name] = told

        return take

    async def add(self) -> None:
        """Then go to its page."""
        self._clear()
        new, today = NewVehicle(**self.typed, unit=self.desk.units.distance), self.desk.today()
        try:
            await self.desk.change(lambda bench: bench.add(new, today=today))
        except RecordsErrors as refused:
            for error in refused.errors:
                _, _, field, expected, mend = error.args
                place = self.wrong.get(field if field in self.wrong else "odometer", self.told)
                with place, tag("p", classes="wrong", role="alert"):
                    tag("span", f"Expected {expected}. {mend}")
            return
        except WearloreError as error:
            with self.told:
                parts.problem(error)
            return
        ui.navigate.to(of_vehicle(new.vehicle.strip()))

    def _clear(self) -> None:
        self.told.clear()
        for place in self.wrong.values():
            for child in [one for one in place.default_slot.children if "wrong" in one.classes]:
                child.delete()
