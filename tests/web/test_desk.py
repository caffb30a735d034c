"""One desk for all pages: what is kept, what is forgotten, who waits for whom."""

import asyncio
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from tests.web.inside import Loop
from tests.web.shop import TODAY, lay_out
from wearlore.errors import BookErrors, NameNotKnown, StoreBusy
from wearlore.records.store import Store
from wearlore.web.desk import Desk
from wearlore.workbench import Workbench

SOON = 20.0  # seconds: far beyond what a busy machine needs


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """For tests that change nothing in it."""
    return lay_out(tmp_path_factory.mktemp("desk") / "shop")


def at_desk(folder: Path, what: Callable[[Desk], Awaitable[None]]) -> None:
    async def sit() -> None:
        desk = Desk(folder, today=lambda: TODAY)
        try:
            await asyncio.wait_for(what(desk), 60)
        finally:
            desk.close()

    loop = Loop()
    try:
        loop.run(sit())
    finally:
        loop.close()


class Counted:
    """A question that counts how often it is answered, and waits until it may."""

    def __init__(self) -> None:
        self.times = 0
        self.begun, self.may_end = threading.Event(), threading.Event()

    def __call__(self, _: Workbench) -> int:
        self.times += 1
        self.begun.set()
        assert self.may_end.wait(SOON)
        return self.times

    async def until_begun(self) -> None:
        assert await asyncio.get_running_loop().run_in_executor(None, self.begun.wait, SOON)


def test_the_same_key_is_answered_once(shop: Path) -> None:
    async def ask(desk: Desk) -> None:
        question = Counted()
        question.may_end.set()
        assert [await desk.ask(question, key=("one",)) for _ in range(3)] == [1, 1, 1]
        assert await desk.ask(question, key=("other",)) == 2
        assert await desk.ask(question) == 3

    at_desk(shop, ask)


def test_who_asks_at_the_same_time_waits_for_the_same_answer(shop: Path) -> None:
    async def ask(desk: Desk) -> None:
        question = Counted()
        asked = [asyncio.ensure_future(desk.ask(question, key=("one",), long=long)) for long in (True, False, True)]
        await question.until_begun()
        asked[0].cancel()  # the first goes away; the others still get it
        question.may_end.set()
        assert await asyncio.gather(*asked[1:]) == [1, 1]

    at_desk(shop, ask)


def test_long_questions_do_not_hold_up_short_ones(shop: Path) -> None:
    async def ask(desk: Desk) -> None:
        slow, next_slow = Counted(), Counted()
        long = [asyncio.ensure_future(desk.ask(one, long=True)) for one in (slow, next_slow)]
        await slow.until_begun()
        assert await desk.ask(lambda bench: bench.book.family.id) == "corvane-16"
        assert not next_slow.begun.is_set()  # one after another
        slow.may_end.set(), next_slow.may_end.set()
        await asyncio.gather(*long)

    at_desk(shop, ask)


def test_an_answer_that_a_change_overtook_is_not_kept(shop: Path) -> None:
    async def ask(desk: Desk) -> None:
        question = Counted()
        before = asyncio.ensure_future(desk.ask(question, key=("one",)))
        await question.until_begun()
        await desk.change(lambda _: None)
        question.may_end.set()
        assert await before == 1
        assert desk.kept(("one",)) is None

    at_desk(shop, ask)


def test_who_asks_after_a_change_does_not_get_what_was_asked_before_it(shop: Path) -> None:
    async def ask(desk: Desk) -> None:
        question = Counted()
        before = asyncio.ensure_future(desk.ask(question, key=("one",)))
        await question.until_begun()
        await desk.change(lambda _: None)
        after = asyncio.ensure_future(desk.ask(question, key=("one",)))
        await asyncio.sleep(0)
        question.may_end.set()
        await before, await after
        assert question.times == 2

    at_desk(shop, ask)


def test_errors_pass_and_are_not_kept(shop: Path) -> None:
    async def ask(desk: Desk) -> None:
        for _ in range(2):
            with pytest.raises(NameNotKnown, match="C099"):
                await desk.ask(lambda bench: bench.vehicle("C099"), key=("vehicle", "C099"))
        assert desk.kept(("vehicle", "C099")) is None

    at_desk(shop, ask)


def test_records_that_another_process_loads_are_seen(tmp_path: Path) -> None:
    folder = lay_out(tmp_path / "shop")

    async def ask(desk: Desk) -> None:
        def failures(bench: Workbench) -> int:
            return next(row for row in bench.lives().rows if row.mode == "front-seal-leak").evidence.failures

        before = await desk.ask(failures, key=("failures",))
        await desk.look()
        assert desk.kept(("failures",)) == before  # nothing has changed
        more = folder / "more.csv"
        more.write_text(
            "vehicle,date,odometer,unit,component,finding,mode\n"
            "C001,2025-06-01,150000,km,front-seal,failed,front-seal-leak\n"
        )
        Workbench(folder).take([more], today=TODAY)
        await desk.look()
        assert await desk.ask(failures, key=("failures",)) == before + 1

    at_desk(folder, ask)


def test_a_book_that_cannot_be_used_leaves_the_old_one_until_it_is_mended(tmp_path: Path) -> None:
    folder = lay_out(tmp_path / "shop")
    book = folder / "book.yaml"
    good = book.read_text(encoding="utf-8")

    async def ask(desk: Desk) -> None:
        desk.warm()
        book.write_text(good.replace("noticed: hidden", "noticed: perhaps"), encoding="utf-8")
        await desk.look()
        assert isinstance(desk.problem, BookErrors)
        assert "perhaps" in str(desk.problem)
        assert (await desk.ask(lambda bench: bench.lives())).family == "Corvane 1.6 petrol"
        book.write_text(good.replace("Corvane 1.6 petrol", "Corvane 1.6"), encoding="utf-8")
        await desk.look()
        assert desk.problem is None
        assert (await desk.ask(lambda bench: bench.lives())).family == "Corvane 1.6"

    at_desk(folder, ask)


def test_a_store_that_is_being_written_is_read_when_that_is_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = lay_out(tmp_path / "shop")

    async def ask(desk: Desk) -> None:
        desk.warm()
        before = desk.bench
        (folder / "book.yaml").touch()
        with monkeypatch.context() as busy:
            busy.setattr(Store, "open", _busy)
            await desk.look()
        assert (desk.problem, desk.bench) == (None, before)
        await desk.look()
        assert desk.bench is not before

    at_desk(folder, ask)


def _busy(*_: object, **__: object) -> Store:
    raise StoreBusy("records.duckdb", "the store is open elsewhere", "Close it there.")
