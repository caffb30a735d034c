"""One workshop folder shared by everybody who has a page of it open.

Answers are computed in threads: short ones side by side, long ones one after another (each uses every core), so that
what is quick never waits for a simulation. When the book or the store has changed,
lives and life models are read anew beside the old ones, which go on answering until that is done; what is asked
of one vehicle reads the store each time.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from wearlore.errors import StoreBusy, WearloreError
from wearlore.units import Units
from wearlore.workbench import Workbench, silent
from wearlore.workbench.folder import Progress

T = TypeVar("T")
Key = tuple[Hashable, ...]
Stamp = tuple[tuple[str, int, int], ...]

KEPT = 400  # answers that are kept
EVERY = 2.0  # seconds between looks at whether the folder has changed
SHORT = 4  # short questions answered side by side


class Desk:
    """The bench of ``folder``; ``today`` is the clock, ``units`` those of every page (None: the book's)."""

    def __init__(
        self,
        folder: str | Path,
        *,
        today: Callable[[], date],
        units: str | None = None,
        seed: int = 1,
        progress: Progress = silent,
    ) -> None:
        self.bench = Workbench(folder, seed=seed, progress=progress)
        self.today = today
        self.system = units
        self.signed_in = False  # whether pages are for those who know a password
        self.problem: WearloreError | None = None  # why the newest book or store cannot be read
        self._seen = self._stamp()
        self._turn = 0  # counts what made earlier answers untrue
        self._kept: OrderedDict[Key, Any] = OrderedDict()
        self._asked: dict[Key, asyncio.Future[Any]] = {}
        self._short = ThreadPoolExecutor(SHORT, "short")
        self._long = ThreadPoolExecutor(1, "long")
        self._changes = ThreadPoolExecutor(1, "changes")

    @property
    def units(self) -> Units:
        units = self.bench.book.units
        return units.in_system(self.system) if self.system else units

    def warm(self) -> None:
        """Read everything that all pages need. Raises WearloreError."""
        _read(self.bench)
        self.bench = self.bench.telling(silent)

    async def ask(
        self,
        question: Callable[[Workbench], T],
        *,
        key: Key | None = None,
        long: bool = False,
        progress: Progress = silent,
    ) -> T:
        """The answer to ``question``, which must not change anything; what the same ``key`` was answered is kept.

        ``progress`` is told from another thread; who asks what is being answered already waits for that, untold. Raises
        what the question raises.
        """
        if key is None:
            return await self._answer(question, None, long, progress)
        if (found := self.kept(key)) is not None:
            return found  # type: ignore[no-any-return]
        if (asked := self._asked.get(key)) is None:
            asked = self._asked[key] = asyncio.ensure_future(self._answer(question, key, long, progress))
            asked.add_done_callback(lambda done: self._no_longer_asked(key, done))
        return await asyncio.shield(asked)  # who goes away does not take it from others

    async def _answer(self, question: Callable[[Workbench], T], key: Key | None, long: bool, progress: Progress) -> T:
        bench, turn = self.bench, self._turn
        answer = await asyncio.get_running_loop().run_in_executor(
            self._long if long else self._short, lambda: question(bench.telling(progress))
        )
        if key is not None and turn == self._turn:
            self._kept[key] = answer
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return answer

    def _no_longer_asked(self, key: Key, done: asyncio.Future[Any]) -> None:
        if self._asked.get(key) is done:
            del self._asked[key]
        if not done.cancelled():
            done.exception()  # it has been told to those who waited, if any were left

    def kept(self, key: Key) -> Any | None:
        """The answer kept under ``key``, if there is one."""
        if key in self._kept:
            self._kept.move_to_end(key)
        return self._kept.get(key)

    async def change(self, act: Callable[[Workbench], T]) -> T:
        """Do what changes the store, one change after another; pages that ask of the vehicles concerned see it at once.

        Raises what the change raises.
        """
        try:
            return await asyncio.get_running_loop().run_in_executor(self._changes, lambda: act(self.bench))
        finally:
            self._forget()

    def _forget(self) -> None:
        """What was answered, and what is being answered, was about what is no longer there."""
        self._turn += 1
        self._kept.clear()
        self._asked.clear()

    async def watch(self) -> None:
        """Go on looking whether the folder has changed, until cancelled; first make ready for what is asked first."""
        await asyncio.get_running_loop().run_in_executor(self._long, _rehearse, self.bench.telling(silent))
        while True:
            await asyncio.sleep(EVERY)
            await self.look()

    async def look(self) -> None:
        """Read the folder anew if it has changed. A book that cannot be used leaves the old one on the desk."""
        if (stamp := self._stamp()) == self._seen:
            return
        self._seen = stamp
        anew = self.bench.again()
        try:
            await asyncio.get_running_loop().run_in_executor(self._long, _read, anew)
        except StoreBusy:
            self._seen = ()  # whoever is writing will be done soon
            return
        except WearloreError as problem:
            self.problem = problem
            return
        self.problem = None
        self.bench = anew
        self._forget()

    def close(self) -> None:
        """Let changes end; what is only being computed is for nobody any more."""
        self._short.shutdown(wait=False, cancel_futures=True)
        self._long.shutdown(wait=False, cancel_futures=True)
        self._changes.shutdown()

    def _stamp(self) -> Stamp:
        """By which a change of the book or the store is seen."""
        book = self.bench.book_path
        store = self.bench.store_path
        paths = [*(sorted(book.rglob("*.yaml")) if book.is_dir() else [book]), store, store.with_suffix(".duckdb.wal")]
        return tuple(stamp for path in paths if (stamp := _stamp_of(path)))


def _stamp_of(path: Path) -> tuple[str, int, int] | None:
    try:
        state = path.stat()
    except OSError:
        return None
    return str(path), state.st_mtime_ns, state.st_size


def _read(bench: Workbench) -> None:
    """Book, lives and life models: the slow part of the first question."""
    bench.lives()


def _rehearse(bench: Workbench) -> None:
    """Trace and weigh one vehicle, for nobody: on a new machine code is compiled by it, which takes a minute."""
    with suppress(WearloreError):  # said to whoever asks
        for vehicle in bench.vehicles("", limit=1).vehicles:
            bench.tracing(vehicle.vehicle).answer(())
            bench.scope(vehicle.vehicle, ())
