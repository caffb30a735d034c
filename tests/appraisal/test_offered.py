"""A vehicle that is in no store stands as one of the store with the same history; what cannot be is refused."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from tests.scope.family import BOOK
from wearlore import cli
from wearlore.appraisal import Renewed, kept_well, offered
from wearlore.book.model import Book
from wearlore.errors import AppraisalError, NameNotKnown
from wearlore.workbench import Workbench

BUILT, TODAY = date(2016, 5, 1), date(2026, 5, 1)


def van(*renewed, km=110e3, complete=True, book=BOOK, variant="a", built=BUILT, today=TODAY):
    return offered(book, variant, built, km, renewed, complete=complete, today=today)


@pytest.mark.parametrize("complete", [True, False])
def test_it_stands_as_a_vehicle_of_the_store_with_that_history(demo_folder, tmp_path, complete):
    """The pump was renewed at half its way, on the day on which it was half its age; the chain never."""
    shop = tmp_path / "shop"
    shop.mkdir()
    (shop / "book").symlink_to(demo_folder / "book")
    history = "complete" if complete else "unknown"
    (shop / "v.csv").write_text(f"vehicle,variant,built,history\nv1,m96,2014-11-26,{history}\n")
    (shop / "l.csv").write_text(
        "vehicle,date,odometer,component,action\nv1,2020-11-26,90000,water-pump,renewed\nv1,2026-11-25,180000,,\n"
    )
    assert cli.run(["records", "load", str(shop / "v.csv"), str(shop / "l.csv"), "--in", str(shop)]) == 0
    bench = Workbench(shop)
    stored = bench.vehicle("v1")
    told = bench.for_sale(
        "m96", date(2014, 11, 26), 180e3, [Renewed("water-pump", 90e3)], complete=complete, today=date(2026, 11, 26)
    )
    assert {unit.name for unit in told.units} == {unit.name for unit in stored.units}
    for unit in stored.units:
        here = told.unit(unit.name)
        assert (here.revision, here.grade) == (unit.revision, unit.grade)
        for state, there in zip(here.modes, unit.modes, strict=True):
            assert (state.mode, state.age, state.present) == (there.mode, there.age, there.present)
            if state.age is not None:
                assert state.seen_good == there.seen_good


def test_known_history_makes_the_first_units_as_old_as_the_vehicle():
    assert {state.age for unit in van().units for state in unit.modes} == {110e3}
    assert {state.age for unit in van(complete=False).units for state in unit.modes} == {None}


def test_the_last_renewal_counts_and_has_the_design_of_its_day():
    """Half way is May 2021, when the pump was of level B."""
    told = van(Renewed("pump", 20e3), Renewed("pump", 55e3), Renewed("pump", 30e3), complete=False)
    assert told.unit("pump").revision == "B"
    assert [state.mode for state in told.unit("pump").modes] == ["pump-leaks"]
    assert {state.age for state in told.unit("pump").modes} == {55e3}
    assert told.unit("pump").at_least == 55e3
    assert van().unit("pump").revision == "A"


def test_what_it_is_compared_with_has_the_same_units_of_unknown_ages():
    told = kept_well(van(Renewed("pump", 55e3)))
    assert (told.km, told.built, told.variant) == (110e3, BUILT, "a")
    assert {(unit.at_least, state.age, state.present) for unit in told.units for state in unit.modes} == {
        (0.0, None, False)
    }


def limited() -> Book:
    variants = dict(BOOK.variants)
    variants["a"] = variants["a"].model_copy(update={"built_from": date(2012, 9, 1), "built_to": date(2018, 1, 1)})
    return BOOK.model_copy(update={"variants": variants})


@pytest.mark.parametrize(
    ("changes", "kind", "said"),
    [
        ({"variant": "aa"}, NameNotKnown, "Did you mean a"),
        ({"km": -1.0}, AppraisalError, "does not read -1"),
        ({"km": float("nan")}, AppraisalError, "does not read nan"),
        ({"km": float("inf")}, AppraisalError, "does not read inf"),
        ({"built": date(2026, 5, 2)}, AppraisalError, "after today"),
        ({"built": date(2012, 8, 31), "book": limited()}, AppraisalError, "built from 2012-09-01"),
        ({"built": date(2018, 1, 2), "book": limited()}, AppraisalError, "built until 2018-01-01"),
    ],
)
def test_what_cannot_be_is_refused(changes, kind, said):
    with pytest.raises(kind, match=said):
        van(**changes)


@pytest.mark.parametrize(
    ("renewed", "kind", "said"),
    [
        (Renewed("pum", 1.0), NameNotKnown, "Did you mean pump"),
        (Renewed("pump/left", 1.0), NameNotKnown, "no position of pump"),
        (Renewed("pump", 110_001.0), AppraisalError, "not beyond the one now"),
        (Renewed("pump", -1.0), AppraisalError, "not beyond the one now"),
    ],
)
def test_a_renewal_that_cannot_be_is_refused(renewed, kind, said):
    with pytest.raises(kind, match=said):
        van(renewed)


def test_a_vehicle_that_never_moved_is_new():
    told = van(Renewed("pump", 0.0), km=0.0, today=BUILT)
    assert {state.age for unit in told.units for state in unit.modes} == {0.0}
    assert replace(told, id="x").units == told.units
