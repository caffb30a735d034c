"""Whose readings the workbench takes for the piece on a vehicle, and what it refuses: stories on a small store."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from wearlore.errors import FitError, NameNotKnown, RecordsError
from wearlore.workbench import Workbench, depth

SMALL = Path(__file__).parent / "records" / "small-book.yaml"
READINGS = """observations:
  whirr: {name: Whirr, kind: reading, unit: dB, limit: 70}
  flow: {name: Flow, kind: reading, unit: L, limit: 30, worse: lower}
  phase: {name: Phase, kind: reading, unit: deg, limit: 6, chain: {stages: [{links: 40, teeth: 40}]}}
  retard: {name: Phase, kind: reading, unit: deg, limit: -6, worse: lower, chain: {stages: [{links: 40, teeth: 40}]}}
  hum: {name: Hum, kind: reading, unit: dB, limit: 70}
  tone: {name: Tone, kind: reading, unit: Hz}
"""
SEEN = (
    ("pump-leak: {", "pump-leak: {observations: {whirr: 0.5, flow: 0.5, phase: 0.5, retard: 0.5, tone: 0.5}, "),
    ("pump-noise: {", "pump-noise: {observations: {hum: 0.5}, "),
)
VEHICLES = "vehicle,variant,built,history\n"
LINES = "vehicle,date,odometer,component,action\n"
VALUES = "vehicle,date,odometer,reading,value\n"
TODAY = date(2030, 1, 1)


def on(km: float) -> date:
    """The day at that odometer: 30,000 km a year."""
    return date(2016, 1, 1) + timedelta(days=round(km / 30_000 * 365))


class Shop:
    """A workshop folder with the small book, filled with stories."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        text = SMALL.read_text(encoding="utf-8").replace("observations:\n", READINGS)
        for old, new in SEEN:
            text = text.replace(old, new)
        (folder / "book.yaml").write_text(text, encoding="utf-8")
        self.vehicles, self.lines, self.values = [], [], []

    def van(self, name: str, *, known: bool = True, variant: str = "standard") -> None:
        self.vehicles.append(f"{name},{variant},2015-06-01,{'complete' if known else 'unknown'}")

    def visit(self, name: str, km: float, *, renewed: bool = False) -> None:
        self.lines.append(f"{name},{on(km)},{km:.0f},{'pump,renewed' if renewed else ','}")

    def read(self, name: str, reading: str, *values: tuple[float, float]) -> None:
        self.values += [f"{name},{on(km)},{km:.0f},{reading},{value:.2f}" for km, value in values]

    def fleet(self, reading: str, new: float, per_10_000: float) -> None:
        """Twelve vans read four times: each goes its own pace, and the meter has its noise."""
        rng = np.random.default_rng(3)
        for number in range(12):
            self.van(name := f"{reading}-{number:02d}")
            pace = per_10_000 * rng.normal(1.0, 0.2)
            ages = np.array([20e3, 50e3, 80e3, 110e3]) + 1_000 * number
            self.read(name, reading, *((km, new + pace * km / 1e4 + 0.1 * rng.standard_normal()) for km in ages))

    def bench(self) -> Workbench:
        bench = Workbench(self.folder)
        files = (("a", VEHICLES, self.vehicles), ("b", LINES, self.lines), ("c", VALUES, self.values))
        paths = []
        for name, head, rows in files:
            if rows:
                paths.append(self.folder / f"{name}.csv")
                paths[-1].write_text(head + "\n".join(rows) + "\n")
        bench.take(paths, today=TODAY)
        return bench


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    return Shop(tmp_path)


def of(result):
    """(age, value) of the readings taken for the piece in place."""
    return [(reading.age, reading.value) for reading in result.vehicle.readings]


def test_readings_of_an_earlier_piece_are_not_taken_for_the_one_in_place(shop: Shop) -> None:
    """Loud at 60,000 km, renewed there, quiet since: what is left is that of a van with the quiet reading alone."""
    shop.fleet("whirr", 50, 1.0)
    shop.van("changed")
    shop.read("changed", "whirr", (20e3, 60), (60e3, 80), (90e3, 53))
    shop.visit("changed", 60e3, renewed=True)
    shop.van("first")
    shop.read("first", "whirr", (30e3, 53))
    bench = shop.bench()
    changed, first = (bench.drift("whirr", vehicle=name) for name in ("changed", "first"))
    assert of(changed) == of(first) == [(30e3, 53)]
    assert (changed.vehicle.km, changed.vehicle.age) == (90e3, 30e3)
    assert changed.vehicle.left.distance == first.vehicle.left.distance
    assert changed.drift.pieces == 12 + 3
    assert changed.left_out == 0


def test_without_a_reading_since_it_was_renewed_only_the_kind_speaks(shop: Shop) -> None:
    shop.fleet("whirr", 50, 1.0)
    shop.van("changed")
    shop.read("changed", "whirr", (60e3, 80))
    shop.visit("changed", 60e3, renewed=True)
    shop.visit("changed", 75e3)
    piece = shop.bench().drift("whirr", vehicle="changed").vehicle
    assert (piece.age, piece.readings, piece.left.readings_used) == (15e3, (), 0)


def test_an_odometer_beyond_the_last_visit_ages_the_piece(shop: Shop) -> None:
    """10,000 km on, 10,000 km less are left; before the last visit it is refused."""
    shop.fleet("whirr", 50, 1.0)
    shop.van("v")
    shop.visit("v", 60e3, renewed=True)
    shop.read("v", "whirr", (90e3, 53))
    bench = shop.bench()
    then, now = bench.drift("whirr", vehicle="v").vehicle, bench.drift("whirr", vehicle="v", km=100e3).vehicle
    assert (now.km, now.age) == (100e3, 40e3)
    assert now.readings == then.readings
    assert now.left.distance.value == pytest.approx(then.left.distance.value - 10e3, rel=1e-3)  # two draws apart
    with pytest.raises(RecordsError, match="at least 90,000 km, read at the last visit"):
        bench.drift("whirr", vehicle="v", km=80e3)


def test_a_piece_of_unknown_age_is_refused_until_it_is_renewed(shop: Shop) -> None:
    shop.fleet("whirr", 50, 1.0)
    for name in ("old", "renewed"):
        shop.van(name, known=False)
        shop.read(name, "whirr", (50e3, 55), (80e3, 51.5))
    shop.visit("renewed", 60e3, renewed=True)
    bench = shop.bench()
    with pytest.raises(FitError, match=r"the age of pump on old is not known.*Load the records of when it was fitted"):
        bench.drift("whirr", vehicle="old")
    found = bench.drift("whirr", vehicle="renewed")
    assert of(found) == [(20e3, 51.5)]
    assert found.left_out == 3


def test_where_less_is_worse_the_limit_is_reached_from_above(shop: Shop) -> None:
    """From 60 L by 2 L in 10,000 km the limit of 30 L is 150,000 km away: 100,000 km at 50,000 km."""
    shop.fleet("flow", 60, -2.0)
    shop.van("good")
    shop.read("good", "flow", (25e3, 55), (50e3, 50))
    shop.van("gone")
    shop.read("gone", "flow", (40e3, 40), (70e3, 25))
    bench = shop.bench()
    good, gone = (bench.drift("flow", vehicle=name).vehicle.left for name in ("good", "gone"))
    assert good.side == gone.side == "lower"
    assert good.distance.value == pytest.approx(100e3, rel=0.05)
    assert good.chance_beyond_now < 0.01
    assert gone.chance_beyond_now > 0.99
    assert gone.distance.value == 0


def test_the_chain_is_longer_whichever_way_the_tester_counts(shop: Shop) -> None:
    """The same chain read as lag, and as a negative phase; 0.5 deg in 10,000 km from new."""
    for name, sign in (("phase", 1), ("retard", -1)):
        shop.fleet(name, 0.0, sign * 0.5)
        shop.van(f"{name}-v")
        shop.read(f"{name}-v", name, (40e3, sign * 2.0), (80e3, sign * 4.0))
    bench = shop.bench()
    lag, retard = (bench.drift(name, vehicle=f"{name}-v") for name in ("phase", "retard"))
    assert lag.elongation_at_limit == pytest.approx(retard.elongation_at_limit, rel=0.05)
    assert lag.elongation_at_limit > 0.01
    for found in (lag, retard):
        longer = found.vehicle.elongation
        assert 0 < longer.low < longer.value < longer.high
        assert longer.value == pytest.approx(found.elongation_at_limit * 4 / 6, rel=0.05)


def test_what_cannot_be_answered_is_said_with_how_to_mend_it(shop: Shop) -> None:
    shop.fleet("tone", 50, 1.0)
    shop.van("old", known=False)
    shop.read("old", "flow", (50e3, 40), (80e3, 35))
    bench = shop.bench()
    assert bench.drift("tone").limit is None
    with pytest.raises(FitError, match="the book states no limit of tone"):
        bench.drift("tone", vehicle="tone-00")
    with pytest.raises(FitError, match=r"no whirr is on record. Load readings"):
        bench.drift("whirr")
    with pytest.raises(FitError, match=r"no flow is of a piece of known age. Load readings"):
        bench.drift("flow")
    with pytest.raises(NameNotKnown, match=r"no reading is called 'wirr'. Did you mean whirr"):
        bench.drift("wirr")


def test_a_vehicle_or_a_piece_that_cannot_have_the_mode_is_refused_as_such(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The noise that hums is of the strong variant: there is nothing whose age could be looked up."""
    rng = np.random.default_rng(5)
    for number in range(6):
        shop.van(name := f"strong-{number}", variant="strong")
        pace = rng.normal(1.0, 0.2)
        shop.read(name, "hum", *((km, 50 + pace * km / 1e4 + 0.1 * rng.standard_normal()) for km in (20e3, 60e3, 90e3)))
    shop.van("plain")
    shop.visit("plain", 40e3)
    bench = shop.bench()
    assert bench.drift("hum", vehicle="strong-0").vehicle.age == 90e3
    with pytest.raises(FitError, match="plain has no pump that can have pump-noise"):
        bench.drift("hum", vehicle="plain")
    monkeypatch.setattr(depth, "fit_drift", lambda _: pytest.fail("a vehicle is refused before the fit"))
    with pytest.raises(NameNotKnown, match="no vehicle is called 'strong-9'"):
        bench.drift("hum", vehicle="strong-9")
