"""What else is known of a life: each covariate on one story that a person can follow."""

from __future__ import annotations

from collections.abc import Callable
from math import inf

import pytest

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.lifetimes import Lifetimes, ModeLives, lifetimes, vehicle_at
from wearlore.records.store import Store

Tell = Callable[..., None]


def told(own: ModeLives, name: str) -> list[tuple[float, ...]]:
    """(value, entry, lower, upper, count) of each row, sorted."""
    lives = own.lives
    return sorted(zip(own.column(name).tolist(), lives.entry, lives.lower, lives.upper, lives.count, strict=True))


def unknown(result: Lifetimes) -> dict[str, int]:
    return {mode: own.covariate_unknown for mode, own in result.modes.items() if own.covariate_unknown}


def test_duty_and_history_are_those_of_the_vehicle(tell: Tell, store: Store, book: Book) -> None:
    """Two vans that do the same in town and out of it: a row each. Without the covariates they are one row, twice."""
    tell("2016-01-01 80000", duty="town", vehicle="v")
    tell("2016-01-01 80000", duty="motorway", vehicle="w")
    result = lifetimes(store, book, by=["duty", "history"])
    assert told(result.modes["pump-leak"], "duty") == [("motorway", 0, 80_000, inf, 1), ("town", 0, 80_000, inf, 1)]
    assert list(result.modes["pump-leak"].column("history")) == ["complete", "complete"]
    assert list(lifetimes(store, book).modes["pump-leak"].lives.count) == [2]


def test_a_life_whose_covariate_is_not_known_is_left_out_and_counted(tell: Tell, store: Store, book: Book) -> None:
    """Nobody says how the van ``w`` is used: its lives are in no row and not in the evidence."""
    tell("2016-01-01 80000", duty="town", vehicle="v")
    tell("2016-01-01 50000 pump - failed pump-leak renewed\n2017-01-01 80000", vehicle="w")
    result = lifetimes(store, book, by=["duty"])
    own = result.modes["pump-leak"]
    assert told(own, "duty") == [("town", 0, 80_000, inf, 1)]
    assert (own.covariate_unknown, own.evidence.lives, own.evidence.vehicles) == (2, 1, 1)
    assert own.evidence.distance_at_risk == own.lives.at_risk == 80_000
    assert unknown(result)["injector-stuck"] == 4
    assert unknown(lifetimes(store, book)) == {}


def test_position_is_that_of_the_unit(tell: Tell, store: Store, book: Book) -> None:
    """The front injector sticks, the three behind it do not; a component with one place has a nameless position."""
    tell("2016-01-01 80000 injector 1 failed injector-stuck")
    result = lifetimes(store, book, by=["position"])
    assert told(result.modes["injector-stuck"], "position") == [
        ("1", 0, 80_000, 80_000, 1), ("2", 0, 80_000, inf, 1), ("3", 0, 80_000, inf, 1), ("4", 0, 80_000, inf, 1),
    ]  # fmt: skip
    assert told(result.modes["cooler-split"], "position") == [("rear", 0, 80_000, inf, 1)]
    assert told(result.modes["pump-leak"], "position") == [("", 0, 80_000, inf, 1)]


@pytest.mark.parametrize(("built", "year"), [("2014-05-01", 2014), ("2014-07-03", 2015), ("2016-12-31", 2017)])
def test_built_is_the_nearest_whole_year(tell: Tell, store: Store, book: Book, built: str, year: float) -> None:
    """From the middle of a year on the next one is nearer."""
    tell("2018-01-01 80000", built=built)
    assert told(lifetimes(store, book, by=["built"]).modes["pump-leak"], "built") == [(year, 0, 80_000, inf, 1)]


def test_per_year_is_the_distance_between_the_first_and_the_last_visit(tell: Tell, store: Store, book: Book) -> None:
    """From 40,000 km to 100,500 km in 731 days: 30,229 km a year, to the nearest 1,000 km."""
    tell("2016-01-01 40000\n2016-09-01 51000\n2018-01-01 100500")
    assert told(lifetimes(store, book, by=["per-year"]).modes["pump-leak"], "per-year") == [
        (30_000, 0, 100_500, inf, 1)
    ]


@pytest.mark.parametrize(("day", "known"), [("2016-06-28", False), ("2016-06-29", True)])
def test_per_year_needs_visits_half_a_year_apart(tell: Tell, store: Store, book: Book, day: str, known: bool) -> None:
    """179 days say little, 180 are enough."""
    tell(f"2016-01-01 40000\n{day} 51000")
    own = lifetimes(store, book, by=["per-year"]).modes["pump-leak"]
    assert (len(own.lives), own.covariate_unknown) == ((1, 0) if known else (0, 1))


def test_an_interval_is_the_mean_distance_between_renewals(tell: Tell, store: Store, book: Book) -> None:
    """Oil renewed at 20,000, 34,000 and 52,000 km, the last one written twice: 16,000 km. A component without modes."""
    tell(
        "2015-01-01 20000 oil - - - renewed\n2016-01-01 34000 oil - - - renewed\n2017-01-01 52000 oil - - - renewed\n"
        "2017-01-01 52000 oil - good - renewed\n2018-01-01 80000"
    )
    result = lifetimes(store, book, by=["interval:oil"])
    assert told(result.modes["pump-leak"], "interval:oil") == [(16_000, 0, 80_000, inf, 1)]
    assert result.modes["pump-leak"].evidence.lives == 1


@pytest.mark.parametrize(
    ("third", "interval"),
    [("52249", 16_000), ("52500", 16_500)],
)
def test_an_interval_is_rounded_to_500_km(tell: Tell, store: Store, book: Book, third: str, interval: float) -> None:
    """16,124.5 km and 16,250 km: halves go up."""
    tell(
        f"2015-01-01 20000 oil - - - renewed\n2016-01-01 34000 oil - - - renewed\n2017-01-01 {third} oil - - - renewed"
    )
    own = lifetimes(store, book, by=["interval:oil"]).modes["pump-leak"]
    assert list(own.column("interval:oil")) == [interval]


def test_one_interval_is_no_habit(tell: Tell, store: Store, book: Book) -> None:
    """Two renewals are one interval; the lives are left out and counted."""
    tell("2015-01-01 20000 oil - - - renewed\n2016-01-01 34000 oil - - - renewed\n2018-01-01 80000")
    own = lifetimes(store, book, by=["interval:oil"]).modes["pump-leak"]
    assert (len(own.lives), own.covariate_unknown) == (0, 1)


def test_renewals_of_several_positions_in_one_visit_are_one(tell: Tell, store: Store, book: Book) -> None:
    """Injectors renewed at 20,000 km (all), 30,000 km (number 2) and 50,000 km (number 1): every 15,000 km."""
    tell(
        "2015-01-01 20000 injector all - - renewed\n2016-01-01 30000 injector 2 - - renewed\n"
        "2017-01-01 50000 injector 1 - - renewed"
    )
    own = lifetimes(store, book, by=["interval:injector"]).modes["pump-leak"]
    assert told(own, "interval:injector") == [(15_000, 0, 50_000, inf, 1)]


def test_hours_are_rounded_finer(tell: Tell, store: Store, book: Book) -> None:
    """Where ages run in hours, 1 hour is the group as 100 km is: intervals to 5 hours, a year's use to 10."""
    units = book.family.units.model_copy(update={"distance": "hours"})
    stand = book.model_copy(update={"family": book.family.model_copy(update={"units": units})})
    tell(
        "2015-01-01 200 oil - - - renewed\n2016-01-01 341 oil - - - renewed\n2017-01-01 488 oil - - - renewed\n"
        "2018-01-01 644"
    )
    own = lifetimes(store, stand, by=["interval:oil", "per-year"]).modes["pump-leak"]
    assert (list(own.column("interval:oil")), list(own.column("per-year"))) == ([145], [150])


def test_a_component_without_modes_lives_like_any_other(tell: Tell, store: Store, book: Book) -> None:
    """It has no lives; the vehicle now shows how long it has been in place."""
    tell("2015-01-01 20000 oil - - - renewed\n2018-01-01 80000 oil - good")
    oil = vehicle_at(store, book, "v").unit("oil")
    assert (oil.modes, oil.at_least, oil.grade) == ((), 60_000, "original")
    assert set(lifetimes(store, book).modes) == set(book.modes)


def test_a_covariate_that_does_not_exist_names_those_that_do(tell: Tell, store: Store, book: Book) -> None:
    tell("2016-01-01 80000")
    with pytest.raises(NameNotKnown, match=r"no covariate is called 'intervall:oil'. Did you mean interval:oil"):
        lifetimes(store, book, by=["intervall:oil"])
    with pytest.raises(NameNotKnown) as refused:
        lifetimes(store, book, by=["interval:"])
    assert refused.value.args[2] == (
        "position", "duty", "history", "built", "per-year", "interval:oil", "interval:pump", "interval:injector",
        "interval:cooler", "interval:booster",
    )  # fmt: skip
    with pytest.raises(ValueError, match="asked for once"):
        lifetimes(store, book, by=["duty", "duty"])


def test_one_accessor_serves_every_column(tell: Tell, store: Store, book: Book) -> None:
    tell("2016-01-01 80000 pump - - - renewed - economy\n2017-01-01 90000", duty="town")
    own = lifetimes(store, book, by=["duty"]).modes["pump-leak"]
    assert sorted(own.column("grade")) == ["economy", "original"]
    assert own.column("revision") is own.revision
    assert own.column("variant") is own.variant
    assert list(own.column("duty")) == ["town", "town"]
    with pytest.raises(ValueError, match="read-only"):
        own.column("duty")[0] = "x"
    with pytest.raises(NameNotKnown, match=r"called 'dutty'. Did you mean duty"):
        own.column("dutty")


def test_no_records_have_no_covariates(book: Book, store: Store) -> None:
    assert dict(Lifetimes.none(book).modes["pump-leak"].covariates) == {}
    empty = lifetimes(store, book, by=["duty", "built", "interval:oil"]).modes["pump-leak"]
    assert [len(empty.column(name)) for name in ("duty", "built", "interval:oil")] == [0, 0, 0]
