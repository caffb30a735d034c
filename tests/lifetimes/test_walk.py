"""The walk against the slow reference, on thousands of random histories, compiled and plain."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date
from importlib.util import module_from_spec, spec_from_file_location
from math import inf
from pathlib import Path
from types import ModuleType

import numba
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from wearlore.book.model import Book
from wearlore.errors import RecordsErrors
from wearlore.lifetimes import Lifetimes, feed, lifetimes, vehicle_at, walk
from wearlore.records.intake import take
from wearlore.records.store import Store

LEFT_OUT = ("unknown_start", "never_looked", "at_entry", "no_distance", "contradicted")
VANS = 3_000
Row = tuple[str, str, str, float, float, float]


@pytest.fixture(scope="module")
def plain() -> ModuleType:
    """The module of the walk as it stands in its source, with nothing compiled."""
    compiled = numba.config.DISABLE_JIT
    numba.config.DISABLE_JIT = True
    try:
        spec = spec_from_file_location("walk_plain", walk.__file__)
        assert spec is not None
        assert spec.loader is not None
        module = module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        numba.config.DISABLE_JIT = compiled
    assert not hasattr(module.walk, "py_func")
    return module


@pytest.fixture(scope="module")
def vans(reference: ModuleType, histories: ModuleType, book: Book) -> list:
    rng = np.random.default_rng(20240517)
    made = [histories.random_van(reference, book, f"van {k:04}", rng) for k in range(VANS)]
    for van in made:
        histories.drop_late_originals(van)
    return made


@pytest.fixture(scope="module")
def fleet(vans: list, histories: ModuleType, book: Book, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A store that holds these vans; a failure that intake refuses (of another revision) is left out of both."""
    folder = tmp_path_factory.mktemp("fleet")
    with Store.open(folder / "records.duckdb") as store:
        vehicles, lines = histories.write(vans, folder)
        take(store, book, vehicles, today=date(2030, 1, 1))
        with pytest.raises(RecordsErrors) as refused:
            take(store, book, lines, today=date(2030, 1, 1))
        assert {error.args[2] for error in refused.value.errors} == {"mode"}
        every = [line for van in vans for line in van.lines]
        for error in refused.value.errors:
            line = every[error.args[1] - 2]
            line.finding = line.mode = ""
            line.action = line.action if line.action == "renewed" else ""
        _, lines = histories.write(vans, folder)
        take(store, book, lines, today=date(2030, 1, 1))
        yield store


def walked(store: Store, book: Book, kernel: ModuleType, most: int = VANS) -> tuple[dict[int, Counter[Row]], Counter]:
    """The rows of each vehicle and the lives left out, straight from the walk."""
    codes = feed.codes_of(book)
    design = feed.design_of(book, codes)
    feed.prepare(store, codes)
    rows: dict[int, Counter[Row]] = {}
    left_out: Counter[tuple[str, str]] = Counter()
    for whole in feed.batches(store):
        few = whole.vehicle < most
        history = walk.History(*(column[few] for column in whole))
        out = walk.room_for(history, design)
        kernel.walk(design, history, walk.blank_units(design), out)
        for k in range(int(out.size[0])):
            revision = codes.revisions[codes.mode_component[out.mode[k]]][out.revision[k]]
            row = (codes.modes[out.mode[k]], revision, feed.GRADES[out.grade[k]])
            row = (*row, float(out.entry[k]), float(out.lower[k]), float(out.upper[k]))
            rows.setdefault(int(out.vehicle[k]), Counter())[row] += 1
        for m, mode in enumerate(codes.modes):
            for reason, count in zip(LEFT_OUT, out.left_out[m], strict=True):
                left_out[mode, reason] += int(count)
    return rows, +left_out


def test_the_compiled_walk_gives_the_rows_of_the_reference(
    fleet: Store, book: Book, vans: list, reference: ModuleType
) -> None:
    """Each vehicle's lives, row for row, and the counts of what was left out and why."""
    rows, left_out = walked(fleet, book, walk)
    compare((rows, left_out), book, vans, reference)
    kinds = Counter(kind(row) for counter in rows.values() for row in counter)
    assert min(kinds[k] for k in ("exact", "interval", "left", "good", "late")) > 100, "the histories are too tame"
    assert {reason for _, reason in left_out} == set(LEFT_OUT)


def test_the_plain_walk_gives_the_rows_of_the_reference(
    fleet: Store, book: Book, vans: list, reference: ModuleType, plain: ModuleType
) -> None:
    compare(walked(fleet, book, plain, 400), book, vans[:400], reference)


def compare(found: tuple[dict[int, Counter[Row]], Counter], book: Book, vans: list, reference: ModuleType) -> None:
    rows, left_out = found
    expected: Counter = Counter()
    for k, van in enumerate(vans):
        story = reference.tell(book, van)
        assert rows.get(k, Counter()) == Counter(story.rows), van
        expected += story.left_out
    assert left_out == expected


def kind(row: Row) -> str:
    *_, entry, lower, upper = row
    if upper == inf:
        return "late" if entry > 0 else "good"
    return "exact" if lower == upper else "left" if lower == 0 else "interval"


def test_the_vehicle_now_is_that_of_the_reference(fleet: Store, book: Book, vans: list, reference: ModuleType) -> None:
    """Units, revision, grade, ages, what is present, from the same walk."""
    for van in vans[:120]:
        found, told = vehicle_at(fleet, book, van.id), reference.tell(book, van)
        assert (found.variant, found.built, found.km) == (van.variant, van.built, van.lines[-1].km)
        assert {(u.component, u.position) for u in found.units} == set(told.units)
        for unit in found.units:
            expected = told.units[unit.component, unit.position]
            assert (unit.revision, unit.grade, unit.at_least) == (expected.revision, expected.grade, expected.at_least)
            modes = {m.mode: (m.age, m.seen_good, m.present) for m in unit.modes}
            assert modes == {m: (e.age, e.seen_good, e.present) for m, e in expected.modes.items()}, (van, unit)


def test_the_order_of_lines_in_the_files_does_not_matter(
    fleet: Store, book: Book, vans: list, reference: ModuleType, histories: ModuleType, tmp_path: Path
) -> None:
    """Lines of a visit, visits of a vehicle and vehicles, shuffled; and each line told twice."""
    rng = np.random.default_rng(7)
    shuffled = [reference.Van(v.id, v.variant, v.built, v.complete, v.lines * 2) for v in rng.permutation(vans)]
    for van in shuffled:
        rng.shuffle(van.lines)
    with Store.open(tmp_path / "records.duckdb") as store:
        for file in histories.write(shuffled, tmp_path):
            take(store, book, file, today=date(2030, 1, 1))
        assert_same(lifetimes(store, book), lifetimes(fleet, book))


def test_batches_hold_whole_vehicles_whatever_their_size(
    fleet: Store, book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cutting a vehicle in two would restart its units."""
    whole = lifetimes(fleet, book)
    done = []
    monkeypatch.setattr(feed, "ROWS", 100)
    assert_same(lifetimes(fleet, book, progress=lambda *state: done.append(state)), whole)
    assert len(done) > 3
    assert done[-1] == (VANS, VANS)


def assert_same(one: Lifetimes, other: Lifetimes) -> None:
    assert one.vehicles == other.vehicles
    assert list(one.modes) == list(other.modes)
    for a, b in zip(one.modes.values(), other.modes.values(), strict=True):
        assert a.evidence == b.evidence
        for name in ("entry", "lower", "upper", "count"):
            assert_array_equal(getattr(a.lives, name), getattr(b.lives, name))
        for name in ("variant", "revision", "grade"):
            assert_array_equal(getattr(a, name), getattr(b, name))
