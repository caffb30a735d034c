from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from types import ModuleType

import pytest

from wearlore.book.load import load
from wearlore.book.model import Book, Component, Observation
from wearlore.lives import Lives
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
    """The small book, with a component that has no failure mode, and two modes that a reading speaks of."""
    small = load(HERE.parent / "records" / "small-book.yaml")
    oil = Component(name="Oil", system="lubrication", zone="front")
    drip, noise = small.modes["injector-drip"], small.modes["pump-noise"]
    modes = {
        "injector-drip": drip.model_copy(update={"observations": {"rail-pressure": 0.5}}),
        "pump-noise": noise.model_copy(update={"observations": {"whirr": 0.5}}),
    }
    whirr = Observation(name="Whirr", kind="reading", unit="dB")
    return small.model_copy(
        update={
            "components": {"oil": oil, **small.components}, "modes": {**small.modes, **modes},
            "observations": {**small.observations, "whirr": whirr},
        }
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "records.duckdb") as opened:
        yield opened


@pytest.fixture
def tell(store: Store, book: Book, tmp_path: Path) -> Callable[..., None]:
    """Put one vehicle (``v``) and its lines (``2016-01-01 40000 pump … `` under the header given) into the store."""

    def _tell(
        lines: str, *, history: str = "complete", variant: str = "standard", built: str = "2014-05-01",
        duty: str = "", vehicle: str = "v",
    ) -> None:  # fmt: skip
        vehicles = tmp_path / "vehicles.csv"
        vehicles.write_text(f"vehicle,variant,built,history,duty\n{vehicle},{variant},{built},{history},{duty}\n")
        take(store, book, vehicles, today=TODAY)
        fields = ["date", "odometer", "component", "position", "finding", "mode", "action", "revision", "grade"]
        rows = [["" if cell == "-" else cell for cell in line.split()] for line in lines.strip().splitlines()]
        text = "\n".join(",".join([vehicle, *row, *[""] * (len(fields) - len(row))]) for row in rows)
        file = tmp_path / "lines.csv"
        file.write_text(f"vehicle,{','.join(fields)}\n{text}\n")
        take(store, book, file, today=TODAY)

    return _tell


@pytest.fixture
def read(store: Store, book: Book, tmp_path: Path) -> Callable[..., None]:
    """Put readings of one vehicle (``2016-01-01 40000 310`` each) into the store."""

    def _read(reading: str, values: str, *, vehicle: str = "v") -> None:
        rows = [line.split() for line in values.strip().splitlines()]
        text = "\n".join(f"{vehicle},{day},{km},{reading},{value}" for day, km, value in rows)
        file = tmp_path / "readings.csv"
        file.write_text(f"vehicle,date,odometer,reading,value\n{text}\n")
        take(store, book, file, today=TODAY)

    return _read


def rows_of(lives: Lives) -> list[tuple[float, ...]]:
    """(entry, lower, upper, count) of each row, sorted."""
    return sorted(zip(lives.entry, lives.lower, lives.upper, lives.count, strict=True))


@pytest.fixture
def rows() -> Callable[[Lives], list[tuple[float, ...]]]:
    return rows_of
