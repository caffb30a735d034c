"""The invented fleet of the demo family: vans that run, wear and visit workshops, and the records they leave behind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import exp
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

from wearlore.book.model import Book
from wearlore.demo.layout import layout
from wearlore.demo.truth import OilInterval, Truth
from wearlore.demo.van import Facts, Rows, Van
from wearlore.errors import NameNotKnown, OutputError
from wearlore.units import DAYS_PER_YEAR

VEHICLES = pa.schema(
    [("vehicle", pa.string()), ("variant", pa.string()), ("built", pa.date32()), ("history", pa.string()),
     ("duty", pa.string())]
)  # fmt: skip
LINES = pa.schema(
    [("vehicle", pa.string()), ("date", pa.date32()), ("odometer", pa.int32()),
     *((name, pa.string()) for name in
       ("component", "position", "finding", "mode", "action", "revision", "grade", "text"))]
)  # fmt: skip
READINGS = pa.schema(
    [("vehicle", pa.string()), ("date", pa.date32()), ("odometer", pa.int32()), ("reading", pa.string()),
     ("value", pa.float64())]
)  # fmt: skip

SETTLE_DAYS = 300  # a van changes hands, or is seen for the first time, no sooner than this after it was built
SEEN_DAYS = 400  # and stays at least this long within the records, unless they end
MIDDLE_AGE_KM = 150_000
SHOWN = ("chain-stretch", "rear-seal-leak", "clutch-worn")  # faults that share the gearbox's removal


@dataclass(frozen=True, slots=True)
class Fleet:
    """The records of a fleet, as tables in the record formats of `wearlore.records`."""

    vehicles: pa.Table
    lines: pa.Table
    readings: pa.Table

    def write(self, folder: Path, *, csv: bool = False) -> tuple[Path, ...]:
        """Write vehicles, lines and readings into ``folder`` as Parquet, or CSV; raises OutputError."""
        written = []
        for name in ("vehicles", "lines", "readings"):
            file = folder / f"{name}.{'csv' if csv else 'parquet'}"
            try:
                folder.mkdir(parents=True, exist_ok=True)
                if csv:
                    pyarrow.csv.write_csv(getattr(self, name), file)
                else:
                    pyarrow.parquet.write_table(getattr(self, name), file)
            except OSError as error:
                problem = error.strerror or str(error)
                raise OutputError(str(file), problem, "Name a folder that can be written.") from error
            written.append(file)
        return tuple(written)


@dataclass(frozen=True, slots=True)
class DemoVan:
    """A van with a confirmed fault that is not cured yet."""

    vehicle: str
    component: str
    mode: str


def simulate(book: Book, truth: Truth, *, vans: int, rng: np.random.Generator) -> Fleet:
    """Run ``vans`` vans from new until each leaves the fleet; the records hold what the workshops saw of it."""
    return run(book, truth, vans=vans, rng=rng)[0]


def run(book: Book, truth: Truth, *, vans: int, rng: np.random.Generator) -> tuple[Fleet, tuple[Van, ...]]:
    """The fleet of `simulate`, and its vans as their last visit left them."""
    layouts = {variant: layout(book, truth, variant) for variant in book.variants}
    rows, vehicles, left = Rows(), [], []
    for number in range(1, vans + 1):
        variant = _pick(rng, truth.fleet.variant_shares)
        facts = _facts(book, truth, f"V{number:05d}", variant, rng)
        history = "unknown" if facts.known_from else "complete"
        vehicles.append((facts.id, variant, facts.built, history, facts.oil.duty))
        left.append(Van(book, truth, layouts[variant], facts, rows, rng))
        left[-1].live()
    fleet = Fleet(_table(vehicles, VEHICLES), _table(rows.lines, LINES), _table(rows.readings, READINGS))
    return fleet, tuple(left)


def default_van(fleet: Fleet) -> DemoVan:
    """The van that demonstrates a scope best: still in the fleet, its fault found and put off, its history long.

    The stretched chain before other faults that share the gearbox's removal, these before any other; then a history
    complete from new, then the odometer nearest to that of middle age. Raises NameNotKnown when no fault is open.
    """
    lines = fleet.lines
    end = pc.max(lines["date"]).as_py()
    seen = _last(lines)
    complete = set(fleet.vehicles.filter(pc.field("history") == "complete")["vehicle"].to_pylist())
    failed = set(lines.filter(pc.field("finding") == "failed")["mode"].to_pylist())
    for mode in (*(mode for mode in SHOWN if mode in failed), *sorted(failed - {*SHOWN})):
        found = lines.filter((pc.field("mode") == mode) & (pc.field("finding") == "failed"))
        component = found["component"][0].as_py()
        cured = _last(lines.filter((pc.field("component") == component) & (pc.field("action") == "renewed")))
        still_open = [
            vehicle
            for vehicle, (last, _) in _last(found).items()
            if seen[vehicle][0] == end and (vehicle not in cured or cured[vehicle][0] < last)
        ]
        if still_open:
            best = min(still_open, key=lambda v: (v not in complete, abs(seen[v][1] - MIDDLE_AGE_KM), v))
            return DemoVan(best, component, mode)
    raise NameNotKnown("van with an open fault", "any", ())


def _last(lines: pa.Table) -> dict[str, tuple[date, int]]:
    """Vehicle -> date and odometer of its last line."""
    grouped = lines.group_by("vehicle").aggregate([("date", "max"), ("odometer", "max")])
    columns = [grouped[name].to_pylist() for name in ("vehicle", "date_max", "odometer_max")]
    return {vehicle: (day, km) for vehicle, day, km in zip(*columns, strict=True)}


def _facts(book: Book, truth: Truth, id_: str, variant: str, rng: np.random.Generator) -> Facts:
    fleet = truth.fleet
    first = max(fleet.built_from, book.variants[variant].built_from or fleet.built_from)
    if rng.random() < fleet.from_new:
        built, known_from = _between(rng, fleet.records_begin, fleet.built_to), None
        entered = built
    else:
        latest = min(fleet.built_to, fleet.records_end - timedelta(SETTLE_DAYS + SEEN_DAYS))
        built = _between(rng, first, latest)
        earliest = max(fleet.records_begin, built + timedelta(SETTLE_DAYS))
        known_from = entered = _between(rng, earliest, fleet.records_end - timedelta(SEEN_DAYS))
    stays = timedelta(round(SEEN_DAYS / 2 + rng.exponential(DAYS_PER_YEAR / fleet.leaves_per_year)))
    oil: OilInterval = fleet.oil_intervals[_index(rng, [interval.share for interval in fleet.oil_intervals])]
    per_year = fleet.per_year.median * exp(fleet.per_year.spread * rng.normal())
    return Facts(id_, built, known_from, min(entered + stays, fleet.records_end), per_year, oil)


def _between(rng: np.random.Generator, first: date, last: date) -> date:
    return first + timedelta(int(rng.integers(0, max(1, (last - first).days))))


def _pick(rng: np.random.Generator, shares: dict[str, float]) -> str:
    return list(shares)[_index(rng, list(shares.values()))]


def _index(rng: np.random.Generator, weights: list[float]) -> int:
    summed = np.cumsum(weights)
    return int(np.searchsorted(summed, rng.random() * summed[-1], side="right"))


def _table(rows: Sequence[tuple[object, ...]], schema: pa.Schema) -> pa.Table:
    columns = list(zip(*rows, strict=True)) or [()] * len(schema)
    return pa.Table.from_arrays(
        [pa.array(c, field.type) for c, field in zip(columns, schema, strict=True)], schema=schema
    )
