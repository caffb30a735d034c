"""What a visit is asked with: the faults that are there or may be there, and terms that are moved."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import ceil, floor
from typing import Protocol

from wearlore.book.model import Book
from wearlore.errors import ScopeError
from wearlore.units import show_share
from wearlore.vehicle import Vehicle, cause_named
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.parts import retext, tag
from wearlore.web.said import Said
from wearlore.web.sheets import folded

SURE = "found"
HOW_SURE = {SURE: "found, it is there"} | {
    f"{share:g}": f"{100 * share:.0f} % sure" for share in (0.9, 0.7, 0.5, 0.3, 0.1)
}


class Say(Protocol):
    """Says something else under the names given; nothing under a name takes it away."""

    def __call__(self, **changed: str | tuple[str, ...]) -> None: ...


class Faults:
    """Faults in: those found, those that may be there, and those open on record to be taken in."""

    def __init__(self, said: Callable[[], Said], say: Say) -> None:
        self.said, self.say = said, say
        self.sure = SURE
        self.known: dict[str, str] = {}
        self.open: tuple[str, ...] = ()
        with parts.panel("What is wrong"):
            self.told = tag("div", classes="visit-told-faults")
            with tag("div", classes="visit-add"):
                self.field = parts.field("Fault", "", self.add, list="visit-faults", placeholder="type to search")
                parts.choice("How sure", HOW_SURE, SURE, self._sure)
                self.offered = tag("datalist", id="visit-faults")
            self.wrong = tag("p", role="alert", classes="visit-wrong")
        self.draw()

    def offer(self, vehicle: Vehicle, book: Book) -> None:
        """The faults that this vehicle can have."""
        states = [(unit, state) for unit in vehicle.units for state in unit.modes]
        names = {
            cause_named(state.mode, unit.position): book.modes[state.mode].name
            + (f" ({unit.position})" if unit.position else "")
            for unit, state in states
        }
        found = tuple(cause_named(state.mode, unit.position) for unit, state in states if state.present)
        if names == self.known and found == self.open:
            return
        self.known, self.open = dict(sorted(names.items(), key=lambda one: one[1])), found
        self.offered.clear()
        with self.offered:
            for name in self.known.values():
                tag("option", value=name)
        self.draw()

    def add(self, told: str) -> None:
        """The fault called so, as sure as is chosen."""
        if not told.strip():
            return
        fault = next((id_ for id_, name in self.known.items() if told.strip().casefold() in (name.casefold(), id_)), "")
        retext(self.wrong, "" if fault else f"This vehicle has no fault called “{told}”. Choose one from the list.")
        if fault:
            parts.refill(self.field, "")
            self.field.run_method("blur")
            self.take(fault, self.sure)

    def take(self, fault: str, sure: str) -> None:
        """``fault`` as found, or with its chance; '' takes it away."""
        found = tuple(one for one in self.said().many("fault") if one != fault)
        probable = tuple(one for one in self.said().many("probable") if one.rpartition("=")[0] != fault)
        if sure == SURE:
            found = (*found, fault)
        elif sure:
            probable = (*probable, f"{fault}={sure}")
        self.say(fault=found, probable=probable)
        self.draw()

    def draw(self) -> None:
        """What is said now."""
        said = self.said()
        found, probable = said.many("fault"), [one.rpartition("=")[::2] for one in said.many("probable")]
        named = {*found, *(fault for fault, _ in probable)}
        self.told.clear()
        with self.told:
            for fault in found:
                self._chip(fault, "")
            for fault, chance in probable:
                self._chip(fault, chance)
            for fault in (one for one in self.open if one not in named):
                name = self.known[fault]
                parts.button(f"Open on record: {name}. Take it in", partial(self.take, fault, SURE))
            if not named:
                parts.says("Nothing is named yet. Without a fault the page shows what would pay on a visit of its own.")

    def _chip(self, fault: str, chance: str) -> None:
        name = self.known.get(fault, fault)
        with tag("span", classes="visit-fault" + (" may-be" if chance else "")):
            tag("span", f"{name}, {_share(chance)}" if chance else name)
            away = parts.button("✕", partial(self.take, fault, ""))
            away.props["aria-label"] = f"Take away: {name}"

    def _sure(self, told: str) -> None:
        self.sure = told


def _share(chance: str) -> str:
    try:
        return f"{show_share(float(chance))} sure"
    except ValueError:
        return chance


class MovedTerms:
    """Sliders for the horizon, the distance a year and the labour rate; more terms folded under them."""

    def __init__(self, desk: Desk, said: Callable[[], Said], say: Say) -> None:
        self.desk, self.said, self.say = desk, said, say
        units, economics = desk.units, desk.bench.book.economics
        with parts.panel("Terms", classes="visit-terms"):
            far = units.from_km(economics.horizon)
            self._slider("Look ahead", "horizon", far, 5000, lambda x: f"{x:,.0f} {units.distance}")
            yearly = units.from_km(economics.per_year)
            self._slider("A year", "per-year", yearly, 1000, lambda x: f"{x:,.0f} {units.distance}")
            self._slider("Labour rate", "rate", economics.labour_rate, 1, lambda x: f"{units.show_money(x)} per h")
            with folded("Odometer and tools"):
                parts.field(
                    "Odometer now", said().one("odometer"), lambda told: say(odometer=told), kind="number",
                    unit=units.distance, placeholder="at its last visit", min=0, inputmode="numeric",
                )  # fmt: skip
                for tool, entry in desk.bench.book.tools.items():
                    parts.tick(f"Missing: {entry.name}", tool in said().many("missing-tool"), partial(self._tool, tool))

    def _slider(self, label: str, name: str, usual: float, step: float, show: Callable[[float], str]) -> None:
        """From a fifth of what the book says to three times that."""
        low, high = max(step, floor(usual / 5 / step) * step), ceil(3 * usual / step) * step
        try:
            value = self.said().number(name) or usual
        except ScopeError:
            value = usual
        key = name.replace("-", "_")
        ends = (min(low, value), max(high, value))
        parts.slider(label, value, ends, step, show, lambda moved: self.say(**{key: f"{moved:g}"}))

    def _tool(self, tool: str, missing: bool) -> None:
        told = tuple(one for one in self.said().many("missing-tool") if one != tool)
        self.say(missing_tool=(*told, tool) if missing else told)
