"""What was at risk after a cut-off, by what was known then: stories, and what must not be peeked at."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pytest

from wearlore.book.model import Book
from wearlore.lifetimes import AtRisk, at_risk, lifetimes
from wearlore.records.store import Store

Told = Callable[..., None]
CUT, BEFORE = date(2018, 1, 1), date(2017, 1, 1)


def rows(risk: AtRisk) -> list[tuple[float, float, bool, bool]]:
    """(since, until, failed, begun) of each row, sorted."""
    columns = (risk.since, risk.until, risk.failed, risk.begun)
    return sorted(zip(*(column.tolist() for column in columns), strict=True))


def held(store: Store, book: Book, mode: str) -> AtRisk:
    return at_risk(store, book, CUT, BEFORE).modes[mode]


def test_an_evident_piece_runs_from_its_odometer_at_the_cut_off_to_the_last_visit(
    tell: Told, store: Store, book: Book
) -> None:
    """Driven evenly, 730 days for 20,000 km, it stood at 70,000 km on the cut-off; it leaked at 90,000 and was renewed.

    Had it not failed, it would have run to 110,000 km; the piece fitted then has 20,000 km to go.
    """
    tell("2017-01-01 60000\n2019-01-01 80000\n2019-06-01 90000 pump - failed pump-leak renewed\n2020-01-01 110000")
    assert rows(held(store, book, "pump-leak")) == [(0, 20_000, False, True), (70_000, 110_000, True, False)]


def test_a_fault_that_is_open_at_the_cut_off_is_not_at_risk(tell: Told, store: Store, book: Book) -> None:
    tell("2017-06-01 60000 pump - failed pump-leak\n2019-01-01 80000 pump - failed pump-leak\n2020-01-01 110000")
    risk = held(store, book, "pump-leak")
    assert (rows(risk), risk.before) == ([], 1)


def test_a_hidden_mode_is_at_risk_at_each_look_since_it_was_seen_good(tell: Told, store: Store, book: Book) -> None:
    """Looked at: 50,000 (before the cut-off), 80,000, 90,000 km; found at 105,000. With no look nothing is known."""
    tell(
        "2017-01-01 50000 injector 1 good injector-drip\n2019-01-01 80000 injector 1 good\n"
        "2019-06-01 90000 injector 1 good injector-drip\n2019-09-01 105000 injector 1 failed injector-drip renewed\n"
        "2020-01-01 120000"
    )
    assert rows(held(store, book, "injector-drip")) == [
        (50_000, 80_000, False, False),
        (80_000, 90_000, False, False),
        (90_000, 105_000, True, False),
    ]


def test_the_first_look_at_a_piece_goes_back_to_where_it_was_fitted(tell: Told, store: Store, book: Book) -> None:
    tell(
        "2017-06-01 60000 injector 2 - - renewed\n2019-01-01 80000 injector 2 good injector-drip\n"
        "2019-02-01 82000 injector 2 - - renewed\n2020-01-01 100000 injector 2 good injector-drip"
    )
    assert rows(held(store, book, "injector-drip")) == [(0, 18_000, False, True), (0, 20_000, False, False)]


def test_pieces_of_unknown_age_are_left_out_and_counted(tell: Told, store: Store, book: Book) -> None:
    """Four injectors and a pump of unknown age; the pump leaks."""
    tell("2016-01-01 60000\n2019-01-01 80000 pump - failed pump-leak\n2020-01-01 110000", history="unknown")
    risk = held(store, book, "pump-leak")
    assert (rows(risk), risk.unknown, risk.unknown_failed) == ([], 1, 1)
    stuck = held(store, book, "injector-stuck")
    assert (rows(stuck), stuck.unknown, stuck.unknown_failed) == ([], 4, 0)


def test_what_proves_a_piece_original_after_the_cut_off_was_not_known_then(
    tell: Told, store: Store, book: Book
) -> None:
    """Breaks if the later line makes the age known: only pieces that lived on could be marked so."""
    tell("2016-01-01 60000\n2019-01-01 80000 pump - original\n2020-01-01 110000", history="unknown")
    assert rows(held(store, book, "pump-leak")) == []


def test_what_proves_it_before_was_known(tell: Told, store: Store, book: Book) -> None:
    tell("2016-01-01 60000 pump - original\n2020-01-01 110000", history="unknown")
    ((since, until, failed, _),) = rows(held(store, book, "pump-leak"))
    assert 60_000 < since < until == 110_000
    assert not failed


def test_a_vehicle_that_comes_after_the_cut_off_counts_from_where_its_records_begin(
    tell: Told, store: Store, book: Book
) -> None:
    tell("2018-06-01 20\n2020-01-01 40000", built="2018-05-01")
    tell("2018-06-01 90000 pump - original\n2020-01-01 140000", history="unknown", vehicle="w")
    assert [row[:2] for row in rows(held(store, book, "pump-leak"))] == [(0, 40_000), (90_000, 140_000)]


def test_renewals_for_another_reason_are_counted_by_age_up_to_the_cut_off(tell: Told, store: Store, book: Book) -> None:
    """A pump renewed at 45,000 km without a fault, the next at 50,000 km more because it leaked, one after the cut-off.

    On the cut-off the third is 2,000 km old: 97,000 km run in all.
    """
    tell(
        "2015-01-01 45000 pump - - - renewed\n2017-01-01 95000 pump - failed pump-leak renewed\n"
        "2017-12-31 96990\n2018-01-02 97010\n2019-01-01 120000 pump - - - renewed\n2020-01-01 140000"
    )
    risk = held(store, book, "pump-leak")
    assert risk.renewals.number.tolist() == [0, 0, 1, 0, 0]
    assert risk.renewals.distance == pytest.approx([42_000, 40_000, 15_000, 0, 0])
    assert risk.before == 0  # in 2017, but on the day with which the year before begins: known already then


def test_lives_until_a_day_know_nothing_of_what_comes_after_but_that_the_vehicle_ran_on(
    tell: Told, store: Store, book: Book, rows: Callable[..., list[tuple[float, ...]]]
) -> None:
    """At 70,000 km on that day; the leak of 2019 is not known. Breaks if the way since the last visit is lost."""
    tell("2017-01-01 60000\n2019-01-01 80000 pump - failed pump-leak renewed\n2020-01-01 110000")
    seen = lifetimes(store, book, until=CUT).modes["pump-leak"]
    assert rows(seen.lives) == [(0, 70_000, np.inf, 1)]
    assert lifetimes(store, book, until=date(2019, 1, 1)).modes["pump-leak"].evidence.failures == 1
    assert lifetimes(store, book, until=date(2012, 1, 1)).vehicles == 0


def test_a_vehicle_that_is_not_seen_again_ends_at_its_last_visit(
    tell: Told, store: Store, book: Book, rows: Callable[..., list[tuple[float, ...]]]
) -> None:
    tell("2017-01-01 60000")
    assert rows(lifetimes(store, book, until=CUT).modes["pump-leak"].lives) == [(0, 60_000, np.inf, 1)]


def test_covariates_of_a_part_of_the_record_are_refused(store: Store, book: Book) -> None:
    with pytest.raises(ValueError, match="without until"):
        lifetimes(store, book, until=CUT, by=["duty"])


def test_no_records_no_risk(store: Store, book: Book) -> None:
    found = at_risk(store, book, CUT, BEFORE)
    assert (found.vehicles, found.after, found.distance) == (0, 0, 0)
    assert set(found.modes) == set(book.modes)
    assert not len(found.modes["pump-leak"].since)
