"""What the records hold, and taking more."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from pathlib import PurePath
from typing import Any

from nicegui import ui
from nicegui.element import Element

from wearlore.errors import RecordsErrors, WearloreError
from wearlore.records.intake import Intake
from wearlore.records.summary import Summary
from wearlore.report.records import files_taken, in_quarantine, odometers
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import frame
from wearlore.web.parts import retext, tag
from wearlore.web.sending import Tray, Trays, label_of

WHAT = (
    "CSV with commas or Parquet, up to 64 MB each: vehicles (vehicle, variant, built), lines (vehicle, date, odometer "
    "and what was found or done) or readings (vehicle, date, odometer, reading, value). A file with a bad line is "
    "refused as a whole, and every bad line is named; the same file twice changes nothing."
)
ANEW = "All pages are being brought up to date with these records …"
DONE = "All pages stand on these records now."
LOOK_AGAIN = 0.7  # seconds
GONE = {
    "too much": "It is larger than 64 MB: send it in parts, or load it with the command line.",
    "lost": "It did not arrive: choose it again.",
}


@dataclass
class Sent:
    """One file on its way: its label, its card, whether it is here, and whether it can be opened as records."""

    number: str
    label: str
    card: Element
    settled: bool = False
    here: bool = False
    opens: bool = False
    said: dict[str, Element] = field(default_factory=dict)


def create(desk: Desk) -> None:
    """Make the page known, and the address that it sends files to."""
    trays = Trays()
    trays.receive()

    @ui.page("/records")
    async def records() -> None:
        tray = trays.new()
        ui.context.client.on_delete(lambda: trays.drop(tray))
        with frame(desk, "Records", section="records"):
            page = Page(desk, tray)
            await parts.answered(desk, lambda bench: bench.records(), page.draw)


class Page:
    """What is there, and the files that this page has sent."""

    def __init__(self, desk: Desk, tray: Tray) -> None:
        self.desk, self.tray = desk, tray
        self.sent: dict[str, Sent] = {}
        with parts.panel(classes="held-records"):
            self.counts = tag("div", classes="slot")
        with parts.panel("Take more records"):
            parts.says(WHAT)
            with tag("label", classes="choose"):
                tag("span", "Files of records")
                chosen = tag("input", type="file", accept=".csv,.parquet", multiple=True)
            chosen.on("change", lambda told: self._told(told.args), js_handler=tray.script)
            self.cards = tag("div", classes="slot")
            self.anew = tag("p", "", role="status")
        self.lists = tag("div", classes="slot")

    def draw(self, held: Summary) -> None:
        self.counts.clear()
        with self.counts:
            parts.key_figures(
                (
                    ("Vehicles", f"{held.vehicles:,}", ""),
                    ("Visits", f"{held.visits:,}", _dates(held)),
                    ("Lines", f"{held.lines:,}", "found or done"),
                    ("Readings", f"{held.readings:,}", "measured"),
                    (
                        "In quarantine",
                        f"{len(held.quarantine):,}",
                        "lines kept apart" if held.quarantine else "nothing",
                    ),
                )
            )
            tag("p", f"Odometers: {odometers(held, self.desk.units)}.", classes="small")
        self.lists.clear()
        with self.lists:
            with parts.panel("Files taken"):
                parts.blocks(files_taken(_named(held)))
            if held.quarantine:
                with parts.panel(f"In quarantine: {len(held.quarantine):,}"):
                    parts.says("Kept as they stood, not used. Mend them in their file, or the book, and send it again.")
                    parts.blocks(in_quarantine(_named(held)))

    # files on their way -----------------------------------------------------------------------------------------------

    async def _told(self, told: dict[str, Any]) -> None:
        """What the browser says of the files that were chosen."""
        if told["state"] == "batch":
            with self.cards:
                for number, name in told["files"]:
                    self._card(str(number), label_of(str(name)))
            return
        one = self.sent.get(str(told["number"]))
        if one is None or one.settled:
            return
        if told["state"] == "sending":
            one.said["bar"].props["value"] = float(told["done"])
            one.said["bar"].update()
            return
        one.settled, one.here = True, told["state"] == "here"
        if not one.here:
            self._say(one, "refused", GONE[told["state"]])
        if all(other.settled for other in self.sent.values()):
            await self._take_all([other for other in self.sent.values() if other.here])
            self.sent.clear()

    def _card(self, number: str, label: str) -> None:
        with tag("div", classes="intake", role="group", aria_label=label) as card:
            tag("h3", label)
            slot = tag("div", classes="slot")
            with slot:
                bar = tag("progress", max=1, value=0, aria_label=f"Sending {label}")
                text = tag("p", "Sending …", role="status")
        self.sent[number] = Sent(number, label, card, said={"slot": slot, "bar": bar, "text": text})

    def _say(self, one: Sent, how: str, *lines: str) -> Element:
        one.card.classes(remove="taken refused", add=how)
        slot = one.said["slot"]
        slot.clear()
        with slot:
            for line in lines:
                tag("p", line, role="status", classes="sum")
        return slot

    # taking -----------------------------------------------------------------------------------------------------------

    async def _take_all(self, sent: list[Sent]) -> None:
        """Vehicles before what happened to them."""
        paths = {one.number: self.tray.files[one.number] for one in sent if one.number in self.tray.files}
        looked = await self.desk.ask(lambda bench: bench.vehicles_first(list(paths.values())))
        by_path = {paths[one.number]: one for one in sent if one.number in paths}
        for path, opens in looked:
            by_path[path].opens = opens
            await self._take(by_path[path])

    async def _take(self, one: Sent, *, quarantine: bool = False) -> None:
        path, today = self.tray.files[one.number], self.desk.today()
        self._say(one, "", "Taking it …")
        loop, slot = asyncio.get_running_loop(), one.said["slot"]

        def tell(_what: str, done: int, of: int) -> None:
            loop.call_soon_threadsafe(show, f"Taking it: {done / of:.0%} …" if of else "Taking it …")

        def show(text: str) -> None:
            if slot.default_slot.children and not slot.is_deleted:
                retext(slot.default_slot.children[0], text)

        before = self.desk.bench
        try:
            taken = await self.desk.change(
                lambda bench: bench.telling(tell).take_as(path, one.label, today=today, quarantine=quarantine)
            )
        except WearloreError as error:
            self._refused(one, error)
            return
        self._taken(one, taken)
        self.tray.drop(one.number)
        self.draw(await self.desk.ask(lambda bench: bench.records()))
        if not taken.duplicate_of:
            self._await_anew(before)

    def _taken(self, one: Sent, taken: Intake) -> None:
        if taken.duplicate_of:
            self._say(one, "taken", f"Taken before, as {PurePath(taken.duplicate_of).name}. Nothing changed.")
            return
        lines = [
            f"{taken.read:,} {taken.kind} read = {taken.stored:,} stored + {taken.quarantined:,} in quarantine.",
        ]
        if taken.known:
            lines.append(f"Of those stored {taken.known:,} were on record already; they are not kept twice.")
        self._say(one, "taken", *lines)

    def _refused(self, one: Sent, error: WearloreError) -> None:
        errors = error.errors if isinstance(error, RecordsErrors) else (error,)
        with self._say(one, "refused", "Nothing of it was taken; the records are as they were."):
            with tag("ol", classes="errors", tabindex="0", aria_label=f"What is wrong with {one.label}"):
                for each in errors[: RecordsErrors.SHOWN]:
                    tag("li", str(each))
            if (more := len(errors) - RecordsErrors.SHOWN) > 0:
                tag("p", f"And {more:,} more like these.")
            with tag("div", classes="controls"):
                if one.opens and isinstance(error, RecordsErrors):
                    label = "Take the good lines, keep the others apart"
                    parts.button(label, lambda: self._take(one, quarantine=True), main=True)
                parts.button("Leave it", lambda: self._leave(one))

    def _leave(self, one: Sent) -> None:
        self.tray.drop(one.number)
        one.card.delete()

    def _await_anew(self, before: object) -> None:
        """Say when the desk has read the records anew."""
        retext(self.anew, ANEW)

        def look() -> None:
            if self.desk.bench is not before:
                retext(self.anew, DONE)
                timer.cancel()

        with self.anew:
            timer = ui.timer(LOOK_AGAIN, look)


def _named(held: Summary) -> Summary:
    """Files by name alone: in which folder of this machine they lay concerns nobody who looks at a page."""
    return replace(
        held,
        intakes=tuple(replace(one, file=PurePath(one.file).name) for one in held.intakes),
        quarantine=tuple(replace(one, file=PurePath(one.file).name) for one in held.quarantine),
    )


def _dates(held: Summary) -> str:
    return f"{held.first_date} to {held.last_date}" if held.first_date else "none yet"
