"""How far a life was driven with another mode present: each rule on one story, and the stretches by brute force."""

from __future__ import annotations

from collections.abc import Callable
from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from wearlore.book.model import Book
from wearlore.errors import LivesError, NameNotKnown
from wearlore.lifetimes import ExposedLives, exposed, lifetimes
from wearlore.lifetimes.exposure import _grouped_exposure, _Stretches
from wearlore.lifetimes.grouping import grouped
from wearlore.lives import Exposure
from wearlore.records.store import Store

Tell = Callable[..., None]
Row = tuple[tuple[float, ...], tuple[float, ...], bool]


@pytest.fixture
def of(store: Store, book: Book) -> Callable[..., list[Row]]:
    def _of(mode: str, by: str, **options: object) -> list[Row]:
        return told(exposed(store, book, mode, by, **options))

    return _of


def told(result: ExposedLives) -> list[Row]:
    """((entry, lower, upper), (exposed at each), present) of each row as often as it counts, sorted."""
    lives, exposure = result.lives, result.exposure
    ages = zip(lives.entry, lives.lower, lives.upper, strict=True)
    at = zip(exposure.at_entry, exposure.at_lower, exposure.at_upper, strict=True)
    rows = zip(ages, at, exposure.present.tolist(), lives.count, strict=True)
    return sorted((*row, present) for *row, present, count in rows for _ in range(int(count)))


def test_the_distance_from_the_finding_to_the_cure(tell: Tell, of) -> None:
    """The valve sticks from 60,000 to 75,000 km; the pump leaks at 100,000 km, the next one runs to 130,000 km."""
    tell(
        "2016-01-01 60000 cooler rear failed cooler-stuck\n2017-01-01 75000 cooler rear - cooler-stuck repaired\n"
        "2018-01-01 100000 pump - failed pump-leak renewed\n2019-01-01 130000"
    )
    assert of("pump-leak", "cooler-stuck") == [
        ((0, 30_000, inf), (0, 0, 0), False),
        ((0, 100_000, 100_000), (0, 15_000, 15_000), False),
    ]


def test_present_at_the_failure(tell: Tell, of) -> None:
    """Still stuck when the pump leaks, and to the end: the second pump runs with it from the first km."""
    tell(
        "2016-01-01 60000 cooler rear failed cooler-stuck\n2018-01-01 100000 pump - failed pump-leak renewed\n"
        "2019-01-01 130000"
    )
    assert of("pump-leak", "cooler-stuck") == [
        ((0, 30_000, inf), (0, 30_000, 30_000), False),
        ((0, 100_000, 100_000), (0, 40_000, 40_000), True),
    ]


def test_cured_in_the_visit_of_the_failure_it_was_present(tell: Tell, of) -> None:
    """Findings speak of what came in: the valve is freed in the visit in which the pump leaks."""
    tell(
        "2016-01-01 60000 cooler rear failed cooler-stuck\n2018-01-01 100000 pump - failed pump-leak renewed\n"
        "2018-01-01 100000 cooler rear - cooler-stuck repaired"
    )
    assert of("pump-leak", "cooler-stuck") == [((0, 100_000, 100_000), (0, 40_000, 40_000), True)]


def test_found_first_in_the_visit_of_the_failure_it_does_not_count_as_present(tell: Tell, of) -> None:
    """It would be a failure with no distance to it."""
    tell("2018-01-01 100000 pump - failed pump-leak renewed\n2018-01-01 100000 cooler rear failed cooler-stuck")
    assert of("pump-leak", "cooler-stuck") == [((0, 100_000, 100_000), (0, 0, 0), False)]


def test_a_hidden_cause_begins_in_the_middle_between_look_and_finding(tell: Tell, of) -> None:
    """Good at 40,000 km, clogged at 60,000 km, renewed at 90,000 km: from 50,000 km on."""
    tell(
        "2015-01-01 40000 cooler rear good cooler-clogged\n2016-01-01 60000 cooler rear failed cooler-clogged\n"
        "2018-01-01 90000 cooler rear - - renewed\n2019-01-01 100000 pump - failed pump-leak"
    )
    assert of("pump-leak", "cooler-clogged") == [((0, 100_000, 100_000), (0, 40_000, 40_000), False)]


def test_what_nobody_found_was_not_there(tell: Tell, of) -> None:
    """Nobody ever looked whether the cooler is clogged."""
    tell("2019-01-01 100000 pump - failed pump-leak")
    assert of("pump-leak", "cooler-clogged") == [((0, 100_000, 100_000), (0, 0, 0), False)]


def test_any_unit_of_the_component_exposes_and_two_at_once_expose_once(tell: Tell, of) -> None:
    """Injector 1 sticks from 20,000 to 50,000 km, number 3 from 40,000 to 60,000 km: 40,000 km."""
    tell(
        "2015-01-01 20000 injector 1 failed injector-stuck\n2016-01-01 40000 injector 3 failed injector-stuck\n"
        "2017-01-01 50000 injector 1 - - renewed\n2018-01-01 60000 injector 3 - - renewed\n2019-01-01 100000"
    )
    assert of("pump-leak", "injector-stuck") == [((0, 100_000, inf), (0, 40_000, 40_000), False)]


def test_an_interval_has_its_exposure_at_both_ends(tell: Tell, of) -> None:
    """Injector 1 drips between 40,000 and 90,000 km; the valve is stuck from 30,000 to 60,000 km."""
    tell(
        "2015-01-01 30000 cooler rear failed cooler-stuck\n2016-01-01 40000 injector 1 good injector-drip\n"
        "2017-01-01 60000 cooler rear - - renewed\n2018-01-01 90000 injector 1 failed injector-drip"
    )
    assert of("injector-drip", "cooler-stuck") == [((0, 40_000, 90_000), (0, 10_000, 30_000), False)]


def test_a_mode_of_the_same_unit_exposes_like_any_other(tell: Tell, of) -> None:
    """The valve of the cooler sticks from 60,000 km on, its seam splits at 80,000 km; the new cooler is whole."""
    tell(
        "2016-01-01 60000 cooler rear failed cooler-stuck\n2018-01-01 80000 cooler rear failed cooler-split renewed\n"
        "2019-01-01 90000"
    )
    assert of("cooler-split", "cooler-stuck") == [
        ((0, 10_000, inf), (0, 0, 0), False),
        ((0, 80_000, 80_000), (0, 20_000, 20_000), True),
    ]


def test_after_a_clean_the_distance_runs_anew(tell: Tell, of) -> None:
    """Exposed from 50,000 km on; flushed at 100,000 km (0.6: virtual age 40,000); good at 130,000 km."""
    tell(
        "2015-01-01 50000 pump - failed pump-leak\n2016-01-01 100000 cooler rear failed cooler-clogged cleaned\n"
        "2017-01-01 130000 cooler rear good cooler-clogged"
    )
    assert of("cooler-clogged", "pump-leak") == [
        ((0, 0, 100_000), (0, 0, 50_000), False),
        ((40_000, 70_000, inf), (0, 30_000, 30_000), False),
    ]


def test_from_the_last_finding_to_a_cure_elsewhere_nobody_knows(tell: Tell, of, store: Store, book: Book) -> None:
    """Stuck at 40,000 and 50,000 km, free at 70,000 km: the first pump's exposure is not known, the second's is 0."""
    tell(
        "2015-01-01 40000 cooler rear failed cooler-stuck\n2015-06-01 50000 cooler rear failed cooler-stuck\n"
        "2016-01-01 70000 cooler rear good cooler-stuck\n2017-01-01 80000 pump - failed pump-leak renewed\n"
        "2018-01-01 100000"
    )
    assert of("pump-leak", "cooler-stuck") == [((0, 20_000, inf), (0, 0, 0), False)]
    assert exposed(store, book, "pump-leak", "cooler-stuck").left_out == 1


@pytest.mark.parametrize("original", [True, False])
def test_before_the_records_only_an_original_unit_is_known(
    tell: Tell, of, store: Store, book: Book, original: bool
) -> None:
    """The pump is original, seen from 70,000 km on. Was the valve stuck before? Not if the cooler is original too."""
    proof = "2020-01-01 120000 cooler rear original" if original else ""
    tell(
        "2018-01-01 70000\n2019-01-01 100000 cooler rear failed cooler-stuck\n2020-01-01 120000 pump - original\n"
        f"{proof}",
        history="unknown",
    )
    result = exposed(store, book, "pump-leak", "cooler-stuck")
    if original:
        assert told(result) == [((70_000, 120_000, inf), (0, 20_000, 20_000), False)]
        assert result.left_out == 0
    else:
        assert (len(result), result.left_out) == (0, 1)


def test_present_at_the_first_sight_nobody_knows_since_when(tell: Tell, store: Store, book: Book) -> None:
    """The valve is found stuck in the very first visit; all are original."""
    tell(
        "2018-01-01 70000 cooler rear failed cooler-stuck\n2020-01-01 120000 pump - original\n"
        "2020-01-01 120000 cooler rear original",
        history="unknown",
    )
    result = exposed(store, book, "pump-leak", "cooler-stuck")
    assert (len(result), result.left_out) == (0, 1)


def test_a_life_that_begins_within_the_records_is_known_whatever_was_before(tell: Tell, of) -> None:
    """An evident cause shows itself at the first visit; the pump fitted at 80,000 km meets only what comes after."""
    tell(
        "2018-01-01 70000 cooler rear failed cooler-stuck\n2019-01-01 80000 pump - - - renewed\n"
        "2020-01-01 95000 cooler rear - - renewed\n2021-01-01 120000",
        history="unknown",
    )
    assert of("pump-leak", "cooler-stuck") == [((0, 40_000, inf), (0, 15_000, 15_000), False)]


@pytest.mark.parametrize(("look", "left_out"), [("2019-01-01 80000", 0), ("2019-06-01 90000", 1)])
def test_a_hidden_cause_of_unknown_start_is_not_known_before_the_first_look(
    tell: Tell, store: Store, book: Book, look: str, left_out: int
) -> None:
    """The pump is fitted at 80,000 km; the cooler is first looked at then, or later."""
    tell(
        f"2018-01-01 70000\n2019-01-01 80000 pump - - - renewed\n{look} cooler rear good cooler-clogged\n"
        "2021-01-01 120000",
        history="unknown",
    )
    result = exposed(store, book, "pump-leak", "cooler-clogged")
    assert (len(result), result.left_out) == (1 - left_out, left_out)


def test_the_rule_for_unknown_starts_holds_for_both_units(tell: Tell, of) -> None:
    """As originals: both pieces from 0 km on. New at first sight: both from 70,000 km on."""
    tell(
        "2018-01-01 70000\n2019-01-01 100000 cooler rear failed cooler-stuck\n"
        "2020-01-01 120000 pump - failed pump-leak",
        history="unknown",
    )
    assert of("pump-leak", "cooler-stuck") == []
    assert of("pump-leak", "cooler-stuck", unknown_start="original") == [
        ((70_000, 120_000, 120_000), (0, 20_000, 20_000), True)
    ]
    assert of("pump-leak", "cooler-stuck", unknown_start="new at first sight") == [
        ((0, 50_000, 50_000), (0, 20_000, 20_000), True)
    ]


def test_a_component_of_other_variants_exposes_nothing(tell: Tell, of) -> None:
    """The booster is fitted to the strong variant only, whatever is known of this van."""
    tell("2018-01-01 70000\n2020-01-01 120000 pump - original", history="unknown")
    assert of("pump-leak", "booster-slack") == [((70_000, 120_000, inf), (0, 0, 0), False)]


def test_each_vehicle_has_its_own_stretches(tell: Tell, of) -> None:
    """The van ``w`` is not exposed by the valve of the van ``v``; equal rows are counted together."""
    for vehicle in ("v", "x"):
        tell("2016-01-01 60000 cooler rear failed cooler-stuck\n2018-01-01 100000", vehicle=vehicle)
    tell("2018-01-01 100000", vehicle="w")
    assert of("pump-leak", "cooler-stuck") == [
        ((0, 100_000, inf), (0, 0, 0), False),
        ((0, 100_000, inf), (0, 40_000, 40_000), False),
        ((0, 100_000, inf), (0, 40_000, 40_000), False),
    ]


def test_rows_are_grouped_and_an_exposure_is_never_more_than_the_distance(tell: Tell, of) -> None:
    """Stuck from 149 km after the pump's renewal on; all is rounded, and stays within the life."""
    tell("2016-01-01 60049 pump - - - renewed\n2016-02-01 60049 cooler rear failed cooler-stuck\n2018-01-01 90120")
    assert of("pump-leak", "cooler-stuck", group_km=1_000.0) == [
        ((0, 30_000, inf), (0, 30_000, 30_000), False), ((0, 60_000, inf), (0, 0, 0), False),
    ]  # fmt: skip


def test_modes_that_do_not_exist_or_are_the_same_are_refused(store: Store, book: Book) -> None:
    with pytest.raises(NameNotKnown, match=r"no failure mode is called 'pump-leek'. Did you mean pump-leak"):
        exposed(store, book, "pump-leek", "cooler-stuck")
    with pytest.raises(NameNotKnown, match="cooler-sticks"):
        exposed(store, book, "pump-leak", "cooler-sticks")
    with pytest.raises(ValueError, match="two modes"):
        exposed(store, book, "pump-leak", "pump-leak")
    assert len(exposed(store, book, "pump-leak", "cooler-stuck")) == 0


def test_columns_stand_beside_the_rows_and_progress_is_told(tell: Tell, store: Store, book: Book) -> None:
    tell("2016-01-01 60000 pump - failed pump-leak renewed - economy\n2018-01-01 100000", variant="strong")
    done: list[tuple[int, int]] = []
    result = exposed(store, book, "pump-leak", "cooler-stuck", progress=lambda *state: done.append(state))
    columns = zip(result.variant, result.revision, result.grade, result.lives.upper, strict=True)
    assert sorted(columns) == [("strong", "A", "original", 60_000), ("strong", "B", "economy", inf)]
    assert done == [(1, 1)]
    assert (result.mode, result.by) == ("pump-leak", "cooler-stuck")


kms = st.integers(0, 1_000)
stretch = st.tuples(st.integers(3, 5), kms, kms).map(lambda row: (row[0], min(row[1:]), max(row[1:])))


@given(st.lists(stretch, max_size=12), st.lists(st.tuples(st.integers(3, 5), kms, kms), min_size=1, max_size=12))
def test_distance_within_stretches_is_counted_km_by_km(
    stretches: list[tuple[int, int, int]], asked: list[tuple[int, int, int]]
) -> None:
    """Overlapping, touching, empty stretches of three vehicles, against the plain count of the km that they cover."""
    covered = {(v, km) for v, start, end in stretches for km in range(start, end)}
    vehicle, start, end = np.array(stretches, float).reshape(-1, 3).T
    held = _Stretches.of(vehicle.astype(np.int32), start, end, 3, 1_001.0)
    who, low, high = np.array([(v, min(a, b), max(a, b)) for v, a, b in asked], float).T
    who = who.astype(np.int32)
    expected = [sum((v, km) in covered for km in range(int(a), int(b))) for v, a, b in zip(who, low, high, strict=True)]
    assert_allclose(held.driven(who, high) - held.driven(who, low), expected, atol=1e-6)
    assert_array_equal(held.inside(who, high), [(v, km - 1) in covered for v, km in zip(who, high, strict=True)])


@given(
    st.lists(st.tuples(*[st.floats(0, 3_000)] * 3, *[st.floats(0, 1)] * 3, st.sampled_from("eig")), min_size=1),
    st.sampled_from([1.0, 100.0, 1_000.0]),
)
def test_grouped_exposures_grow_no_faster_than_the_distance(
    rows: list[tuple[float, float, float, float, float, float, str]], group: float
) -> None:
    """From entry to lower to upper, whatever the rounding does to each; so an effective age never falls."""
    ages = np.sort(np.array([row[:3] for row in rows]), axis=1).T
    kind = np.array([row[6] for row in rows])
    entry, lower = ages[0], ages[1]
    upper = np.where(kind == "e", lower, np.where(kind == "g", inf, ages[2]))
    last = np.where(np.isinf(upper), lower, upper)
    shares = np.array([row[3:6] for row in rows]).T
    at_entry = shares[0] * entry
    at_lower = at_entry + shares[1] * (lower - entry)
    at_last = at_lower + shares[2] * (last - lower)
    entry, lower, upper = grouped(entry, lower, upper, group)
    found = _grouped_exposure(entry, lower, upper, (at_entry, at_lower, at_last), group)
    assert (found["at_entry"] <= entry).all()
    assert (
        (found["at_lower"] - found["at_entry"] >= 0) & (found["at_lower"] - found["at_entry"] <= lower - entry)
    ).all()
    more = found["at_upper"] - found["at_lower"]
    assert ((more >= 0) & (more <= np.where(np.isinf(upper), 0, upper - lower))).all()
    for name, exact in (("at_entry", at_entry), ("at_lower", at_lower), ("at_upper", at_last)):
        assert (np.abs(found[name] - exact) <= 2 * group).all()


def test_exposed_and_left_out_lives_are_the_plain_lives(tell: Tell, store: Store, book: Book) -> None:
    """None is lost, none is counted twice."""
    tell("2018-01-01 70000\n2020-01-01 120000 pump - original\n2020-01-01 120000 pump - - - renewed\n2021-01-01 140000",
         history="unknown")  # fmt: skip
    result = exposed(store, book, "pump-leak", "cooler-stuck")
    assert (result.lives.total, result.left_out) == (1, 1)
    assert lifetimes(store, book).modes["pump-leak"].lives.total == 2


@pytest.mark.parametrize(
    ("at_entry", "at_lower", "at_upper"),
    [([-1.0], [2.0], [3.0]), ([3.0], [2.0], [3.0]), ([1.0], [2.0], [1.0]), ([1.0], [2.0], [inf]),
     ([np.nan], [2.0], [3.0]), ([1.0, 1.0], [2.0], [3.0])],
)  # fmt: skip
def test_an_exposure_that_contradicts_itself_is_refused(
    at_entry: list[float], at_lower: list[float], at_upper: list[float]
) -> None:
    """It grows from entry to upper end, is finite, and has a value for each row."""
    with pytest.raises(LivesError):
        Exposure(np.array(at_entry), np.array(at_lower), np.array(at_upper), np.array([False]))


def test_an_exposure_is_not_written_to_and_can_be_cut() -> None:
    exposure = Exposure(np.array([0.0, 1.0]), np.array([2.0, 3.0]), np.array([2.0, 4.0]), np.array([True, False]))
    with pytest.raises(ValueError, match="read-only"):
        exposure.at_lower[0] = 1.0
    second = exposure.where(np.array([False, True]))
    assert (len(exposure), len(second), second.at_upper.tolist(), second.present.tolist()) == (2, 1, [4.0], [False])
