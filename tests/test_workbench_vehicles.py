"""Finding, adding and noting on a folder: through the ordinary intake, against the version that one has seen."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest

from wearlore.errors import ChangedSince, NameNotKnown, RecordsError, RecordsErrors
from wearlore.lifetimes import vehicle_at
from wearlore.workbench import Workbench
from wearlore.workbench.vehicles import NewVehicle, NotedLine, NotedVisit

TODAY = date(2024, 6, 30)
VEHICLES = """\
vehicle,variant,built,history
v1,standard,2014-05-01,complete
v2,strong,2016-03-01,complete
v10,strong,2019-09-15,unknown
"""
LINES = """\
vehicle,date,odometer,component,action,revision,finding,mode
v1,2016-05-01,40000,,,,,
v2,2023-01-10,90000,pump,,,failed,pump-leak
v2,2024-01-10,100000,pump,renewed,C,,
v2,2024-03-10,104000,pump,,,failed,pump-leak
"""
LEAK = NotedLine("pump", finding="failed", mode="pump-leak", text="weeps")
NEW_PUMP = NotedLine("pump", action="renewed", grade="economy")


@pytest.fixture
def bench(tmp_path: Path) -> Workbench:
    book = Path(__file__).parent / "records" / "small-book.yaml"
    (tmp_path / "book.yaml").write_text(book.read_text(encoding="utf-8"), encoding="utf-8")
    for name, text in (("vehicles.csv", VEHICLES), ("lines.csv", LINES)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    made = Workbench(tmp_path)
    made.take([tmp_path / "vehicles.csv", tmp_path / "lines.csv"], today=TODAY)
    return made


def files(bench: Workbench) -> list[str]:
    return sorted(path.name for path in (bench.folder / "found").glob("*"))


def visit(*lines: NotedLine, odometer: str = "110000", day: str = "2024-06-20", readings=()) -> NotedVisit:
    return NotedVisit(day, odometer, "km", lines, readings)


class TestFind:
    def test_by_part_of_the_name_whatever_its_case_that_name_itself_first(self, bench: Workbench) -> None:
        found = bench.vehicles("V1")
        assert [one.vehicle for one in found.vehicles] == ["v1", "v10"]
        assert found.matching == 2

    def test_by_variant_and_no_more_than_asked_for(self, bench: Workbench) -> None:
        found = bench.vehicles("strong", 1)
        assert (found.matching, len(found.vehicles)) == (2, 1)
        assert bench.vehicles("%").vehicles == ()

    def test_open_faults_are_those_of_the_vehicle_itself_and_follow_what_is_noted(self, bench: Workbench) -> None:
        def counts() -> dict[str, int]:
            return {one.vehicle: one.faults for one in bench.vehicles().vehicles}

        assert counts() == {"v1": 0, "v2": 1, "v10": 0}
        with bench._reading() as store:
            present = [s for u in vehicle_at(store, bench.book, "v2").units for s in u.modes if s.present]
        assert len(present) == 1
        bench.note("v2", visit(NEW_PUMP), today=TODAY)
        assert counts()["v2"] == 0


class TestHistory:
    def test_visits_lines_what_is_fitted_and_what_is_open(self, bench: Workbench) -> None:
        history = bench.history("v2")
        assert [visit.km for visit in history.visits] == [90_000, 100_000, 104_000]
        line = history.visits[0].lines[0]
        assert (line.mode, Path(line.file).name, line.line) == ("pump-leak", "lines.csv", 3)
        (fault,) = history.open
        assert (fault.cause, fault.since, fault.km) == ("pump-leak", date(2024, 3, 10), 104_000)
        pump = next(unit for unit in history.units if unit.component == "pump")
        assert (pump.revision, pump.age) == ("C", 4_000)

    def test_a_vehicle_without_visits(self, bench: Workbench) -> None:
        history = bench.history("v10")
        assert (history.visits, history.km, history.open) == ((), 0.0, ())
        assert all(unit.age is None for unit in history.units if unit.modes)

    def test_a_name_that_is_not_known(self, bench: Workbench) -> None:
        with pytest.raises(NameNotKnown, match="v11"):
            bench.history("v11")

    def test_the_version_changes_with_the_vehicle_and_only_with_it(self, bench: Workbench) -> None:
        before, other = bench.history("v2").version, bench.history("v1").version
        assert bench.history("v2").version == before
        bench.note("v2", visit(), today=TODAY)
        assert bench.history("v2").version != before
        assert bench.history("v1").version == other


class TestNote:
    def test_lines_and_readings_in_one_visit_each_in_a_file_of_its_own(self, bench: Workbench) -> None:
        taken = bench.note("v2", visit(LEAK, NEW_PUMP), today=TODAY)
        assert [(one.kind, one.stored) for one in taken] == [("lines", 2)]
        assert files(bench) == ["2024-06-30-v2-1.csv"]
        with (bench.folder / "found" / files(bench)[0]).open(encoding="utf-8") as file:
            assert [row["mode"] for row in csv.DictReader(file)] == ["pump-leak", ""]
        last = bench.history("v2").visits[-1]
        assert [(line.mode, line.action, line.grade) for line in last.lines] == [
            ("pump-leak", "", ""),
            ("", "renewed", "economy"),
        ]

    def test_nothing_but_an_odometer_is_a_visit_too(self, bench: Workbench) -> None:
        bench.note("v10", visit(odometer="5000"), today=TODAY)
        assert bench.history("v10").km == 5_000

    def test_miles_are_miles(self, bench: Workbench) -> None:
        bench.note("v10", NotedVisit("2024-06-20", "1000", "miles"), today=TODAY)
        assert bench.history("v10").km == pytest.approx(1609.344)

    def test_a_bad_reading_leaves_the_lines_out_too(self, bench: Workbench) -> None:
        before = bench.history("v2")
        with pytest.raises(RecordsErrors) as caught:
            bench.note("v2", visit(LEAK, readings=(("no-such-reading", "x"),)), today=TODAY)
        assert {(error.args[1], error.args[2]) for error in caught.value.errors} == {(1, "reading"), (1, "value")}
        assert bench.history("v2") == before
        assert files(bench) == []

    def test_each_problem_has_its_field_and_the_number_of_its_line(self, bench: Workbench) -> None:
        bad = NotedLine("pump", finding="failed")
        with pytest.raises(RecordsErrors) as caught:
            bench.note("v2", visit(LEAK, bad, bad, odometer="1"), today=TODAY)
        told = [(error.args[1], error.args[2]) for error in caught.value.errors]
        assert sorted(told) == [(0, "odometer"), (2, "mode"), (3, "mode")]

    def test_who_has_an_old_version_before_him_writes_nothing_and_can_add_to_the_new_one(
        self, bench: Workbench
    ) -> None:
        opened = bench.history("v2")
        bench.note("v2", visit(LEAK), today=TODAY, expected=opened.version)
        mine = visit(NotedLine("pump", finding="good", mode="pump-leak"), day="2024-06-21")
        with pytest.raises(ChangedSince, match="v2"):
            bench.note("v2", mine, today=TODAY, expected=opened.version)
        now = bench.history("v2")
        assert len(files(bench)) == 1
        (added,) = now.since(opened)
        assert [line.text for line in added.lines] == ["weeps"]
        bench.note("v2", mine, today=TODAY, expected=now.version)
        both = [line.finding for visit in bench.history("v2").visits[-2:] for line in visit.lines]
        assert both == ["failed", "good"]

    def test_what_is_new_in_a_visit_that_was_there_is_told_alone(self, bench: Workbench) -> None:
        bench.note("v2", visit(LEAK), today=TODAY)
        opened = bench.history("v2")
        bench.note("v2", visit(NEW_PUMP), today=TODAY)
        (added,) = bench.history("v2").since(opened)
        assert [line.action for line in added.lines] == ["renewed"]
        assert opened.since(opened) == ()

    def test_the_store_can_be_made_again_from_the_files(self, bench: Workbench, tmp_path: Path) -> None:
        bench.add(NewVehicle("n1", "strong", "2020-01-01", odometer="120000"), today=TODAY)
        bench.note("n1", visit(LEAK), today=TODAY)
        seen = bench.history("n1")
        bench.store_path.unlink()
        again = Workbench(tmp_path)
        paths = [tmp_path / "vehicles.csv", tmp_path / "lines.csv", *sorted((tmp_path / "found").glob("*.csv"))]
        again.take(paths, today=TODAY)
        assert [v.lines[0].text for v in again.history("n1").visits] == [v.lines[0].text for v in seen.visits]


class TestAdd:
    def test_a_vehicle_with_its_odometer(self, bench: Workbench) -> None:
        bench.add(NewVehicle(" n 1 ", "strong", "2020-01-01", "complete", "taxi", "123"), today=TODAY)
        history = bench.history("n 1")
        assert (history.variant, history.complete, history.duty, history.km) == ("strong", True, "taxi", 123)

    @pytest.mark.parametrize(
        ("new", "fields"),
        [
            (NewVehicle("", "strong", "2020-01-01"), {"vehicle"}),
            (NewVehicle("v2", "strong", "2016-03-01", "complete"), {"vehicle"}),
            (NewVehicle("n1", "weak", "soon"), {"variant", "built"}),
            (NewVehicle("n1", "strong", "2020-01-01", odometer="far"), {"odometer"}),
        ],
    )
    def test_each_problem_has_its_field_and_nothing_is_kept(self, bench: Workbench, new, fields) -> None:
        with pytest.raises(RecordsErrors) as caught:
            bench.add(new, today=TODAY)
        assert {error.args[2] for error in caught.value.errors} == fields
        assert (bench.vehicles().matching, files(bench)) == (3, [])


class TestTakeAs:
    def test_a_file_is_known_by_its_label_alone(self, bench: Workbench, tmp_path: Path) -> None:
        path = tmp_path / "secret-place.csv"
        path.write_text("vehicle,variant,built\nn1,strong,2020-01-01\nn2,weak,2020-01-01\n", encoding="utf-8")
        with pytest.raises(RecordsErrors, match=r"^more\.csv:3: variant") as caught:
            bench.take_as(path, "more.csv", today=TODAY)
        assert "secret" not in str(caught.value)
        taken = bench.take_as(path, "more.csv", today=TODAY, quarantine=True)
        assert (taken.file, taken.read, taken.stored, taken.quarantined) == ("more.csv", 2, 1, 1)
        held = bench.records()
        assert held.intakes[-1].file == held.quarantine[0].file == "more.csv"

    def test_what_is_no_file_of_records(self, bench: Workbench, tmp_path: Path) -> None:
        path = tmp_path / "secret-place.csv"
        path.write_bytes(b"")
        with pytest.raises(RecordsError, match=r"^empty\.csv: file: expected"):
            bench.take_as(path, "empty.csv", today=TODAY)

    def test_vehicles_are_taken_first_and_what_cannot_be_opened_is_known(
        self, bench: Workbench, tmp_path: Path
    ) -> None:
        names = {"a.csv": "vehicle,date,odometer\nv1,2020-01-01,3\n", "b.csv": VEHICLES, "c.other": "x"}
        for name, text in names.items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        order = bench.vehicles_first([tmp_path / name for name in names])
        assert [(path.name, opens) for path, opens in order] == [("b.csv", True), ("a.csv", True), ("c.other", False)]
