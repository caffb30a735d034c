from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest

from wearlore.book.load import load
from wearlore.book.model import Book
from wearlore.records.intake import Intake, take
from wearlore.records.store import Store

TODAY = date(2024, 6, 30)
VEHICLES = """\
vehicle,variant,built,history
v1,standard,2014-05-01,complete
v2,strong,2016-03-01,unknown
v3,strong,2019-09-15,complete
"""


@pytest.fixture(scope="session")
def book() -> Book:
    return load(Path(__file__).with_name("small-book.yaml"))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "records.duckdb") as opened:
        yield opened


@pytest.fixture
def give(store: Store, book: Book, tmp_path: Path) -> Callable[..., Intake]:
    """Write text to a file of this name and take it."""

    def _give(name: str, text: str | bytes, **options: bool) -> Intake:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return take(store, book, path, today=TODAY, **options)

    return _give


@pytest.fixture
def fleet(give: Callable[..., Intake]) -> None:
    """Three vehicles in the store."""
    give("vehicles.csv", VEHICLES)
