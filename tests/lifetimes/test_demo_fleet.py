"""What must hold on any fleet, on a simulated one: nothing is lost between the plain lives and what is made of them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from wearlore import demo
from wearlore.book.load import load
from wearlore.book.model import Book
from wearlore.lifetimes import Lifetimes, ages_of_readings, exposed, feed, lifetimes, walk
from wearlore.records.intake import take
from wearlore.records.store import Store

VANS = 300


@pytest.fixture(scope="module")
def demo_book() -> Book:
    return load(demo.BOOK)


@pytest.fixture(scope="module")
def truth() -> demo.Truth:
    return demo.Truth.read()


@pytest.fixture(scope="module")
def fleet(demo_book: Book, truth: demo.Truth) -> demo.Fleet:
    return demo.simulate(demo_book, truth, vans=VANS, rng=np.random.default_rng(3))


@pytest.fixture(scope="module")
def records(demo_book: Book, fleet: demo.Fleet, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    folder = tmp_path_factory.mktemp("demo")
    with Store.open(folder / "records.duckdb") as store:
        for file in fleet.write(folder):
            take(store, demo_book, file, today=date(2025, 1, 1))
        yield store


@pytest.fixture(scope="module")
def plain(records: Store, demo_book: Book) -> Lifetimes:
    return lifetimes(records, demo_book)


@pytest.mark.parametrize(
    "by",
    [("position",), ("history", "duty"), ("built", "per-year"), ("interval:engine-oil", "position")],
    ids=", ".join,
)
def test_rows_with_covariates_are_the_plain_rows_split_and_some_left_out(
    records: Store, demo_book: Book, plain: Lifetimes, by: tuple[str, ...]
) -> None:
    """With what is left out added, every mode has the lives that it had; without any, its very rows."""
    known_of_all = 0
    for mode, own in lifetimes(records, demo_book, by=by).modes.items():
        before = plain.modes[mode].lives
        assert own.lives.total + own.covariate_unknown == before.total
        assert own.evidence.lives == own.lives.total
        assert {name: len(column) for name, column in own.covariates.items()} == dict.fromkeys(by, len(own.lives))
        if own.covariate_unknown == 0:
            known_of_all += 1
            assert summed(own.lives) == summed(before)
    assert known_of_all or "per-year" in by or "interval:engine-oil" in by


def summed(lives) -> dict[tuple[float, float, float], float]:
    """(entry, lower, upper) -> count."""
    rows: dict[tuple[float, float, float], float] = {}
    for *row, count in zip(lives.entry, lives.lower, lives.upper, lives.count, strict=True):
        rows[tuple(row)] = rows.get(tuple(row), 0.0) + count
    return rows


def test_the_interval_of_oil_changes_is_that_of_the_truth(records: Store, demo_book: Book, truth: demo.Truth) -> None:
    """Duty names the interval that the van was driven by; services come a little sooner or later."""
    own = lifetimes(records, demo_book, by=("duty", "interval:engine-oil")).modes["water-pump-leak"]
    duty, interval = own.column("duty"), own.column("interval:engine-oil")
    for oil in truth.fleet.oil_intervals:
        weight = own.lives.count[duty == oil.duty]
        assert np.average(interval[duty == oil.duty], weights=weight) == pytest.approx(oil.km, rel=0.08)


def test_a_rule_for_unknown_starts_turns_what_was_left_out_into_lives(
    records: Store, demo_book: Book, plain: Lifetimes
) -> None:
    """All lives and all left out are as many as before; new at first sight nothing is of unknown start."""
    for rule in ("new at first sight", "original"):
        for mode, own in lifetimes(records, demo_book, unknown_start=rule).modes.items():
            before, after = plain.modes[mode].evidence, own.evidence
            assert everything(after) == everything(before)
            assert after.unknown_start <= before.unknown_start
            assert rule == "original" or after.unknown_start == 0
    assert sum(own.evidence.unknown_start for own in plain.modes.values()) > VANS


def everything(evidence) -> int:
    left = (evidence.unknown_start, evidence.never_looked, evidence.at_entry, evidence.no_distance)
    return evidence.lives + sum(left) + evidence.contradicted


def test_spells_lie_within_the_odometer_of_their_vehicle_and_do_not_overlap(records: Store, demo_book: Book) -> None:
    """low <= start <= end <= last visit; on one unit the next begins no sooner than the last one ended."""
    codes = feed.codes_of(demo_book)
    design = feed.design_of(demo_book, codes)
    feed.prepare(records, codes)
    seen = 0
    for history in feed.batches(records):
        watch = walk.watch(history, design, range(len(codes.modes)))
        units, out = walk.blank_units(design), walk.room_for(history, design)
        walk.walk(design, history, units, out, walk.LEAVE_OUT, watch)
        spells, n = watch.spells, int(watch.spells.size[0])
        vehicle, slot = spells.row_vehicle[:n], spells.row_watched[:n]
        low, start, end = spells.row_low[:n], spells.row_start[:n], spells.row_end[:n]
        first = np.searchsorted(history.vehicle, vehicle)
        last = history.km[np.searchsorted(history.vehicle, vehicle, side="right") - 1]
        assert ((low >= 0) & (low <= start) & (start <= end) & (end <= last)).all()
        known = spells.row_known[:n]
        assert (start[known] >= history.km[first][known]).all()
        order = np.lexsort((end, start, slot, vehicle))
        same = (np.diff(vehicle[order]) == 0) & (np.diff(slot[order]) == 0)
        assert (start[order][1:] >= end[order][:-1])[same].all()
        assert (low[order][1:] >= end[order][:-1])[same].all()
        seen += n
    assert seen > VANS


@pytest.mark.parametrize(
    ("mode", "by"), [("belt-cracks", "front-seal-leak"), ("lower-mount-rubber", "filter-housing-leak")]
)
def test_exposures_are_no_more_than_the_distance_run(
    records: Store, demo_book: Book, plain: Lifetimes, mode: str, by: str
) -> None:
    """And with those left out the lives are the plain ones; some are exposed, most are not."""
    found = exposed(records, demo_book, mode, by)
    lives, at = found.lives, found.exposure
    assert lives.total + found.left_out == plain.modes[mode].lives.total
    last = np.where(lives.right, lives.lower, lives.upper)
    assert (at.at_entry <= lives.entry).all()
    assert (at.at_lower - at.at_entry <= lives.lower - lives.entry).all()
    assert (at.at_upper - at.at_lower <= last - lives.lower).all()
    assert not at.present[~lives.exact].any()
    assert_array_equal(at.at_upper[lives.right], at.at_lower[lives.right])
    share = lives.count[at.at_upper > 0].sum() / lives.total
    assert 0.01 < share < 0.6


def test_every_reading_has_its_row_and_the_age_grows_along_a_piece(
    records: Store, demo_book: Book, fleet: demo.Fleet
) -> None:
    """As many as were written; on one piece a value later on the road is of a greater age, by the distance between."""
    found = ages_of_readings(records, demo_book, "chain-phase")
    assert len(found) == fleet.readings.num_rows
    assert found.mode == "chain-stretch"
    assert 0 < np.count_nonzero(found.known) < len(found)
    path = np.char.add(np.char.add(found.vehicle, " "), found.piece.astype(np.str_))
    same = (path[1:] == path[:-1]) & found.known[1:]
    assert same.sum() > 100
    assert_array_equal(np.diff(found.age)[same], np.diff(found.km)[same])
    assert (found.age <= found.km).all()
