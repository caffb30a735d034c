"""The invented fleet keeps the laws that real records keep."""

from __future__ import annotations

from collections import defaultdict
from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest

from wearlore import demo
from wearlore.demo.layout import layout
from wearlore.demo.van import Facts, Rows, Van
from wearlore.errors import NameNotKnown, OutputError


@pytest.fixture(scope="module")
def histories(fleet):
    """Vehicle -> its lines in the order of the file."""
    told = defaultdict(list)
    for line in fleet.lines.to_pylist():
        told[line["vehicle"]].append(line)
    return told


@pytest.fixture(scope="module")
def vehicles(fleet):
    return {vehicle["vehicle"]: vehicle for vehicle in fleet.vehicles.to_pylist()}


def test_one_seed_makes_one_fleet(book, truth):
    one, same, other = (
        demo.simulate(book, truth, vans=40, rng=np.random.default_rng(seed)) for seed in (3, 3, 4)
    )  # fmt: skip
    assert one.vehicles.equals(same.vehicles)
    assert one.lines.equals(same.lines)
    assert one.readings.equals(same.readings)
    assert not one.lines.equals(other.lines)


def test_the_odometer_rises_and_no_date_is_outside_the_records(histories, vehicles, truth):
    for id_, lines in histories.items():
        visits = sorted({(line["date"], line["odometer"]) for line in lines})
        days, odometers = zip(*visits, strict=True)
        assert len(set(days)) == len(set(odometers)) == len(visits)
        assert list(odometers) == sorted(odometers)
        assert max(vehicles[id_]["built"], truth.fleet.records_begin) <= days[0]
        assert days[-1] <= truth.fleet.records_end


def test_every_van_is_seen_at_both_ends(histories, vehicles):
    assert set(histories) == set(vehicles)
    for id_, lines in histories.items():
        first = "delivered new" if vehicles[id_]["history"] == "complete" else "taken over"
        assert first in [line["text"] for line in lines if line["date"] == lines[0]["date"]]
        assert "odometer read" in [line["text"] for line in lines if line["date"] == lines[-1]["date"]]


def test_part_of_the_fleet_enters_when_already_driven(histories, vehicles):
    late = [lines for id_, lines in histories.items() if vehicles[id_]["history"] == "unknown"]
    assert 0.35 < len(late) / len(histories) < 0.55
    assert np.median([lines[0]["odometer"] for lines in late]) > 40_000


def test_what_failed_applies_to_variant_and_revision_and_is_found_once_until_cured(book, histories, vehicles):
    for id_, lines in histories.items():
        variant, built = vehicles[id_]["variant"], vehicles[id_]["built"]
        known = vehicles[id_]["history"] == "complete"
        revision, open_modes = {}, set()
        for line in lines:
            unit, mode = (line["component"], line["position"]), line["mode"]
            if line["component"] is None:
                continue
            component = book.components[line["component"]]
            assert not component.variants or variant in component.variants
            assert (line["position"] or "") in component.places
            if line["finding"] == "failed":
                fitted = revision.get(unit, component.revision_at(built) if known else None)
                assert fitted is None or book.modes[mode].applies(variant, fitted)
                assert (unit, mode) not in open_modes
                open_modes.add((unit, mode))
            if line["finding"] == "good":
                assert (unit, mode) not in open_modes
            if line["finding"] == "original":
                assert unit not in revision
            if line["action"] == "cleaned":
                open_modes.discard((unit, mode))
            if line["action"] == "renewed":
                revision[unit] = line["revision"] or ""
                open_modes = {(u, m) for u, m in open_modes if u != unit}


def test_a_revision_is_fitted_only_once_it_exists(book, truth):
    """Records from 2013 on, so that many pieces are renewed before their second revision exists."""
    early = truth.model_copy(update={"fleet": truth.fleet.model_copy(update={"records_begin": date(2013, 1, 1)})})
    fleet = demo.simulate(book, early, vans=250, rng=np.random.default_rng(2))
    fitted = [line for line in fleet.lines.to_pylist() if line["revision"]]
    assert {line["revision"] for line in fitted} == {"A", "B"}
    for line in fitted:
        begins = book.components[line["component"]].revisions[line["revision"]].from_date
        assert begins is None or begins <= line["date"]


def test_hidden_modes_are_only_written_down_where_somebody_looked(book, histories):
    """A repair visit is brought about by an evident failure; hidden ones come to light beside it or at a service."""
    for lines in histories.values():
        by_day = defaultdict(list)
        for line in lines:
            by_day[line["date"]].append(line)
        for visit in by_day.values():
            bare = any(line["component"] in (None, "engine-oil") for line in visit)
            failed = [line["mode"] for line in visit if line["finding"] == "failed"]
            assert bare or any(book.modes[mode].noticed == "evident" for mode in failed)


def test_every_kind_of_line_occurs(fleet):
    findings, actions, grades = (set(fleet.lines[name].to_pylist()) for name in ("finding", "action", "grade"))
    assert findings == {None, "failed", "good", "original"}
    assert actions == {None, "renewed", "cleaned"}
    assert grades == {None, "original", "equivalent", "economy"}
    texts = set(fleet.lines["text"].to_pylist())
    assert {"campaign", "renewed ahead", "cleaned ahead", "service, oil and filter"} <= texts


def test_the_chain_phase_drifts(fleet):
    told = defaultdict(list)
    for reading in fleet.readings.to_pylist():
        told[reading["vehicle"]].append(reading["value"])
    changes = [values[-1] - values[0] for values in told.values() if len(values) > 1]
    assert np.median(changes) > 0.3


def test_what_accelerates_counts_while_it_is_present(book, truth):
    """Belt due at 60,000 km; in oil from 10,000 km it ages 2.2 times as fast; the seal is renewed at 20,000 km."""
    plan = layout(book, truth, "m96")
    facts = Facts("V1", date(2018, 1, 1), None, date(2024, 1, 1), 25_000.0, truth.fleet.oil_intervals[1])
    van = Van(book, truth, plan, facts, Rows(), np.random.default_rng(1))
    seal, belt = plan.mode.index("front-seal-leak"), plan.mode.index("belt-cracks")
    van.hit[seal], van.hit[belt] = 10_000.0, 60_000.0
    factor = truth.accelerates["front-seal-leak"]["belt-cracks"]

    def failed_at(km: int) -> bool:
        van.km = km
        return van.failed(belt)

    due = (60_000 + (factor - 1) * 10_000) / factor
    assert not failed_at(int(due) - 1)
    assert failed_at(int(due) + 1)
    van.km = 20_000
    van.fit(plan.unit[seal])
    van.hit[seal] = np.inf
    due = 60_000 - (factor - 1) * 10_000
    assert not failed_at(int(due) - 1)
    assert failed_at(int(due) + 1)


def test_long_oil_intervals_wear_turbochargers(book, truth):
    """Without the effect the two groups would differ by chance only; it is made strong so that few vans show it."""
    intervals = [
        i.model_copy(update={"ageing": {12000: 2.0, 30000: 0.5}.get(i.km, 1.0)}) for i in truth.fleet.oil_intervals
    ]
    strong = truth.model_copy(update={"fleet": truth.fleet.model_copy(update={"oil_intervals": tuple(intervals)})})
    fleet = demo.simulate(book, strong, vans=250, rng=np.random.default_rng(5))
    duty = dict(zip(fleet.vehicles["vehicle"].to_pylist(), fleet.vehicles["duty"].to_pylist(), strict=True))
    failed, km = defaultdict(int), defaultdict(int)
    spans = fleet.lines.group_by("vehicle").aggregate([("odometer", "min"), ("odometer", "max")]).to_pylist()
    for span in spans:
        km[duty[span["vehicle"]]] += span["odometer_max"] - span["odometer_min"]
    for line in fleet.lines.to_pylist():
        failed[duty[line["vehicle"]]] += line["mode"] == "turbo-shaft-play"
    long, short = "oil every 30,000 km", "oil every 12,000 km"
    assert failed[long] / km[long] > 4 * failed[short] / km[short]


def test_the_default_van_has_an_open_fault_behind_the_gearbox(fleet, histories):
    van = demo.default_van(fleet)
    assert van == demo.default_van(fleet)
    own = [line for line in histories[van.vehicle] if line["component"] == van.component]
    found = max(line["date"] for line in own if line["finding"] == "failed" and line["mode"] == van.mode)
    assert not [line for line in own if line["action"] == "renewed" and line["date"] >= found]
    assert histories[van.vehicle][-1]["date"] == max(fleet.lines["date"].to_pylist())


def test_what_was_put_off_behind_the_gearbox_is_cured_when_it_is_apart(truth, histories):
    behind = set(truth.reached["gearbox"])
    apart = 0
    for lines in histories.values():
        by_visit, open_faults = defaultdict(list), set()
        for line in lines:
            by_visit[line["odometer"]].append(line)
        for visit in by_visit.values():
            open_faults |= {line["component"] for line in visit if line["finding"] == "failed"} & behind
            renewed = {line["component"] for line in visit if line["action"] == "renewed"}
            open_faults -= renewed
            if renewed & behind:
                apart += 1
                assert not open_faults
    assert apart > 20


def test_a_small_fleet_shows_what_fault_it_has(book, truth):
    fleet = demo.simulate(book, truth, vans=8, rng=np.random.default_rng(1))
    van = demo.default_van(fleet)
    assert van.mode not in {"chain-stretch", "rear-seal-leak", "clutch-worn"}
    assert book.modes[van.mode].component == van.component


def test_a_fleet_without_such_a_fault_says_so(fleet):
    sound = demo.Fleet(fleet.vehicles, fleet.lines.slice(0, 1), fleet.readings)
    with pytest.raises(NameNotKnown, match="open fault"):
        demo.default_van(sound)


@pytest.mark.parametrize("csv", [False, True], ids=["parquet", "csv"])
def test_files_hold_what_the_tables_hold(fleet, tmp_path, csv):
    files = fleet.write(tmp_path / "new", csv=csv)
    assert [file.stem for file in files] == ["vehicles", "lines", "readings"]
    reader = pyarrow.csv.read_csv if csv else pyarrow.parquet.read_table
    for file, table in zip(files, (fleet.vehicles, fleet.lines, fleet.readings), strict=True):
        back: pa.Table = reader(file)
        assert back.column_names == table.column_names
        assert back.num_rows == table.num_rows
        assert back["vehicle"].to_pylist() == table["vehicle"].to_pylist()


def test_a_folder_that_cannot_be_written_is_named(fleet, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(OutputError, match="taken"):
        fleet.write(tmp_path / "taken" / "fleet")
