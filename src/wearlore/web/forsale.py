"""What is said of a vehicle for sale: its price, and of one in no store also what it is and what was renewed on it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Protocol

from wearlore.web import parts
from wearlore.web.buying import HISTORY, Buying
from wearlore.web.desk import Desk
from wearlore.web.parts import tag
from wearlore.web.sheets import folded

HINTS = {"odometer": "by its usual way"}


class Say(Protocol):
    """Says something else under the names given; nothing under a name takes it away."""

    def __call__(self, **changed: str | tuple[str, ...]) -> None: ...


class Form:
    """The controls over the answer."""

    def __init__(self, desk: Desk, buying: Buying, say: Say) -> None:
        self.book, self.buying, self.say = desk.bench.book, buying, say
        self.done = buying.said.many("done")
        with parts.panel(classes="asking"):
            with tag("div", classes="controls"):
                if not buying.vehicle:
                    self._vehicle()
                self._number("Asking price", "price", buying.units.currency)
                self._number("Odometer now", "odometer", buying.units.distance)
            with folded("More that can be said"):
                self._more()

    def _vehicle(self) -> None:
        variants = {"": "choose …"} | {id_: id_ for id_ in self.book.variants}
        parts.choice("Variant", variants, self.buying.said.one("variant"), lambda told: self.say(variant=told))
        parts.field("Built", self.buying.said.one("built"), lambda told: self.say(built=told), kind="date")

    def _number(self, label: str, name: str, unit: str) -> None:
        self._field(label, name, unit, lambda told: self.say(**{name: told}))

    def _field(self, label: str, name: str, unit: str, take: Callable[[str], None]) -> None:
        value = self.buying.said.one(name)
        hint = HINTS.get(name, "") if self.buying.vehicle else ""
        parts.field(
            label, value, take, kind="number", unit=unit, inputmode="numeric", min=0, step="any", placeholder=hint
        )

    def _more(self) -> None:
        units = self.buying.units
        with tag("div", classes="controls"):
            self._number("What a well-kept one costs", "comparable-price", units.currency)
            self._number("Time for looking", "minutes", "min")
            self._number("Distance a year", "per-year", units.distance)
            if not self.buying.vehicle:
                known = self.buying.said.one("history", "unknown")
                parts.choice("History", HISTORY, known, lambda told: self.say(history=told))
        if not self.buying.vehicle:
            self.renewed = tag("div", classes="controls faults")
            self._draw_done()

    def _draw_done(self) -> None:
        """Renewals that are shown, each to be taken away again, and one more."""
        self.renewed.clear()
        self.unit, self.at = "", ""
        with self.renewed:
            parts.choice("Renewed, and shown", {"": "choose …"} | self._units(), "", partial(self._part, "unit"))
            parts.field(
                "at odometer", "", partial(self._part, "at"), kind="number", unit=self.buying.units.distance, min=0
            )  # fmt: skip
            for one in self.done:
                unit, _, odometer = one.rpartition("@")
                called = f"{self._units().get(unit, unit)} at {odometer}"
                chip = parts.button(f"{called} ✕", partial(self._renewed, tuple(x for x in self.done if x != one)))
                chip.props["aria-label"] = f"Take away: {called}"

    def _part(self, name: str, told: str) -> None:
        setattr(self, name, told)
        if self.unit and self.at:
            self._renewed((*self.done, f"{self.unit}@{self.at}"))

    def _renewed(self, done: tuple[str, ...]) -> None:
        self.done = done
        self.say(done=done)
        self._draw_done()

    def _units(self) -> dict[str, str]:
        named = {id_: component.name for id_, component in self.book.components.items()}
        return dict(sorted(named.items(), key=lambda one: one[1]))
