"""Each rule of the walk on one story that a person can follow. Rows are (entry, lower, upper, count) in km."""

from __future__ import annotations

from collections.abc import Callable
from math import inf

import pytest

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, RecordsError, RecordsErrors
from wearlore.lifetimes import Lifetimes, lifetimes, vehicle_at
from wearlore.lives import Evidence
from wearlore.records.store import Store
from wearlore.vehicle import ModeState, Vehicle

Tell = Callable[..., None]


@pytest.fixture
def lives(store: Store, book: Book) -> Callable[[], Lifetimes]:
    return lambda: lifetimes(store, book)


@pytest.fixture
def now(store: Store, book: Book) -> Callable[[], Vehicle]:
    return lambda: vehicle_at(store, book, "v")


def rows(result: Lifetimes, mode: str) -> list[tuple[float, ...]]:
    own = result.modes[mode].lives
    return sorted(zip(own.entry, own.lower, own.upper, own.count, strict=True))


def told(result: Lifetimes, mode: str) -> list[tuple[str, str, str]]:
    own = result.modes[mode]
    return list(zip(own.variant, own.revision, own.grade, strict=True))


def state(vehicle: Vehicle, unit: str, mode: str) -> ModeState:
    return next(m for m in vehicle.unit(unit).modes if m.mode == mode)


def test_an_evident_mode_fails_at_the_visit_and_the_new_unit_starts_at_zero(tell: Tell, lives) -> None:
    """The pump leaks at 80,000 km and is renewed; at 130,000 km the second one is still good."""
    tell("2016-01-01 80000 pump - failed pump-leak renewed\n2018-01-01 130000")
    assert rows(lives(), "pump-leak") == [(0, 50_000, inf, 1), (0, 80_000, 80_000, 1)]


def test_revision_and_grade_belong_to_the_piece_that_lived(tell: Tell, lives) -> None:
    """Built in 2014 with level A; an economy piece of 2016 is of level B, that of 2018 is named A."""
    tell(
        "2016-01-01 80000 pump - failed pump-leak renewed - economy\n"
        "2018-06-01 110000 pump - failed pump-leak renewed A upgrade\n"
        "2019-06-01 150000"
    )
    result = lives()
    own = result.modes["pump-leak"].lives
    unsorted = zip(own.entry, own.lower, own.upper, own.count, strict=True)
    assert dict(zip(told(result, "pump-leak"), unsorted, strict=True)) == {
        ("standard", "A", "original"): (0, 80_000, 80_000, 1),
        ("standard", "B", "economy"): (0, 30_000, 30_000, 1),
        ("standard", "A", "upgrade"): (0, 40_000, inf, 1),
    }
    leaks = result.modes["pump-leak"]
    assert list(leaks.select(revision="B").upper) == [30_000]
    assert list(leaks.select(revision="A", grade="upgrade").lower) == [40_000]
    assert len(leaks.select(variant="strong")) == 0


def test_a_renewal_ends_the_lives_of_all_modes_of_the_unit(tell: Tell, lives) -> None:
    """The cooler splits at 60,000 km and is renewed: its valve was good until then, and no longer watched after."""
    tell("2016-01-01 60000 cooler rear failed cooler-split renewed\n2017-01-01 70000")
    assert rows(lives(), "cooler-stuck") == [(0, 10_000, inf, 1), (0, 60_000, inf, 1)]


def test_a_preventive_renewal_says_only_that_it_was_good_until_then(tell: Tell, lives) -> None:
    """The pump is renewed with the belt at 90,000 km, nothing wrong with it."""
    tell("2016-01-01 90000 pump - - - renewed")
    assert rows(lives(), "pump-leak") == [(0, 90_000, inf, 1)]
    assert lives().modes["pump-leak"].evidence == Evidence(good=1, vehicles=1, distance_at_risk=90_000, no_distance=1)


def test_a_hidden_mode_failed_between_the_last_look_and_this_one(tell: Tell, lives) -> None:
    """Injector 2 does not drip at 40,000 km, is not looked at at 60,000 km and drips at 90,000 km."""
    tell(
        "2016-01-01 40000 injector 2 good injector-drip\n2017-01-01 60000\n"
        "2018-01-01 90000 injector 2 failed injector-drip"
    )
    assert rows(lives(), "injector-drip") == [(0, 40_000, 90_000, 1)]
    assert lives().modes["injector-drip"].evidence == Evidence(
        interval=1, vehicles=1, distance_at_risk=65_000, never_looked=3
    )


def test_a_hidden_mode_failed_at_the_first_look_failed_any_time_since_new(tell: Tell, lives) -> None:
    """Records reach back to new; injector 1 drips when first looked at, at 90,000 km."""
    tell("2016-01-01 40000\n2018-01-01 90000 injector 1 failed injector-drip")
    assert rows(lives(), "injector-drip") == [(0, 0, 90_000, 1)]


def test_an_original_unit_seen_late_was_watched_from_the_first_visit(tell: Tell, lives) -> None:
    """Records begin at 70,000 km; at 120,000 km the cooler is seen to be the one fitted by the maker."""
    tell("2018-01-01 70000\n2019-01-01 95000\n2020-01-01 120000 cooler rear original", history="unknown")
    assert rows(lives(), "cooler-split") == [(70_000, 120_000, inf, 1)]


def test_a_hidden_failure_of_an_original_unit_is_conditioned_on_nothing(tell: Tell, lives) -> None:
    """Records begin at 70,000 km; a clogged cooler would not have taken itself out of sight before: entry 0."""
    tell(
        "2018-01-01 70000\n2019-01-01 90000 cooler rear good cooler-clogged\n"
        "2020-01-01 120000 cooler rear original\n2021-01-01 150000 cooler rear failed cooler-clogged",
        history="unknown",
    )
    assert rows(lives(), "cooler-clogged") == [(0, 90_000, 150_000, 1)]


def test_original_in_the_visit_of_its_renewal_speaks_of_the_old_unit(tell: Tell, lives) -> None:
    """The cooler taken out at 120,000 km is the maker's; the new one starts there."""
    tell(
        "2018-01-01 70000\n2020-01-01 120000 cooler rear - - renewed\n2020-01-01 120000 cooler rear original\n"
        "2021-01-01 150000",
        history="unknown",
    )
    assert rows(lives(), "cooler-split") == [(0, 30_000, inf, 1), (70_000, 120_000, inf, 1)]


def test_a_failure_before_the_unit_was_proven_original_counts_too(tell: Tell, lives) -> None:
    """It splits at 95,000 km, is left, and is seen to be original when it is renewed at 120,000 km."""
    tell(
        "2018-01-01 70000\n2019-01-01 95000 cooler rear failed cooler-split\n"
        "2020-01-01 120000 cooler rear original - renewed",
        history="unknown",
    )
    assert rows(lives(), "cooler-split") == [(70_000, 95_000, 95_000, 1)]


def test_a_vehicle_seen_because_it_failed_is_not_conditioned_on_survival_to_there(tell: Tell, lives) -> None:
    """The records begin with the failure, at 70,000 km: a row with entry = failure would be all hazard, no exposure."""
    tell("2018-01-01 70000 cooler rear failed cooler-split\n2018-01-01 70000 cooler rear original", history="unknown")
    assert rows(lives(), "cooler-split") == []
    assert lives().modes["cooler-split"].evidence == Evidence(at_entry=1)


def test_an_unknown_start_is_left_out_and_counted(tell: Tell, lives, now) -> None:
    """Nobody knows how old the pump was that leaked at 95,000 km; the next one is known from new."""
    tell("2018-01-01 70000\n2019-01-01 95000 pump - failed pump-leak renewed\n2020-01-01 105000", history="unknown")
    assert rows(lives(), "pump-leak") == [(0, 10_000, inf, 1)]
    assert lives().modes["pump-leak"].evidence.unknown_start == 1
    assert now().unit("cooler/rear").at_least == 35_000
    assert state(now(), "cooler/rear", "cooler-split").age is None


def test_records_from_new_need_no_early_visit(tell: Tell, lives) -> None:
    """The file says that the records are complete; the first visit is at 40,000 km: entry is 0, not 40,000."""
    tell("2018-01-01 40000\n2019-01-01 60000")
    assert rows(lives(), "cooler-split") == [(0, 60_000, inf, 1)]


def test_failed_and_left_is_present_until_it_is_cured(tell: Tell, lives, now) -> None:
    """Leak found at 80,000 km, left, found again at 90,000 km: one failure. The unit's other modes go on."""
    tell("2016-01-01 80000 cooler rear failed cooler-split\n2017-01-01 90000 cooler rear failed cooler-split")
    assert rows(lives(), "cooler-split") == [(0, 80_000, 80_000, 1)]
    assert rows(lives(), "cooler-stuck") == [(0, 90_000, inf, 1)]
    assert state(now(), "cooler/rear", "cooler-split") == ModeState("cooler-split", 90_000, 80_000, present=True)


def test_renewed_later_starts_the_new_life_then(tell: Tell, lives, now) -> None:
    """Found at 80,000 km, renewed at 95,000 km, seen at 100,000 km."""
    tell("2016-01-01 80000 pump - failed pump-leak\n2017-01-01 95000 pump - - - renewed\n2018-01-01 100000")
    assert rows(lives(), "pump-leak") == [(0, 5_000, inf, 1), (0, 80_000, 80_000, 1)]
    assert state(now(), "pump", "pump-leak") == ModeState("pump-leak", 5_000, 5_000)


def test_found_good_after_a_failure_was_cured_elsewhere(tell: Tell, lives, now) -> None:
    """It split at 80,000 km; at 90,000 km it is whole, and no line says what was done: its age is unknown now."""
    tell(
        "2016-01-01 80000 cooler rear failed cooler-split\n2017-01-01 90000 cooler rear good cooler-split\n"
        "2018-01-01 130000 cooler rear failed cooler-split"
    )
    assert rows(lives(), "cooler-split") == [(0, 80_000, 80_000, 1)]
    assert lives().modes["cooler-split"].evidence.unknown_start == 1
    assert state(now(), "cooler/rear", "cooler-split") == ModeState("cooler-split", None, 40_000, present=True)
    assert now().unit("cooler/rear").at_least == 40_000


def test_good_of_a_unit_does_not_take_back_what_failed_in_the_same_visit(tell: Tell, lives) -> None:
    """One mode failed, "all others good": written in either order."""
    tell(
        "2016-01-01 80000 cooler rear good\n2016-01-01 80000 cooler rear failed cooler-split\n"
        "2017-01-01 90000 cooler rear failed cooler-clogged"
    )
    assert rows(lives(), "cooler-split") == [(0, 80_000, 80_000, 1)]
    assert rows(lives(), "cooler-clogged") == [(0, 80_000, 90_000, 1)]


def test_the_action_may_be_written_before_the_finding(tell: Tell, lives) -> None:
    """Renewed first on paper, still the old pump leaked; another mode's failure in that visit is the old unit's too."""
    tell("2016-01-01 80000 pump - - - renewed\n2016-01-01 80000 pump - failed pump-leak", variant="strong")
    assert rows(lives(), "pump-leak") == [(0, 80_000, 80_000, 1)]


def test_a_clean_makes_its_mode_younger_and_leaves_the_others(tell: Tell, lives, now) -> None:
    """Clogged at 100,000 km and flushed (restores 0.6): virtual age 40,000; clogged again 50,000 km on: at 90,000."""
    tell(
        "2016-01-01 100000 cooler rear failed cooler-clogged cleaned\n"
        "2018-01-01 150000 cooler rear failed cooler-clogged"
    )
    assert rows(lives(), "cooler-clogged") == [(0, 0, 100_000, 1), (40_000, 40_000, 90_000, 1)]
    assert rows(lives(), "cooler-split") == [(0, 150_000, inf, 1)]
    assert state(now(), "cooler/rear", "cooler-clogged") == ModeState("cooler-clogged", 90_000, 40_000, present=True)


def test_a_repair_renews_its_mode_alone(tell: Tell, lives, now) -> None:
    """The cooler's core is made as good as new at 100,000 km; its seam is the old one. Clogged again at 150,000."""
    tell(
        "2016-01-01 100000 cooler rear failed cooler-clogged repaired\n"
        "2018-01-01 150000 cooler rear failed cooler-clogged"
    )
    assert rows(lives(), "cooler-clogged") == [(0, 0, 50_000, 1), (0, 0, 100_000, 1)]
    assert rows(lives(), "cooler-split") == [(0, 150_000, inf, 1)]
    assert now().unit("cooler/rear").at_least == 150_000


def test_a_repair_outdoes_a_clean_of_the_same_visit(tell: Tell, lives, now) -> None:
    tell(
        "2016-01-01 100000 cooler rear - - cleaned\n2016-01-01 100000 cooler rear - cooler-clogged repaired\n"
        "2019-01-01 110000 cooler rear good cooler-clogged"
    )
    assert state(now(), "cooler/rear", "cooler-clogged") == ModeState("cooler-clogged", 10_000, 10_000)


def test_two_cleans_compound_on_the_virtual_age(tell: Tell, lives, now) -> None:
    """Kijima type II: 100,000 -> 40,000; 50,000 km on 90,000 -> 36,000; then 10,000 km more."""
    tell(
        "2016-01-01 100000 cooler rear - cooler-clogged cleaned\n2018-01-01 150000 cooler rear - - cleaned\n"
        "2019-01-01 160000 cooler rear good cooler-clogged"
    )
    assert state(now(), "cooler/rear", "cooler-clogged") == ModeState("cooler-clogged", 46_000, 46_000)
    assert rows(lives(), "cooler-clogged") == [(36_000, 46_000, inf, 1)]
    assert lives().modes["cooler-clogged"].evidence.never_looked == 2


def test_a_clean_of_the_component_is_one_of_every_mode_that_a_clean_holds_off(tell: Tell, lives) -> None:
    """No mode named: the flush (0.6) and the freeing of the valve (all of its age); the split is cured by neither."""
    tell("2016-01-01 100000 cooler rear - - cleaned\n2018-01-01 150000 cooler rear failed cooler-stuck")
    assert rows(lives(), "cooler-stuck") == [(0, 50_000, 50_000, 1), (0, 100_000, inf, 1)]
    assert rows(lives(), "cooler-split") == [(0, 150_000, inf, 1)]


def test_a_full_clean_makes_an_unknown_age_known(tell: Tell, lives) -> None:
    """Whatever the valve's age was, none of it is left."""
    tell("2016-01-01 100000 cooler rear - cooler-stuck cleaned\n2018-01-01 150000", history="unknown")
    assert rows(lives(), "cooler-stuck") == [(0, 50_000, inf, 1)]
    assert rows(lives(), "cooler-clogged") == []


def test_all_positions_at_once(tell: Tell, lives) -> None:
    """All four injectors renewed at 80,000 km, number 3 stuck."""
    tell(
        "2016-01-01 80000 injector all - - renewed\n2016-01-01 80000 injector 3 failed injector-stuck\n"
        "2017-01-01 100000"
    )
    assert rows(lives(), "injector-stuck") == [(0, 20_000, inf, 4), (0, 80_000, 80_000, 1), (0, 80_000, inf, 3)]


def test_a_companion_renewal_is_a_line_of_its_own(tell: Tell, lives) -> None:
    """The pump leaks; the injector 1 renewed with it was good."""
    tell("2016-01-01 80000 pump - failed pump-leak renewed\n2016-01-01 80000 injector 1 - - renewed")
    assert rows(lives(), "injector-stuck") == [(0, 80_000, inf, 4)]
    assert lives().modes["injector-stuck"].evidence.no_distance == 1


def test_a_revision_can_end_a_mode_and_begin_another(tell: Tell, lives, now) -> None:
    """On the strong variant level A cracks, B and C make noise: renewed in 2016, the crack's life ends for good."""
    tell(
        "2015-06-01 60000 pump - good pump-crack\n2016-01-01 80000 pump - - - renewed\n2017-01-01 100000",
        variant="strong",
    )
    assert rows(lives(), "pump-crack") == [(0, 60_000, inf, 1)]
    assert rows(lives(), "pump-noise") == [(0, 20_000, inf, 1)]
    assert [m.mode for m in now().unit("pump").modes] == ["pump-leak", "pump-noise"]


def test_a_failure_that_the_revision_cannot_have_is_counted_not_used(tell: Tell, lives) -> None:
    """Built in 2016 with level B, which cannot crack; what was fitted before the records begin nobody knows."""
    tell("2017-01-01 90000 pump - failed pump-crack", history="unknown", built="2016-03-01")
    assert rows(lives(), "pump-crack") == []
    assert lives().modes["pump-crack"].evidence.contradicted == 1


def test_a_vehicle_seen_once_gives_what_it_can(tell: Tell, lives) -> None:
    """One visit of a vehicle known from new: alive at that distance. Of one with unknown history: nothing."""
    tell("2016-01-01 80000")
    assert rows(lives(), "pump-leak") == [(0, 80_000, inf, 1)]


def test_seen_once_and_original_is_no_exposure(tell: Tell, lives) -> None:
    """Entry and end at the same distance: no row, counted."""
    tell("2016-01-01 80000 cooler rear original", history="unknown")
    assert rows(lives(), "cooler-split") == []
    assert lives().modes["cooler-split"].evidence == Evidence(no_distance=1)


def test_failed_as_fitted_stands_at_half_a_group_not_at_zero(tell: Tell, lives) -> None:
    """Renewed, and leaking again the next day with the odometer unmoved: a failure at 0 km would have no logarithm."""
    tell("2016-01-01 80000 pump - - - renewed\n2016-01-02 80000 pump - failed pump-leak")
    assert rows(lives(), "pump-leak") == [(0, 50, 50, 1), (0, 80_000, inf, 1)]


def test_a_component_of_other_variants_has_no_lives_here(tell: Tell, lives, now) -> None:
    """The booster is fitted to the strong variant only."""
    tell("2016-01-01 80000")
    assert lives().modes["booster-slack"].evidence == Evidence()
    assert "booster" not in [unit.component for unit in now().units]


def test_a_vehicle_without_any_visit(tell: Tell, lives, now, store: Store, book: Book) -> None:
    """Only its entry among the vehicles: no lives; from new at 0 km, or at the odometer that is named."""
    tell("2016-01-01 80000")
    store.connection.execute("INSERT INTO vehicles VALUES ('w', 'strong', DATE '2020-01-01', 'complete', NULL, 1)")
    assert lives().vehicles == 1
    assert vehicle_at(store, book, "w").km == 0
    seen = vehicle_at(store, book, "w", km=30_000)
    assert state(seen, "booster", "booster-slack") == ModeState("booster-slack", 30_000, 30_000)
    assert seen.unit("pump").revision == "C"


def test_the_odometer_may_have_moved_since_the_last_visit(tell: Tell, now, store: Store, book: Book) -> None:
    """Ages go on to the odometer named; a hidden mode's last look does not; a smaller odometer is refused."""
    tell("2016-01-01 80000 injector 1 good injector-drip")
    later = vehicle_at(store, book, "v", km=95_000)
    assert state(later, "injector/1", "injector-drip") == ModeState("injector-drip", 95_000, 80_000)
    assert state(later, "injector/1", "injector-stuck") == ModeState("injector-stuck", 95_000, 95_000)
    with pytest.raises(RecordsError, match=r"at least 80,000 km.*It is 79,000 km"):
        vehicle_at(store, book, "v", km=79_000)
    with pytest.raises(NameNotKnown, match=r"no vehicle is called 'u'"):
        vehicle_at(store, book, "u")


def test_records_that_the_book_no_longer_knows_are_named(tell: Tell, store: Store, book: Book) -> None:
    """A mode taken out of the book after its lines were stored: said with file and line, never dropped in silence."""
    tell("2016-01-01 80000 pump - failed pump-leak renewed")
    modes = {id_: mode for id_, mode in book.modes.items() if id_ != "pump-leak"}
    with pytest.raises(RecordsErrors, match=r"lines.csv:2: pump: expected variants, components, modes and revisions"):
        lifetimes(store, book.model_copy(update={"modes": modes}))


def test_a_store_opened_for_reading_is_enough(tell: Tell, store: Store, book: Book) -> None:
    tell("2016-01-01 80000 pump - failed pump-leak renewed")
    store.close()
    with Store.open(store.path, read_only=True) as reader:
        assert rows(lifetimes(reader, book), "pump-leak") == [(0, 80_000, 80_000, 1)]
        assert vehicle_at(reader, book, "v").km == 80_000


def test_an_empty_store_has_every_mode_and_no_lives(store: Store, book: Book) -> None:
    result = lifetimes(store, book)
    assert set(result.modes) == set(book.modes)
    assert all(len(own.lives) == 0 and own.evidence == Evidence() for own in result.modes.values())
