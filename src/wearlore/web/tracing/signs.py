"""What else is there: codes, lamps, noises, levels, readings; found by words or by group, each there or not there."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from nicegui.element import Element

from wearlore.book.model import Book, Observation
from wearlore.report.trace import KINDS
from wearlore.trace import meant, near
from wearlore.web import parts
from wearlore.web.parts import tag
from wearlore.web.tracing.said import Said

MOST = 30  # rows shown of what words may mean

Tell = Callable[[str, bool | None], Awaitable[None]]
Read = Callable[[str, str], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class _Row:
    about: str
    there: Element
    gone: Element


class Signs:
    """``tell`` is told an observation and whether it is there, None: not looked at; ``read`` what a reading says."""

    def __init__(self, book: Book, tell: Tell, read: Read, codes_read: Callable[[bool], Awaitable[None]]) -> None:
        self.book, self.tell, self.read, self.codes_read = book, tell, read, codes_read
        self.said = Said()
        self.group = ""
        self.rows: list[_Row] = []
        kinds = dict.fromkeys(observation.kind for observation in book.observations.values())
        self.groups: dict[str, list[str]] = {
            kind: [i for i, o in book.observations.items() if o.kind == kind] for kind in KINDS if kind in kinds
        }

    def draw(self, said: Said) -> None:
        self.said = said
        self.field = parts.field(
            "Search by words or code",
            "",
            self._search,
            kind="search",
            live=True,
            placeholder="oil sump, P0016, rattle …",
        )
        with tag("div", classes="groups", role="group", aria_label="Groups"):
            self.buttons = {
                kind: parts.button(f"{_group(kind)} ({len(names)})", self._choosing(kind), pressed=False)
                for kind, names in self.groups.items()
                if kind != "wet"
            }
        self.list = tag("div", classes="signs", role="group", aria_label="What can be told")

    def show(self, said: Said) -> None:
        """Press the buttons as it is said."""
        self.said = said
        for row in self.rows:
            told = said.about(row.about)
            for button, pressed in ((row.there, told and told.present), (row.gone, told and not told.present)):
                parts.press(button, bool(pressed))

    # -------------------------------------------------------------------------------------------------------- the list
    def _choosing(self, kind: str) -> Callable[[], None]:
        def choose() -> None:
            self._press("" if self.group == kind else kind)
            self._list(self.groups.get(self.group, ()))

        return choose

    def _press(self, group: str) -> None:
        self.group = group
        for kind, button in self.buttons.items():
            parts.press(button, kind == group)

    def _search(self, words: str) -> None:
        self._press("")
        names = meant(self.book, words)
        self._list(names)
        if words.strip() and not names:
            close = ", ".join(near(self.book, words))
            with self.list:
                parts.says(
                    f"Nothing in the book is called {words.strip()!r}." + (f" Near to it: {close}." if close else "")
                )

    def _list(self, names: tuple[str, ...] | list[str]) -> None:
        self.list.clear()
        self.rows = []
        with self.list:
            if self.group == "code":
                parts.tick("All codes were read: those not named are not there", self.said.codes_read, self.codes_read)
            for name in names[:MOST]:
                self._row(name, self.book.observations[name])
            if len(names) > MOST:
                parts.says(f"And {len(names) - MOST} more: say more words.", "small")
        self.show(self.said)

    def _row(self, name: str, observation: Observation) -> None:
        with tag("div", classes="sign"):
            with tag("div", classes="what"):
                tag("b", spoken(observation))
                tag("span", self._aside(observation), classes="aside")
            if observation.kind == "reading":
                told = self.said.about(name)
                value = f"{told.value:g}" if told and told.value is not None else ""
                parts.field(
                    "Read",
                    value,
                    lambda typed: self.read(name, typed),
                    kind="number",
                    step="any",
                    unit=observation.unit or "",
                    aria_label=f"{observation.name}, in {observation.unit}",
                )
            else:
                with tag("div", classes="yes-no", role="group", aria_label=spoken(observation)):
                    there = parts.button("there", lambda: self._pressed(name, True), pressed=False)
                    gone = parts.button("not there", lambda: self._pressed(name, False), pressed=False)
                self.rows.append(_Row(name, there, gone))

    async def _pressed(self, name: str, present: bool) -> None:
        told = self.said.about(name)
        await self.tell(name, None if told and told.present == present else present)

    def _aside(self, observation: Observation) -> str:
        zone = self.book.zones[observation.zone].name if observation.zone in self.book.zones else ""
        limit = ""
        if observation.limit is not None:
            sort = "at most" if observation.worse == "higher" else "at least"
            limit = f"sound: {sort} {observation.limit:g} {observation.unit or ''}".rstrip()
        return "; ".join(part for part in (observation.circumstance, zone, limit) if part)


def spoken(observation: Observation) -> str:
    """``P0016 Crankshaft and camshaft correlation``."""
    return f"{observation.code} {observation.name}" if observation.code else observation.name


def _group(kind: str) -> str:
    return KINDS[kind].partition(" (")[0]
