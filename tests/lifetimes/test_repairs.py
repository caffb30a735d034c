"""Repairs from the records: each rule on a short history, random histories told slowly, and real valve seats."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from wearlore.book.load import load
from wearlore.errors import NameNotKnown, RecordsErrors
from wearlore.life.recurrent.mean import Histories, mean_cumulative
from wearlore.life.recurrent.powerlaw import power_law
from wearlore.lifetimes.repairs import LeftOut, repairs
from wearlore.records.intake import take
from wearlore.records.store import Store

TODAY = date(2030, 1, 1)
SEATS = Path(__file__).parents[2] / "examples" / "open-data" / "valve-seats"


def done(taken):
    """(position, km, action, found) of each repair."""
    rows = zip(taken.position[taken.unit], taken.km, taken.action, taken.found, strict=True)
    return [(str(position), float(km), str(action), bool(found)) for position, km, action, found in rows]


def windows(taken):
    return [(str(p), float(a), float(b)) for p, a, b in zip(taken.position, taken.start, taken.end, strict=True)]


def test_a_visit_is_one_repair_however_many_lines_speak_of_it(store, book, tell):
    tell("""
    2016-01-01 40000 pump - failed pump-leak repaired
    2016-01-01 40000 pump - failed pump-leak renewed
    2018-01-01 90000 pump - - - renewed
    2019-01-01 120000 -
    """)
    taken = repairs(store, book, "pump")
    assert windows(taken) == [("", 0, 120_000)]
    assert done(taken) == [("", 40_000, "renewed", True), ("", 90_000, "renewed", False)]
    assert done(repairs(store, book, "pump", mode="pump-leak")) == [("", 40_000, "renewed", True)]
    assert repairs(store, book, "pump", mode="pump-leak").left_out == LeftOut(ahead=1)


def test_put_off_and_cured_later_is_a_repair_where_it_was_cured(store, book, tell):
    tell("""
    2016-01-01 40000 pump - failed pump-leak
    2016-06-01 45000 pump - failed pump-leak
    2017-01-01 60000 pump - - - renewed
    2018-01-01 90000 pump - failed pump-leak
    """)
    taken = repairs(store, book, "pump", mode="pump-leak")
    assert done(taken) == [("", 60_000, "renewed", True)]
    assert taken.left_out == LeftOut(open=1)


def test_found_failed_and_later_good_was_cured_elsewhere(store, book, tell):
    tell("""
    2016-01-01 40000 pump - failed pump-leak
    2017-01-01 60000 pump - good -
    2018-01-01 90000 pump - - - renewed
    """)
    taken = repairs(store, book, "pump", mode="pump-leak")
    assert done(taken) == []
    assert taken.left_out == LeftOut(elsewhere=1, ahead=1)
    assert done(repairs(store, book, "pump")) == [("", 90_000, "renewed", False)]


def test_good_and_failed_in_one_visit_is_failed(store, book, tell):
    tell("""
    2016-01-01 40000 pump - failed pump-leak
    2017-01-01 60000 pump - good -
    2017-01-01 60000 pump - failed pump-leak renewed
    """)
    assert done(repairs(store, book, "pump", mode="pump-leak")) == [("", 60_000, "renewed", True)]


def test_another_modes_repair_is_no_repair_of_this_one(store, book, tell):
    tell("""
    2016-01-01 40000 cooler rear failed cooler-split
    2017-01-01 60000 cooler rear failed cooler-stuck repaired
    2018-01-01 80000 cooler rear failed cooler-split repaired
    """)
    assert done(repairs(store, book, "cooler", mode="cooler-split")) == [("rear", 80_000, "repaired", True)]
    assert done(repairs(store, book, "cooler", mode="cooler-stuck")) == [("rear", 60_000, "repaired", True)]
    assert [km for _, km, *_ in done(repairs(store, book, "cooler"))] == [60_000, 80_000]


def test_a_clean_cures_what_the_books_cleans_cure(store, book, tell):
    """A clean with no mode named: clogged and stuck have a clean in the book, split has none."""
    tell("""
    2016-01-01 40000 cooler rear failed cooler-split
    2016-01-01 40000 cooler rear failed cooler-clogged
    2017-01-01 60000 cooler rear - - cleaned
    2018-01-01 80000 cooler rear failed cooler-stuck
    2019-01-01 90000 cooler rear - cooler-clogged cleaned
    """)
    assert done(repairs(store, book, "cooler", mode="cooler-clogged")) == [("rear", 60_000, "cleaned", True)]
    assert done(repairs(store, book, "cooler", mode="cooler-split")) == []
    assert repairs(store, book, "cooler", mode="cooler-split").left_out == LeftOut(open=1)
    assert done(repairs(store, book, "cooler", mode="cooler-stuck")) == []
    assert done(repairs(store, book, "cooler")) == [
        ("rear", 60_000, "cleaned", True), ("rear", 90_000, "cleaned", False),
    ]  # fmt: skip


def test_all_is_every_position_and_each_position_has_a_history(store, book, tell):
    tell(
        """
    2016-01-01 40000 injector 2 failed injector-drip renewed
    2017-01-01 60000 injector all - - cleaned
    2019-01-01 80000 -
    """,
        variant="strong",
    )
    taken = repairs(store, book, "injector", by="position")
    assert windows(taken) == [(position, 0, 80_000) for position in "1234"]
    assert [km for *_, km in zip(taken.unit, taken.km, strict=True)] == [60_000, 40_000, 60_000, 60_000, 60_000]
    only = taken.select("2")
    assert (only.end.tolist(), only.unit.tolist(), only.km.tolist()) == ([80_000], [0, 0], [40_000, 60_000])
    assert taken.select("2", found=True).km.tolist() == [40_000]
    assert mean_cumulative(Histories.of(*taken.select())).mean.tolist() == [0.25, 1.25]
    with pytest.raises(NameNotKnown, match="no group is called '5'"):
        taken.select("5")


def test_a_window_shorter_than_the_rounding_keeps_some_distance(store, book, tell):
    """Both visits round to 40 000 km: the repair stands half a rounding behind the start, and so does the end."""
    tell("2016-01-01 40000 -\n2016-02-01 40030 pump - - - renewed", history="unknown")
    taken = repairs(store, book, "pump")
    assert windows(taken) == [("", 40_000, 40_050)]
    assert done(taken) == [("", 40_050, "renewed", False)]


def test_records_that_begin_late_begin_with_their_first_visit(store, book, tell):
    """What is done in the very first visit is left out; what was found there and cured later is not."""
    tell(
        """
    2016-01-01 40000 pump - failed pump-leak renewed
    2016-01-01 40000 cooler rear failed cooler-split
    2017-01-01 60000 cooler rear - - renewed
    2018-01-01 90000 pump - failed pump-leak renewed
    """,
        history="unknown",
    )
    taken = repairs(store, book, "pump")
    assert windows(taken) == [("", 40_000, 90_000)]
    assert done(taken) == [("", 90_000, "renewed", True)]
    assert taken.left_out == LeftOut(at_entry=1)
    assert taken.ends_with_repair == 1
    cooler = repairs(store, book, "cooler", mode="cooler-split")
    assert done(cooler) == [("rear", 60_000, "renewed", True)]
    assert cooler.left_out == LeftOut()
    assert cooler.ends_with_repair == 0
    assert repairs(store, book, "pump", mode="pump-crack").left_out == LeftOut(ahead=2)


def test_a_history_from_new_counts_what_its_first_visit_did(store, book, tell):
    tell("2016-01-01 40000 pump - failed pump-leak renewed\n2018-01-01 90000 -")
    assert windows(repairs(store, book, "pump")) == [("", 0, 90_000)]
    assert done(repairs(store, book, "pump")) == [("", 40_000, "renewed", True)]


def test_seen_at_one_distance_only_is_no_history(store, book, tell):
    tell("2016-01-01 40000 pump - failed pump-leak renewed", history="unknown")
    taken = repairs(store, book, "pump")
    assert (windows(taken), done(taken), taken.left_out) == ([], [], LeftOut(no_distance=1))
    assert repairs(store, book, "injector").left_out == LeftOut(no_distance=4)


def test_distances_are_rounded_and_none_to_where_its_window_starts(store, book, tell):
    tell(
        """
    2016-01-01 40030 -
    2016-02-01 40040 pump - - - renewed
    2018-01-01 90049 pump - - - renewed
    2019-01-01 90051 -
    """,
        history="unknown",
    )
    taken = repairs(store, book, "pump")
    assert (windows(taken), taken.km.tolist()) == ([("", 40_000, 90_100)], [40_050, 90_000])
    exact = repairs(store, book, "pump", group_km=1)
    assert (windows(exact), exact.km.tolist()) == ([("", 40_030, 90_051)], [40_040, 90_049])
    with pytest.raises(ValueError, match="group_km must be greater than 0"):
        repairs(store, book, "pump", group_km=0)


def test_only_vehicles_that_have_the_component(store, book, tell):
    tell("2016-01-01 40000 -\n2018-01-01 90000 -", variant="standard")
    assert windows(repairs(store, book, "booster")) == []
    assert windows(repairs(store, book, "pump")) == [("", 0, 90_000)]
    assert repairs(store, book, "pump", by="variant").group.tolist() == ["standard"]
    assert repairs(store, book, "pump", by="history").group.tolist() == ["complete"]
    assert repairs(store, book, "pump", by="duty").group.tolist() == [""]
    assert repairs(store, book, "pump").group.tolist() == [""]


def test_names_that_stand_for_nothing(store, book):
    with pytest.raises(NameNotKnown, match=r"no component is called 'pomp'\. Did you mean pump"):
        repairs(store, book, "pomp")
    with pytest.raises(NameNotKnown, match="no mode of pump is called 'cooler-split'"):
        repairs(store, book, "pump", mode="cooler-split")
    with pytest.raises(NameNotKnown, match="no label of a group is called 'grade'"):
        repairs(store, book, "pump", by="grade")


def test_an_empty_store_has_no_history(store, book):
    taken = repairs(store, book, "pump")
    assert (windows(taken), done(taken), taken.left_out) == ([], [], LeftOut())
    assert len(Histories.of(*taken.select())) == 0


def test_records_of_what_the_book_lacks_are_named(store, book, tell):
    tell("2016-01-01 40000 pump - failed pump-leak renewed\n2018-01-01 90000 -")
    modes = {id_: mode for id_, mode in book.modes.items() if id_ != "pump-leak"}
    with pytest.raises(RecordsErrors, match="variants, components, modes and revisions of the book"):
        repairs(store, book.model_copy(update={"modes": modes}), "pump")


def told_slowly(book, van, name, position, mode):
    """One place's repairs of one mode, visit by visit: distances, and what lies beside them."""
    cleans = any(remedy.kind == "clean" for _, remedy in book.remedies_for(mode, van.variant))
    km, ahead, elsewhere, present = [], 0, 0, False
    for day, at in sorted({(line.date, line.km) for line in van.lines}):
        mine = [
            line for line in van.lines
            if (line.date, line.km) == (day, at) and line.component == name and line.position in (position, "all")
        ]  # fmt: skip
        failed = any(line.finding == "failed" and line.mode == mode for line in mine)
        good = any(line.finding == "good" and line.mode in ("", mode) for line in mine)
        if good and present and not failed:
            elsewhere, present = elsewhere + 1, False
        present = present or failed
        cured = any(
            line.action == "renewed"
            or (line.action == "repaired" and line.mode == mode)
            or (line.action == "cleaned" and cleans and line.mode in ("", mode))
            for line in mine
        )
        if cured and present:
            km.append(at)
        ahead += cured and not present
        present = present and not cured
    return km, ahead, elsewhere, int(present)


def accepted(vans, store, book, histories, folder):
    """The vans of which intake refuses nothing."""
    (folder / "first").mkdir()
    with Store.open(folder / "first.duckdb") as trial:
        for file in histories.write(vans, folder / "first"):
            take(trial, book, file, today=TODAY, quarantine=True)
        refused = trial.connection.execute("SELECT DISTINCT record ->> 'vehicle' FROM quarantine").fetchall()
    taken = [van for van in vans if (van.id,) not in refused]
    for file in histories.write(taken, folder):
        take(store, book, file, today=TODAY)
    return taken


def test_random_histories_told_slowly(store, book, histories, reference, tmp_path):
    rng = np.random.default_rng(17)
    vans = [histories.random_van(reference, book, f"van {number:03}", rng) for number in range(300)]
    for van in vans:
        histories.drop_late_originals(van)
    vans = accepted(vans, store, book, histories, tmp_path)
    events, beside = 0, np.zeros(3, int)
    for mode, about in book.modes.items():
        component = book.components[about.component]
        taken = repairs(store, book, about.component, mode=mode, group_km=0.001)
        place = {pair: k for k, pair in enumerate(zip(taken.vehicle, taken.position, strict=True))}
        sums = np.zeros(3, int)
        for van in vans:
            if component.variants and van.variant not in component.variants:
                continue
            odometer = [line.km for line in van.lines]
            start, end = 0.0 if van.complete else min(odometer), max(odometer)
            for position in component.places:
                km, *counts = told_slowly(book, van, about.component, position, mode)
                sums += counts
                if start == end:
                    assert (van.id, position) not in place
                    continue
                k = place[van.id, position]
                expected = [max(at, 0.0005) for at in km if at > start or van.complete]
                assert (taken.start[k], taken.end[k]) == pytest.approx((start, end))
                assert taken.km[taken.unit == k].tolist() == pytest.approx(expected)
                events += len(expected)
        assert [taken.left_out.ahead, taken.left_out.elsewhere, taken.left_out.open] == sums.tolist()
        beside += sums
    assert events > 150
    assert (beside > 20).all()


def test_the_published_mean_of_valve_seats_comes_out_of_the_store(store):
    """Checks 2.01, 2.02 (Nelson & Doganaksoy 1989) and 2.03 from the record files of the open-data example."""
    seats = load(SEATS / "book.yaml")
    for name in ("vehicles.csv", "lines.csv"):
        take(store, seats, SEATS / name, today=TODAY)
    taken = repairs(store, seats, "valve-seats", mode="valve-seat-burnt")
    assert taken.left_out == LeftOut()
    engines = Histories.of(*taken.select())
    assert (len(engines), engines.events) == (41, 48)
    curve = mean_cumulative(engines)
    steps = np.searchsorted(curve.km, [61, 139, 404, 586, 653])
    assert curve.mean[steps] == pytest.approx([0.024390, 0.219512, 0.683537, 1.014264, 1.542688], abs=1e-6)
    assert curve.error[steps] == pytest.approx([0.0241, 0.0733, 0.1359, 0.1738, 0.3117], abs=5e-5)
    assert power_law(engines).beta.value == pytest.approx(1.399579, rel=1e-6)
