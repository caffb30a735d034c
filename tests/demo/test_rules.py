"""The demo's rules: nobody who obeys one is sent to run the engine, and there is still something to look at."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from wearlore.access import Access
from wearlore.book.model import Book

RUNS = {"running-engine", "driving-test"}


def hazards(book: Book, inspection: str) -> set[str]:
    one = book.inspections[inspection]
    on_the_way = Access.of(book, "m118", date(2016, 1, 1)).reach(one.needs)
    return {*one.hazards}.union(*(book.operations[o].hazards for o in on_the_way))


def shows(book: Book, inspection: str, modes: set[str]) -> bool:
    one = book.inspections[inspection]
    seen = {name for mode in modes for name in book.modes[mode].observations}
    return bool(one.tells.keys() & modes or one.observes.keys() & seen)


def test_what_is_read_at_idle_runs_the_engine(book):
    at_idle = {id_ for id_, o in book.observations.items() if o.kind == "reading" and "at idle" in o.circumstance}
    assert at_idle >= {"chain-phase", "injector-return"}
    for id_, inspection in book.inspections.items():
        assert not inspection.observes.keys() & at_idle or hazards(book, id_) & RUNS, id_


def test_what_stops_the_engine_stops_every_look_that_runs_it(book):
    for id_ in ("oil-pressure", "overheating", "fuel-near-heat"):
        assert set(book.rules[id_].bars) >= RUNS, id_
        assert book.rules[id_].signal == "DANGER"
    assert "cranking" in book.rules["fuel-near-heat"].bars  # the pump makes pressure on the starter too


@pytest.mark.parametrize("rule", ["oil-pressure", "overheating", "fuel-near-heat", "brake-vacuum"])
def test_under_a_rule_something_can_still_be_looked_at(book, rule):
    one = book.rules[rule]
    behind = {id_ for id_, mode in book.modes.items() if mode.observations.keys() & {*one.when}}
    left = {id_ for id_ in book.inspections if not hazards(book, id_) & {*one.bars}}
    assert behind
    assert any(shows(book, id_, behind) for id_ in left)


def test_with_the_oil_lamp_lit_pressure_and_sensor_are_still_told_apart(book):
    left = {id_ for id_ in book.inspections if not hazards(book, id_) & {*book.rules["oil-pressure"].bars}}
    assert left >= {"gauge-on-starter", "swap-oil-sensor", "read-codes"}
    assert not left & {"gauge-oil-pressure", "read-live-data", "compression", "cold-start-listen", "wipe-and-run"}


def test_dye_tells_a_leak_from_old_oil_better_than_wiping_and_running(book):
    dye, wiped = book.inspections["dye-and-wait"].tells, book.inspections["wipe-and-run"].tells
    assert dye.keys() >= {"rear-seal-leak", "front-seal-leak", "timing-cover-leak"} | wiped.keys()
    for mode, accuracy in wiped.items():
        assert dye[mode].sensitivity > accuracy.sensitivity
        assert dye[mode].specificity > accuracy.specificity


def test_fluid_is_not_counted_twice(book):
    """The note of the review would find it; the seal of the timing cover once named the bell housing itself."""
    assert "oil-at-bell" not in book.modes["timing-cover-leak"].observations
    assert "bell-housing" in book.zones["gearbox-end"].runs_to


def test_the_page_tells_how_many_rules_there_are(book):
    page = (Path(__file__).parents[2] / "docs" / "demo-family.md").read_text(encoding="utf-8")
    assert f"; {len(book.rules)} rules" in page
