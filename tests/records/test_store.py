"""The store: opened, closed, and as it was whenever something goes wrong."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from textwrap import dedent

import duckdb
import pytest

from wearlore.errors import StoreError
from wearlore.records.intake import Intake
from wearlore.records.store import Store
from wearlore.records.summary import summary

HERE = Path(__file__).parent
DESIGN_TABLES = {
    "vehicles", "visits", "lines", "readings", "populations", "intakes", "quarantine", "aliases", "predictions",
}  # fmt: skip


def test_a_new_store_has_its_tables_and_opens_again(tmp_path: Path) -> None:
    path = tmp_path / "records.duckdb"
    with Store.open(path):
        pass
    with Store.open(path, read_only=True) as store:
        tables = {name for (name,) in store.connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        assert tables == DESIGN_TABLES | {"store"}


def test_a_name_that_means_something_to_the_engine_is_a_file_like_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Store.open(":memory:"):
        pass
    assert (tmp_path / ":memory:").is_file()


def test_a_store_that_cannot_be_laid_out_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk at the first writing: no half-made store that would be refused the next time."""
    path = tmp_path / "records.duckdb"

    def full(_: Store) -> None:
        raise StoreError(str(path), "the disk is full", "Free some space.")

    monkeypatch.setattr(Store, "_lay_out", full)
    with pytest.raises(StoreError, match="the disk is full"):
        Store.open(path)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"the folder .*nowhere does not exist\. Create it"):
        Store.open(tmp_path / "nowhere" / "records.duckdb")


def test_reading_needs_a_store(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        Store.open(tmp_path / "records.duckdb", read_only=True)
    assert not (tmp_path / "records.duckdb").exists()


@pytest.mark.parametrize("content", [b"", b"vehicle,variant\n", os.urandom(5000)], ids=["empty", "text", "noise"])
def test_another_file_is_no_store_and_stays_as_it_was(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "records.duckdb"
    path.write_bytes(content)
    with pytest.raises(StoreError, match="not a store of records"):
        Store.open(path)
    assert path.read_bytes() == content


def test_a_folder_is_no_store(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        Store.open(tmp_path)


def test_another_database_is_no_store(tmp_path: Path) -> None:
    path = tmp_path / "other.duckdb"
    with duckdb.connect(str(path)) as other:
        other.execute("CREATE TABLE vehicles (a INTEGER)")
    with pytest.raises(StoreError, match="not a store of records"):
        Store.open(path)


def test_a_store_of_another_format_says_which(tmp_path: Path) -> None:
    path = tmp_path / "records.duckdb"
    with Store.open(path) as store:
        store.connection.execute("UPDATE store SET wearlore = 7")
    with pytest.raises(StoreError, match="has format 7, this version reads format 1"):
        Store.open(path)


def test_a_cut_off_store_is_an_error_not_a_traceback(tmp_path: Path) -> None:
    path = tmp_path / "records.duckdb"
    with Store.open(path):
        pass
    path.write_bytes(path.read_bytes()[:5000])
    with pytest.raises(StoreError):
        Store.open(path)


def in_another_process(code: str, *arguments: str | Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", dedent(code), *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_a_store_that_is_open_elsewhere_says_so(tmp_path: Path) -> None:
    path = tmp_path / "records.duckdb"
    other = in_another_process(
        """
        import sys
        import time
        from wearlore.records.store import Store
        with Store.open(sys.argv[1]):
            print("open", flush=True)
            time.sleep(60)
        """,
        path,
    )
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        for read_only in (False, True):
            with pytest.raises(StoreError, match=r"open elsewhere\. Close it there"):
                Store.open(path, read_only=read_only)
    finally:
        other.kill()
        other.communicate()


def test_a_store_opened_for_reading_is_not_written(
    store: Store, fleet: None, give: Callable[..., Intake], tmp_path: Path
) -> None:
    path = store.path
    store.close()
    with Store.open(path, read_only=True) as reader:
        with pytest.raises(StoreError, match="open for reading only"), reader.transaction() as connection:
            connection.execute("DELETE FROM vehicles")
        assert summary(reader).vehicles == 3


def delete_and_raise(store: Store, fault: BaseException) -> None:
    with store.transaction() as connection:
        connection.execute("DELETE FROM vehicles")
        raise fault


def test_what_is_raised_inside_a_transaction_undoes_it(store: Store, fleet: None) -> None:
    with pytest.raises(KeyboardInterrupt):
        delete_and_raise(store, KeyboardInterrupt())
    assert summary(store).vehicles == 3


@pytest.mark.parametrize(
    "fault", [OSError(errno.ENOSPC, "No space left on device"), duckdb.IOException("IO Error: full")]
)
def test_a_full_disk_is_a_store_error(store: Store, fleet: None, fault: Exception) -> None:
    with pytest.raises(StoreError, match=r"cannot be written .* and is as it was"):
        delete_and_raise(store, fault)
    assert summary(store).vehicles == 3


BIG = """
    import sys, resource, signal
    from datetime import date
    from pathlib import Path
    from wearlore.book.load import load
    from wearlore.errors import WearloreError
    from wearlore.records.intake import take
    from wearlore.records.store import Store
    folder, book, limit = Path(sys.argv[1]), load(Path(sys.argv[2])), int(sys.argv[3])
    if limit:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        with Store.open(folder / "records.duckdb") as store:
            print("taking", flush=True)
            take(store, book, folder / "big.csv", today=date(2024, 6, 30), progress=lambda *_: print("on", flush=True))
    except WearloreError as error:
        print(type(error).__name__, error)
"""


def big_file(folder: Path, rows: int) -> None:
    lines = "".join(f"v1,2020-01-01,{100_000 + k / 8},note {k * 7919} {'x' * 40}\n" for k in range(rows))
    (folder / "big.csv").write_text("vehicle,date,odometer,text\n" + lines)


@pytest.mark.slow
def test_the_disk_fills_up_while_a_file_is_taken(store: Store, fleet: None, tmp_path: Path) -> None:
    """A real limit on the size of files: one message, and the store opens with what it held before."""
    store.close()
    big_file(tmp_path, 120_000)
    path = tmp_path / "records.duckdb"
    other = in_another_process(BIG, tmp_path, HERE / "small-book.yaml", path.stat().st_size + 300_000)
    out, err = other.communicate(timeout=100)
    assert "StoreError" in out
    assert "as it was" in out or "closed" in out
    assert "Traceback" not in err
    with Store.open(path) as again:
        assert (summary(again).vehicles, summary(again).lines, len(summary(again).intakes)) == (3, 0, 1)


@pytest.mark.slow
def test_a_process_killed_in_the_middle_leaves_the_store_as_it_was(store: Store, fleet: None, tmp_path: Path) -> None:
    store.close()
    big_file(tmp_path, 400_000)
    for delay in (0.0, 0.5, 1.0):
        other = in_another_process(BIG, tmp_path, HERE / "small-book.yaml", 0)
        assert other.stdout is not None
        assert other.stdout.readline() == "taking\n"
        assert other.stdout.readline() == "on\n"
        time.sleep(delay)
        other.send_signal(signal.SIGKILL)
        other.communicate()
        with Store.open(tmp_path / "records.duckdb") as again:
            found = summary(again)
            assert (found.vehicles, found.lines, len(found.intakes)) in [(3, 0, 1), (3, 400_000, 2)]
