"""Readings beside the age of the piece on which they were measured, on stories."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pytest

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.lifetimes import Readings, ages_of_readings
from wearlore.records.store import Store

Told = Callable[..., None]


def rows(found: Readings) -> list[tuple[float, float, float | None, int]]:
    """(odometer, value, age, piece) of each value, in order."""
    ages = [age if known else None for age, known in zip(found.age.tolist(), found.known, strict=True)]
    return list(zip(found.km.tolist(), found.value.tolist(), ages, found.piece.tolist(), strict=True))


def test_a_value_read_when_the_unit_is_renewed_is_of_the_piece_that_came_out(
    tell: Told, read: Told, store: Store, book: Book
) -> None:
    """The strong pump whirrs louder and louder, is renewed at 90,000 km, and the next one (economy) is quiet."""
    tell(
        "2016-01-01 60000\n2017-01-01 90000 pump - - - renewed B economy\n2018-01-01 110000",
        variant="strong", built="2015-05-01",
    )  # fmt: skip
    read("whirr", "2016-01-01 60000 61\n2017-01-01 90000 66.5\n2018-01-01 110000 55")
    found = ages_of_readings(store, book, "whirr")
    assert rows(found) == [(60_000, 61, 60_000, 1), (90_000, 66.5, 90_000, 1), (110_000, 55, 20_000, 2)]
    assert (found.reading, found.mode, len(found)) == ("whirr", "pump-noise", 3)
    assert list(found.vehicle) == ["v", "v", "v"]
    assert found.date.tolist() == [date(2016, 1, 1), date(2017, 1, 1), date(2018, 1, 1)]
    assert list(found.revision) == ["B", "B", "B"]
    assert list(found.grade) == ["original", "original", "economy"]


def test_the_age_is_not_known_where_the_start_is_not(tell: Told, read: Told, store: Store, book: Book) -> None:
    """Before the renewal nobody knows; by the rule "original" it is the odometer."""
    tell("2016-01-01 60000\n2017-01-01 90000 pump - - - renewed", variant="strong", history="unknown")
    read("whirr", "2016-01-01 60000 61\n2018-01-01 110000 55")
    found = ages_of_readings(store, book, "whirr")
    assert rows(found) == [(60_000, 61, None, 1), (110_000, 55, 20_000, 2)]
    assert rows(found.where(found.known)) == [(110_000, 55, 20_000, 2)]
    by_rule = ages_of_readings(store, book, "whirr", unknown_start="original")
    assert rows(by_rule) == [(60_000, 61, 60_000, 1), (110_000, 55, 20_000, 2)]


def test_a_repair_and_a_clean_begin_a_new_path(tell: Told, read: Told, store: Store, book: Book) -> None:
    """Repaired at 80,000 km: age 0. The injector washed at 100,000 km (0.25): 75 % of its age is left."""
    tell(
        "2016-01-01 80000 pump - - pump-noise repaired\n2017-01-01 100000 injector all - injector-drip cleaned\n"
        "2018-01-01 120000",
        variant="strong", built="2016-01-01",
    )  # fmt: skip
    read("whirr", "2016-01-01 80000 70\n2018-01-01 120000 58")
    read("rail-pressure", "2017-01-01 100000 280\n2018-01-01 120000 290")
    assert rows(ages_of_readings(store, book, "whirr")) == [(80_000, 70, 80_000, 1), (120_000, 58, 40_000, 2)]
    assert rows(ages_of_readings(store, book, "rail-pressure", position="2")) == [
        (100_000, 280, 100_000, 1), (120_000, 290, 95_000, 2),
    ]  # fmt: skip


def test_cured_elsewhere_the_value_is_of_a_new_path_of_unknown_age(
    tell: Told, read: Told, store: Store, book: Book
) -> None:
    """It was loud at 80,000 km and is quiet at 90,000 km, who knows by whom: that reading is of what is there now."""
    tell(
        "2017-01-01 80000 pump - failed pump-noise\n2018-01-01 90000 pump - good pump-noise",
        variant="strong", built="2016-01-01",
    )  # fmt: skip
    read("whirr", "2017-01-01 80000 75\n2018-01-01 90000 56")
    assert rows(ages_of_readings(store, book, "whirr")) == [(80_000, 75, 80_000, 1), (90_000, 56, None, 2)]


def test_two_values_of_one_visit_are_both_there_and_vehicles_do_not_mix(
    tell: Told, read: Told, store: Store, book: Book
) -> None:
    for vehicle, renewed in (("v", "renewed"), ("w", "")):
        tell(
            f"2016-01-01 60000 pump - good - {renewed}\n2017-01-01 90000",
            variant="strong", vehicle=vehicle, built="2016-01-01",
        )  # fmt: skip
        read("whirr", "2017-01-01 90000 61\n2017-01-01 90000 60", vehicle=vehicle)
    found = ages_of_readings(store, book, "whirr")
    assert rows(found) == [
        (90_000, 60, 30_000, 2), (90_000, 61, 30_000, 2), (90_000, 60, 90_000, 1), (90_000, 61, 90_000, 1),
    ]  # fmt: skip
    assert list(found.vehicle) == ["v", "v", "w", "w"]


def test_a_reading_alone_is_a_visit(tell: Told, read: Told, store: Store, book: Book) -> None:
    """Nobody wrote a line that day."""
    tell("2016-01-01 60000", variant="strong", built="2016-01-01")
    read("whirr", "2017-03-04 71000 61")
    assert rows(ages_of_readings(store, book, "whirr")) == [(71_000, 61, 71_000, 1)]


def test_a_vehicle_that_cannot_have_the_mode_has_no_age_for_it(
    tell: Told, read: Told, store: Store, book: Book
) -> None:
    """The noise is known on the strong variant only."""
    tell("2016-01-01 60000")
    read("whirr", "2016-01-01 60000 61")
    assert rows(ages_of_readings(store, book, "whirr")) == [(60_000, 61, None, 1)]


def test_what_must_be_named_is_asked_for(tell: Told, read: Told, store: Store, book: Book) -> None:
    """A reading of the book, one of the modes that name it, and the position of a component with several."""
    tell("2016-01-01 60000")
    read("rail-pressure", "2016-01-01 60000 300")
    with pytest.raises(NameNotKnown, match=r"no reading is called 'wet-front'"):
        ages_of_readings(store, book, "wet-front")
    with pytest.raises(
        NameNotKnown, match=r"no position of injector is called '\(none named\)'. Did you mean 1, 2, 3, 4"
    ):
        ages_of_readings(store, book, "rail-pressure")
    with pytest.raises(NameNotKnown, match=r"no position of injector is called '5'"):
        ages_of_readings(store, book, "rail-pressure", position="5")
    with pytest.raises(NameNotKnown, match=r"rail-pressure among its observations is called 'pump-leak'"):
        ages_of_readings(store, book, "rail-pressure", mode="pump-leak")
    stuck = book.modes["injector-stuck"].model_copy(update={"observations": {"rail-pressure": 0.3}})
    both = book.model_copy(update={"modes": {**book.modes, "injector-stuck": stuck}})
    with pytest.raises(NameNotKnown, match="Did you mean injector-drip, injector-stuck"):
        ages_of_readings(store, both, "rail-pressure", position="1")
    assert len(ages_of_readings(store, both, "rail-pressure", position="1", mode="injector-stuck")) == 1


def test_no_values_are_no_rows(tell: Told, store: Store, book: Book) -> None:
    assert len(ages_of_readings(store, book, "whirr")) == 0
    tell("2016-01-01 60000")
    found = ages_of_readings(store, book, "whirr")
    assert (len(found), found.date.dtype) == (0, np.dtype("datetime64[D]"))
