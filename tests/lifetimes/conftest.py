from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from types import ModuleType

import pytest

from wearlore.book.load import load
from wearlore.book.model import Book
from wearlore.records.intake import take
from wearlore.records.store import Store

HERE = Path(__file__).parent
TODAY = date(2030, 1, 1)


def module_at(path: Path, name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def reference() -> ModuleType:
    return module_at(HERE / "reference.py", "lifetimes_reference")


@pytest.fixture(scope="session")
def histories() -> ModuleType:
    return module_at(HERE / "histories.py", "lifetimes_histories")


@pytest.fixture(scope="session")
def book() -> Book:
    return load(HERE.parent / "records" / "small-book.yaml")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "records.duckdb") as opened:
        yield opened


@pytest.fixture
def tell(store: Store, book: Book, tmp_path: Path) -> Callable[..., None]:
    """Put one vehicle ``v`` and its lines (``2016-01-01 40000 pump … `` under the header given) into the store."""

    def _tell(lines: str, *, history: str = "complete", variant: str = "standard", built: str = "2014-05-01") -> None:
        vehicles = tmp_path / "vehicles.csv"
        vehicles.write_text(f"vehicle,variant,built,history\nv,{variant},{built},{history}\n")
        take(store, book, vehicles, today=TODAY)
        fields = ["date", "odometer", "component", "position", "finding", "mode", "action", "revision", "grade"]
        rows = [["" if cell == "-" else cell for cell in line.split()] for line in lines.strip().splitlines()]
        text = "\n".join(",".join(["v", *row, *[""] * (len(fields) - len(row))]) for row in rows)
        file = tmp_path / "lines.csv"
        file.write_text(f"vehicle,{','.join(fields)}\n{text}\n")
        take(store, book, file, today=TODAY)

    return _tell
