"""The gate before the store: many readers or one writer, nobody for ever."""

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from wearlore.records.gate import Gate

SOON = 10.0  # seconds: far beyond what a busy machine needs


@pytest.fixture
def threads() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(16) as pool:
        yield pool


def asked_to_write(gate: Gate) -> Callable[[], bool]:
    return lambda: gate._asked == 1


def until(met: Callable[[], bool]) -> None:
    wait = threading.Event()
    for _ in range(1000):
        if met():
            return
        wait.wait(0.01)
    raise AssertionError("it never came")


def test_readers_are_there_together(threads: ThreadPoolExecutor) -> None:
    gate, together = Gate(), threading.Barrier(4)

    def read() -> None:
        with gate.reading():
            together.wait(SOON)

    for reader in [threads.submit(read) for _ in range(4)]:
        reader.result(SOON)


def test_writers_are_alone(threads: ThreadPoolExecutor) -> None:
    gate, inside, most = Gate(), set(), []

    def enter(how: str, number: int) -> None:
        with gate.reading() if how == "reading" else gate.writing():
            inside.add((how, number))
            if any(kind == "writing" for kind, _ in inside):
                most.append(len(inside))
            inside.discard((how, number))

    jobs = [threads.submit(enter, "writing" if n % 3 == 0 else "reading", n) for n in range(300)]
    for job in jobs:
        job.result(SOON)
    assert set(most) == {1}


def test_reading_inside_reading_does_not_wait_for_a_writer_that_waits_for_it(threads: ThreadPoolExecutor) -> None:
    gate = Gate()

    def write() -> None:
        with gate.writing():
            pass

    with gate.reading():
        writer = threads.submit(write)
        until(asked_to_write(gate))
        with gate.reading():  # would hang for ever
            assert not writer.done()
    writer.result(SOON)


def test_new_readers_let_a_waiting_writer_go_first(threads: ThreadPoolExecutor) -> None:
    gate, order = Gate(), []

    def write() -> None:
        with gate.writing():
            order.append("wrote")

    def read() -> None:
        with gate.reading():
            order.append("read")

    with gate.reading():
        writer = threads.submit(write)
        until(asked_to_write(gate))
        reader = threads.submit(read)
    writer.result(SOON), reader.result(SOON)
    assert order == ["wrote", "read"]


@pytest.mark.parametrize("how", ["reading", "writing"])
def test_what_goes_wrong_inside_leaves_the_gate_open(how: str) -> None:
    gate = Gate()
    with pytest.raises(ZeroDivisionError), getattr(gate, how)():
        raise ZeroDivisionError
    with gate.writing():
        pass
