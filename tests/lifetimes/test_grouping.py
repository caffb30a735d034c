"""Grouping may round a distance; it may not change what kind of life a row is."""

from __future__ import annotations

from collections.abc import Callable
from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.book.model import Book
from wearlore.lifetimes import grouped, lifetimes
from wearlore.lives import Lives
from wearlore.records.store import Store

GROUP = 100.0
km = st.floats(0, 1e6, allow_nan=False)


@st.composite
def row(draw: st.DrawFn) -> tuple[float, float, float]:
    entry, lower, upper = sorted(draw(st.tuples(km, km, km)))
    return draw(st.sampled_from([(entry, lower, upper), (0.0, 0.0, upper), (entry, upper, upper), (entry, lower, inf)]))


def group(*rows: tuple[float, float, float], to: float = GROUP) -> list[tuple[float, ...]]:
    entry, lower, upper = np.array(rows, float).T
    return list(zip(*(column.tolist() for column in grouped(entry, lower, upper, to)), strict=True))


@given(st.lists(row(), min_size=1, max_size=30))
def test_a_row_stays_of_its_kind_and_is_a_valid_life(rows: list[tuple[float, float, float]]) -> None:
    """Exact stays exact, interval stays interval, good stays good, left (from 0) stays left; Lives accepts them all."""
    after = group(*rows)
    Lives(*np.array(after).T, np.ones(len(after)))
    for (_, low0, high0), (_, low, high) in zip(rows, after, strict=True):
        assert (low == high) == (low0 == high0)
        assert (high == inf) == (high0 == inf)
        assert low0 > 0 or low == 0 or low == high == GROUP / 2


@given(row())
def test_no_end_moves_by_more_than_half_a_group_unless_the_interval_lay_within_one(
    r: tuple[float, float, float],
) -> None:
    """An interval inside one group becomes that group, so each end moves by at most a whole one."""
    after = group(r)[0]
    slack = GROUP if np.floor(r[1] / GROUP + 0.5) == np.floor(r[2] / GROUP + 0.5) else GROUP / 2
    for before, now in zip(r[1:], after[1:], strict=True):
        assert before == now or abs(before - now) <= slack * (1 + 1e-9)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ((0, 149, 149), (0, 100, 100)),
        ((0, 150, 150), (0, 200, 200)),
        ((0, 0, 0), (0, 50, 50)),  # a failure is never at 0
        ((0, 49, 49), (0, 50, 50)),
        ((0, 960, 1_040), (0, 950, 1_050)),  # within one group: that group
        ((0, 0, 30), (0, 0, 50)),  # failed when first seen, at once
        ((1_010, 1_040, 1_040), (1_000, 1_000, 1_000)),
        ((990, 990, 1_020), (950, 950, 1_050)),  # entry never behind the lower end
        ((0, 12_345, inf), (0, 12_300, inf)),
        ((0, 20, inf), (0, 0, inf)),
    ],
)
def test_by_hand(before: tuple[float, float, float], after: tuple[float, float, float]) -> None:
    assert group(before) == [after]


def test_the_group_is_of_the_users_choice(tell: Callable[..., None], store: Store, book: Book) -> None:
    """37 km apart they are two rows at 1 km and one row, counted twice, at 1,000 km."""
    tell("2016-01-01 60012 injector 1 failed injector-stuck\n2016-02-01 60049 injector 2 failed injector-stuck")
    fine = lifetimes(store, book, group_km=1.0).modes["injector-stuck"].lives
    assert sorted(fine.upper[~fine.right]) == [60_012, 60_049]
    coarse = lifetimes(store, book, group_km=1_000.0).modes["injector-stuck"].lives
    assert list(coarse.count[~coarse.right]) == [2]
    assert fine.total == coarse.total == 4
    with pytest.raises(ValueError, match="greater than 0"):
        lifetimes(store, book, group_km=0.0)


@pytest.mark.parametrize(("unit", "group_km"), [("km", 100.0), ("miles", 100.0), ("hours", 1.0), ("days", 1.0)])
def test_hours_and_days_are_grouped_to_one(store: Store, book: Book, unit: str, group_km: float) -> None:
    """A life of 61 days rounded to 100 would be no life at all."""
    units = book.family.units.model_copy(update={"distance": unit})
    family = book.family.model_copy(update={"units": units})
    assert lifetimes(store, book.model_copy(update={"family": family})).group_km == group_km
