"""The walk against the slow reference, on thousands of random histories, compiled and plain."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
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
AGED = ("injector", "3", "injector-drip")
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


@dataclass
class Walked:
    """What the walk gave of each vehicle (by number), named."""

    rows: dict[int, Counter[Row]] = field(default_factory=lambda: defaultdict(Counter))
    placed: dict[int, Counter] = field(default_factory=lambda: defaultdict(Counter))
    stretches: dict[int, Counter] = field(default_factory=lambda: defaultdict(Counter))
    ages: dict[int, list] = field(default_factory=lambda: defaultdict(list))
    left_out: Counter[tuple[str, str]] = field(default_factory=Counter)


def walked(
    store: Store, book: Book, kernel: ModuleType, most: int = VANS, rule: str = "left out",
    aged: tuple[str, str, str] = AGED,
) -> Walked:  # fmt: skip
    """The lives of each vehicle, the spells of every mode, the ages of one slot, straight from the walk."""
    found = Walked()
    codes = feed.codes_of(book)
    design = feed.design_of(book, codes)
    feed.prepare(store, codes)
    slot = codes.units.index(aged[:2]), codes.modes.index(aged[2])
    for whole in feed.batches(store):
        few = whole.vehicle < most
        history = walk.History(*(column[few] for column in whole))
        out, watch = walk.room_for(history, design), walk.watch(history, design, range(len(codes.modes)), slot)
        kernel.walk(design, history, walk.blank_units(design), out, feed.rule_of(rule), watch)
        for k in range(int(out.size[0])):
            mode, vehicle = codes.modes[out.mode[k]], int(out.vehicle[k])
            revision = codes.revisions[codes.mode_component[out.mode[k]]][out.revision[k]]
            ends = float(out.lower[k]), float(out.upper[k])
            row = (mode, revision, feed.GRADES[out.grade[k]], float(out.entry[k]), *ends)
            found.rows[vehicle][row] += 1
            place = codes.units[out.unit[k]][1]
            found.placed[vehicle][mode, place, float(out.born[k]), float(out.began[k]), *ends] += 1
        for m, mode in enumerate(codes.modes):
            for reason, count in zip(LEFT_OUT, out.left_out[m], strict=True):
                found.left_out[mode, reason] += int(count)
        spells = watch.spells
        for k in range(int(spells.size[0])):
            watched = spells.row_watched[k]
            place = codes.units[spells.unit[watched]][1]
            at = (float(column[k]) for column in (spells.row_low, spells.row_start, spells.row_end))
            row = (codes.modes[spells.mode[watched]], place, bool(spells.row_known[k]), *at)
            found.stretches[int(spells.row_vehicle[k])][row] += 1
        ages = watch.ages
        revisions = codes.revisions[codes.components.index(aged[0])]
        for k in range(int(ages.size[0])):
            day, age = feed.EPOCH + timedelta(int(ages.row_day[k])), float(ages.row_age[k])
            piece = int(ages.row_piece[k]), revisions[ages.row_revision[k]], feed.GRADES[ages.row_grade[k]]
            row = (day, float(ages.row_km[k]), age if ages.row_known[k] else None, *piece)
            found.ages[int(ages.row_vehicle[k])].append(row)
    found.left_out = +found.left_out
    return found


@pytest.fixture(scope="module", params=list(feed.RULES))
def told(
    request: pytest.FixtureRequest, fleet: Store, book: Book, vans: list, reference: ModuleType
) -> tuple[str, Walked, list]:
    """One rule for unknown starts: what the compiled walk gives by it, and the stories of the reference."""
    rule = request.param
    return rule, walked(fleet, book, walk, rule=rule), [reference.tell(book, van, rule) for van in vans]


def test_the_compiled_walk_gives_the_rows_of_the_reference(told: tuple[str, Walked, list], vans: list) -> None:
    """Each vehicle's lives, row for row and where on the odometer, and the counts of what was left out and why."""
    rule, found, stories = told
    compare(found, vans, stories)
    kinds = Counter(kind(row) for counter in found.rows.values() for row in counter)
    assert min(kinds[k] for k in ("exact", "interval", "left", "good", "late")) > 100, "the histories are too tame"
    never = {"unknown_start"} if rule == "new at first sight" else set()
    assert {reason for _, reason in found.left_out} == set(LEFT_OUT) - never


def test_where_each_mode_was_present_and_where_nobody_knows(
    told: tuple[str, Walked, list], book: Book, vans: list, reference: ModuleType
) -> None:
    """The spells of all modes on all units; of each kind there are many."""
    _, found, stories = told
    compare_stretches(found, book, vans, stories, reference)
    every = [row for counter in found.stretches.values() for row in counter]
    assert sum(known and low < start for *_, known, low, start, _ in every) > 100
    assert sum(known and low == start for *_, known, low, start, _ in every) > 100
    assert sum(not known for *_, known, _, _, _ in every) > 100


def test_how_old_a_mode_was_at_each_visit(
    told: tuple[str, Walked, list], fleet: Store, book: Book, vans: list, reference: ModuleType
) -> None:
    """With revision and grade of the piece, and the number by which its values belong together."""
    rule, found, stories = told
    compare_ages(found, book, vans, stories, reference, AGED)
    for aged in (("cooler", "rear", "cooler-clogged"), ("pump", "", "pump-crack"), ("booster", "", "booster-slack")):
        other = walked(fleet, book, walk, 600, rule, aged)
        compare_ages(other, book, vans[:600], stories, reference, aged)


@pytest.mark.parametrize("rule", feed.RULES)
def test_the_plain_walk_gives_the_rows_of_the_reference(
    fleet: Store, book: Book, vans: list, reference: ModuleType, plain: ModuleType, rule: str
) -> None:
    few = vans[:200]
    found, stories = walked(fleet, book, plain, len(few), rule), [reference.tell(book, van, rule) for van in few]
    compare(found, few, stories)
    compare_stretches(found, book, few, stories, reference)
    compare_ages(found, book, few, stories, reference, AGED)


def compare(found: Walked, vans: list, stories: list) -> None:
    expected: Counter = Counter()
    for k, (van, story) in enumerate(zip(vans, stories, strict=True)):
        assert found.rows[k] == Counter(story.rows), van
        assert found.placed[k] == Counter(story.placed), van
        expected += story.left_out
    assert found.left_out == expected


def compare_stretches(found: Walked, book: Book, vans: list, stories: list, reference: ModuleType) -> None:
    for k, (van, story) in enumerate(zip(vans, stories, strict=True)):
        expected = [(mode, *row) for mode in book.modes for row in reference.stretches(book, van, story, mode)]
        assert found.stretches[k] == Counter(expected), van


def compare_ages(
    found: Walked, book: Book, vans: list, stories: list, reference: ModuleType, aged: tuple[str, str, str]
) -> None:
    component, position, mode = aged
    only = book.components[component].variants
    fitted = [k for k, van in enumerate(vans) if not only or van.variant in only]
    assert len(fitted) > len(vans) / 3
    for k in fitted:
        assert found.ages[k] == reference.ages(book, vans[k], stories[k], mode, position), vans[k]
    for k in set(range(len(vans))) - set(fitted):
        assert {row[2] for row in found.ages[k]} == {None}


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
