"""A part of a page that shows the answer to what was asked last, the earlier one dimmed until then."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

from nicegui import ui

from wearlore.web.desk import Desk, Key
from wearlore.web.parts import anew, doing, retext, tag
from wearlore.workbench import Workbench

T = TypeVar("T")
SETTLING = 0.35  # seconds without another wish before a long question is asked


class Latest:
    """One place of the page. Made where it is to stand; asked again as often as wishes change."""

    def __init__(self, desk: Desk, waiting: str = "Reading the records") -> None:
        self.desk = desk
        self.waiting = waiting
        self._number = 0
        self._root = tag("div", classes="latest")
        with self._root:
            self._doing = tag("div", role="status", classes="doing")
            self.slot = tag("div", classes="slot")

    def ask(
        self, question: Callable[[Workbench], T], draw: Callable[[T], None], *, key: Key | None, long: bool = True
    ) -> None:
        """Ask, and show the answer unless something else has been asked by then. What may be mended is said there.

        With nothing shown yet it is asked at once, otherwise when wishes have settled.
        """
        self._number += 1
        number = self._number
        kept = None if key is None else self.desk.kept(key)
        if kept is not None:
            self._show_none()
            with anew(self.slot):
                draw(kept)
            return

        async def answer() -> None:
            await self._answer(number, question, draw, key, long)

        settling = SETTLING if self.slot.default_slot.children else 0.01
        with self._root:
            ui.timer(settling, answer, once=True)
        self._show(f"{self.waiting} …")

    async def _answer(
        self, number: int, question: Callable[[Workbench], T], draw: Callable[[T], None], key: Key | None, long: bool
    ) -> None:
        if number != self._number:
            return
        loop = asyncio.get_running_loop()

        def tell(what: str, done: int, of: int) -> None:
            loop.call_soon_threadsafe(say, doing(what, done, of))

        def say(text: str) -> None:
            if number == self._number and not self._root.is_deleted:
                self._show(text)

        asked = asyncio.ensure_future(self.desk.ask(question, key=key, long=long, progress=tell))
        await asyncio.wait([asked])
        if number != self._number or self._root.is_deleted:
            asked.exception()
            return
        self._show_none()
        with anew(self.slot):
            draw(asked.result())

    def _show(self, text: str) -> None:
        """What is being done."""
        if self._doing.default_slot.children:
            retext(self._doing.default_slot.children[0], text)
            return
        self._root.classes(add="stale")
        with self._doing:
            tag("p", text, classes="waiting")

    def _show_none(self) -> None:
        self._root.classes(remove="stale")
        self._doing.clear()
