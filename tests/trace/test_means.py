"""What can be looked at and done, with its minutes and money."""

from __future__ import annotations

from dataclasses import replace

import pytest
from numpy.testing import assert_allclose

from tests.scope.family import vehicle
from tests.trace.family import BOOK, case, means
from wearlore.errors import NameNotKnown
from wearlore.trace import Told


def looks(told=(), off=(), skip=(), missing_tools=()):
    return {look.name: look for look in means(missing_tools=missing_tools).looks(told, off, skip)}


def test_a_look_takes_its_minutes_and_the_way_to_it():
    dye = looks()["dye"]
    assert (dye.minutes, dye.access_minutes) == (40, 24)
    assert dye.access_cost == 12  # the cover spoils its gasket
    assert {(s.about, s.sensitivity, s.specificity) for s in dye.sights} == {
        ("oil-back", 0.99, 0.98), ("seal-leaks", 0.95, 0.97),
    }  # fmt: skip


def test_what_is_off_already_is_not_paid_again():
    dye = looks(off=["cover-off"])["dye"]
    assert (dye.access_minutes, dye.access_cost) == (0, 0)
    with pytest.raises(NameNotKnown, match="cover-of"):
        looks(off=["cover-of"])


def test_a_hired_tool_is_paid_by_the_look_and_a_missing_one_rules_it_out():
    assert looks()["feel"].access_cost == 20
    assert "feel" not in looks(missing_tools=["aligner"])


def test_what_was_said_is_not_looked_at_again():
    assert {s.about for s in looks([Told("oil-back")])["glance"].sights} == {"oil-top"}
    assert "feel" not in looks([Told("clutch-worn", False)])
    again = looks([Told("oil-back", by="glance")])
    assert {s.about for s in again["glance"].sights} == {"oil-top"}
    assert "oil-back" in {s.about for s in again["dye"].sights}  # surer eyes may see it otherwise


def test_a_look_may_be_passed_over():
    assert "dye" not in looks(skip=["dye"])


def test_a_rule_withholds_what_its_hazard_belongs_to():
    assert "gauge" in looks()
    assert "gauge" not in looks([Told("lamp")])


def test_a_fault_is_repaired_by_its_cheapest_cure():
    repairs = {repair.name: repair for repair in means().repairs()}
    assert "mesh" not in repairs  # it guards, it does not cure
    assert repairs["valve-clean"].cures == ("valve-sticks",)
    assert "valve" not in repairs
    assert set(repairs["pump"].cures) == {"pump-leaks", "pump-cracks"}
    assert_allclose(repairs["mount"].cost, 60 * 0.7 + 45)
    assert_allclose(repairs["seal"].cost, 60 * (5.0 + 0.5 + 0.2) + 30)


def test_what_is_off_already_makes_a_repair_cheaper():
    before, after = ({r.name: r.cost for r in means().repairs(off)} for off in ((), ("gearbox-out",)))
    assert_allclose(before["seal"] - after["seal"], 60 * 5.0)
    assert before["mount"] == after["mount"]


def test_what_is_left_costs_its_consequence_and_brings_the_van_back_for_all_that_may_be_behind_it():
    stakes = means().stakes(["pump-leaks", "pump-cracks", "mount-torn"])
    assert stakes.left == {"pump-leaks": 120, "pump-cracks": 300, "mount-torn": 20}
    assert stakes.in_question == ("pump-leaks", "pump-cracks", "mount-torn")
    assert_allclose([stakes.per_minute, stakes.check], [1.0, 15.0])
    cost = {repair.name: repair.cost for repair in means().repairs()}
    assert_allclose(stakes.unsolved, 50 + cost["pump"] + cost["mount"])  # the pump once


def test_what_nothing_cures_brings_nobody_back():
    lone = BOOK.model_copy(update={"remedies": {k: v for k, v in BOOK.remedies.items() if k != "mount"}})
    one = means(case(vehicle("mount"), book=lone))
    assert one.repairs() == ()
    stakes = one.stakes(["mount-torn"])
    assert (stakes.left, stakes.unsolved) == ({"mount-torn": 20}, 0)


def test_tells_speak_of_every_position():
    left = vehicle("clutch").units[0]
    van = replace(vehicle(), units=tuple(replace(left, position=place) for place in ("left", "right")))
    feel = {look.name: look for look in means(case(van)).looks([])}["feel"]
    assert [sight.about for sight in feel.sights] == ["clutch-worn@left", "clutch-worn@right"]
