"""The engine map: every zone with what can be wet in it, to touch; between them the ways on which fluid runs down."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass

from nicegui import ui
from nicegui.element import Element

from wearlore.answers import Standing
from wearlore.book.model import Book
from wearlore.report.trace import LEAST, called, show_chance
from wearlore.report.zonemap import Place, Way, ZoneMap, lane_svg, strip_svg, zone_map
from wearlore.trace import Told
from wearlore.units import show_share
from wearlore.web import parts
from wearlore.web.parts import tag
from wearlore.web.tracing.said import Said

ACROSS = {"wide": 4, "slim": 2}  # boxes in a row, by how much room there is
STATES = {None: "not looked at", True: "wet", False: "dry"}
LOOK = {None: "open", True: "wet", False: "dry"}

Touch = Callable[[str], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class _Spot:
    """What can be wet, as one button."""

    about: str
    label: str
    button: Element
    state: Element


class EngineMap:
    """One fluid at a time; ``touch`` is told the observation, ``rest_dry`` those of the fluid not looked at yet."""

    def __init__(self, book: Book, touch: Touch, rest_dry: Callable[[list[str]], Awaitable[None]]) -> None:
        self.book, self.touch, self.rest_dry = book, touch, rest_dry
        self.wet: dict[str, list[str]] = {}  # fluid -> observations
        for id_, observation in book.observations.items():
            if observation.kind == "wet" and observation.zone in book.zones:
                self.wet.setdefault(observation.fluid or "fluid", []).append(id_)
        self.fluid = next(iter(self.wet), "")
        self.said = Said()
        self.shown: set[tuple[str, Told | None]] = set()  # of what stands on the buttons
        self.spots: list[_Spot] = []
        self.sources: list[tuple[str, Element]] = []
        self.flows: list[tuple[Callable[[set[str], set[str]], str], ui.html]] = []

    # -------------------------------------------------------------------------------------------------------- drawing
    def draw(self, said: Said) -> None:
        """Begin with the fluid that was told last."""
        self.said = said
        told = [one.about for one in said.told if one.present and any(one.about in seen for seen in self.wet.values())]
        self.fluid = next((fluid for fluid, seen in self.wet.items() if told and told[-1] in seen), self.fluid)
        with tag("div", classes="fluids", role="group", aria_label="Fluid"):
            self.fluids = {fluid: parts.button(fluid, self._choosing(fluid), pressed=False) for fluid in self.wet}
        parts.says("Touch a zone: once for wet, again for dry, again for not looked at.", "small")
        self.map = tag("div", classes="engine", role="group")
        with tag("div", classes="after-map"):
            self.rest = parts.button("All the rest is dry", self._rest)
        self._draw_zones()

    def _choosing(self, fluid: str) -> Callable[[], None]:
        def choose() -> None:
            self.fluid = fluid
            self._draw_zones()

        return choose

    async def _rest(self) -> None:
        await self.rest_dry([about for about in self.wet[self.fluid] if self.said.about(about) is None])

    def _draw_zones(self) -> None:
        self.map.clear()
        self.map.props["aria-label"] = f"Engine map: {self.fluid}"
        self.spots, self.sources, self.flows, self.shown = [], [], [], set()
        with self.map:
            for room, across in ACROSS.items():
                with tag("div", classes=f"zones {room}"):
                    self._layout(zone_map(self.book.zones, across), across)
        self.show(self.said)

    def _layout(self, layout: ZoneMap, across: int) -> None:
        for number, row in enumerate(layout.rows):
            with tag("div", classes="zone-row"):
                for place in row:
                    self._lane(place) if place.lane else self._zone(place.zone, place.wide)
            if number < len(layout.strips):
                self._strip(layout.strips[number])
        if apart := layout.apart:
            tag("p", "Beside it: no fluid runs from there to the zones above", classes="apart")
            with tag("div", classes="zone-row"):
                for zone in apart:
                    self._zone(zone, 1 / max(min(across, len(apart)), 2))

    def _strip(self, ways: tuple[Way, ...]) -> None:
        self._flow(lambda wet, dry: strip_svg(ways, wet, dry))

    def _lane(self, place: Place) -> None:
        with tag("div", classes="cell", style=f"width:{100 * place.wide:.3f}%"):
            self._flow(lambda wet, dry: lane_svg(self.book.zones, place, wet, dry))

    def _flow(self, drawn: Callable[[set[str], set[str]], str]) -> None:
        self.flows.append((drawn, ui.html(drawn(set(), set()), sanitize=False)))

    def _zone(self, zone: str, wide: float) -> None:
        here = [about for about in self.wet.get(self.fluid, ()) if self.book.observations[about].zone == zone]
        name = self.book.zones[zone].name
        with tag("div", classes="cell", style=f"width:{100 * wide:.3f}%"):
            if len(here) == 1:
                with self._button(here[0], f"{name}. {self._seen(here[0])}", self._down(zone), "zone") as button:
                    tag("b", name)
                    tag("span", self._seen(here[0]), classes="seen")
                    self._spot(here[0], f"{name}. {self._seen(here[0])}", button)
                    self._source(zone)
                return
            with tag("div", classes="zone" if here else "zone none"):
                tag("b", name)
                for about in here:
                    with self._button(about, self._seen(about), self._down(zone), "spot") as button:
                        tag("span", self._seen(about), classes="seen")
                        self._spot(about, self._seen(about), button)
                if not here:
                    tag("span", f"no {self.fluid} to be seen here", classes="seen")
                self._source(zone)

    def _button(self, about: str, label: str, title: str, classes: str) -> Element:
        made = tag("button", type="button", classes=classes, title=title)
        return made.on("click", lambda _: self.touch(about))

    def _spot(self, about: str, label: str, button: Element) -> None:
        self.spots.append(_Spot(about, label, button, tag("span", classes="state")))

    def _source(self, zone: str) -> None:
        self.sources.append((zone, tag("span", classes="here")))

    def _seen(self, about: str) -> str:
        return self.book.observations[about].name

    def _down(self, zone: str) -> str:
        """Where fluid runs from it, in words."""
        below = self.book.zones[zone].runs_to.items()
        said = ", ".join(f"{self.book.zones[lower].name} {show_share(chance)}" for lower, chance in below)
        return f"Runs down to: {said}" if said else "Nothing lies below it"

    # -------------------------------------------------------------------------------------------------------- showing
    def show(self, said: Said) -> None:
        """What is said, at once."""
        self.said = said
        for spot in self.spots:
            told = said.about(spot.about)
            if (spot.about, told) in self.shown:
                continue
            present = told.present if told else None
            words = STATES[present] + (
                f", by {self.book.inspections[told.by].name.lower()}" if told and told.by else ""
            )
            spot.button.classes(add=LOOK[present], remove=" ".join(set(LOOK.values()) - {LOOK[present]}))
            spot.button.props["aria-label"] = f"{spot.label}: {words}"
            parts.retext(spot.state, words)
        for fluid, button in self.fluids.items():
            parts.press(button, fluid == self.fluid)
            parts.retext(button, self._counted(fluid))
        self.rest.props["disabled"] = all(said.about(about) for about in self.wet.get(self.fluid, ()))
        self.rest.update()
        wet, dry = set(self._zones(True)), set(self._zones(False))
        self.shown = {(spot.about, said.about(spot.about)) for spot in self.spots}
        for drawn, flow in self.flows:
            if (content := drawn(wet, dry)) != flow.content:
                flow.set_content(content)

    def likely(self, standing: Standing) -> None:
        """In each zone the likeliest source there, of those that can be behind what was seen."""
        best: dict[str, str] = {}
        for suspect in standing.asked:
            zone = self.book.components[suspect.component].zone
            if zone not in best and suspect.chance.value >= LEAST:
                best[zone] = f"{called(suspect)} {show_chance(suspect.chance.value)}".replace(
                    " %", "\N{NO-BREAK SPACE}%"
                )
        for zone, element in self.sources:
            if element._text != best.get(zone, ""):
                parts.retext(element, best.get(zone, ""))

    def _zones(self, present: bool) -> Iterator[str]:
        """Zones where all that was looked at for the fluid is wet, or is dry."""
        states: dict[str, list[Told | None]] = {}
        for about in self.wet.get(self.fluid, ()):
            states.setdefault(str(self.book.observations[about].zone), []).append(self.said.about(about))
        for zone, told in states.items():
            wet = any(one and one.present for one in told)
            if wet if present else all(told) and not wet:
                yield zone

    def _counted(self, fluid: str) -> str:
        told = [one for about in self.wet[fluid] if (one := self.said.about(about))]
        wet = sum(one.present for one in told)
        said = [f"{wet} wet"] * bool(wet) + [f"{len(told) - wet} dry"] * bool(len(told) - wet)
        return f"{fluid[:1].upper()}{fluid[1:]}" + (f": {', '.join(said)}" if said else "")
