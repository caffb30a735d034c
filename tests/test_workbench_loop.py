"""Closing the loop on a folder: findings go through the ordinary intake, and what was said meets what was found."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest

from wearlore.errors import CannotOccur, NameNotKnown, OutputError, RecordsErrors, StoreError, TraceError
from wearlore.estimate import Estimate
from wearlore.records import intake
from wearlore.records.store import Store
from wearlore.trace import Told
from wearlore.workbench.loop import Loop

TODAY = date(2024, 6, 30)
VEHICLES = """\
vehicle,variant,built,history
v1,standard,2014-05-01,complete
v2,strong,2016-03-01,complete
"../v 3\\ä",strong,2019-09-15,complete
"""
LINES = """\
vehicle,date,odometer,component,action,revision,finding,mode
v1,2016-05-01,40000,,,,,
v2,2024-01-10,100000,pump,renewed,C,,
"""


@pytest.fixture
def bench(tmp_path: Path) -> Loop:
    book = Path(__file__).parent / "records" / "small-book.yaml"
    (tmp_path / "book.yaml").write_text(book.read_text(encoding="utf-8"), encoding="utf-8")
    for name, text in (("vehicles.csv", VEHICLES), ("lines.csv", LINES)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    made = Loop(tmp_path)
    made.take([tmp_path / "vehicles.csv", tmp_path / "lines.csv"], today=TODAY)
    return made


def lines(bench: Loop) -> list:
    with Store.open(bench.store_path, read_only=True) as store:
        return store.connection.execute(
            "SELECT vehicle, date, km, component, position, finding, mode, action, text FROM lines "
            "WHERE finding IS NOT NULL ORDER BY ALL"
        ).fetchall()


def files(bench: Loop) -> list[str]:
    return sorted(path.name for path in (bench.folder / "found").glob("*"))


def traced(*suspects, vehicle="v2", km=101_000.0, told=()):
    """What `keep` reads of a traced fault: (component, position, mode, chance, asked, open)."""
    made = [
        SimpleNamespace(
            component=component, position=position, mode=mode, cause=f"{mode}@{position}" if position else mode,
            chance=Estimate(chance, 0.0, 1.0), asked=asked, open=open_,
        )
        for component, position, mode, chance, asked, open_ in suspects
    ]  # fmt: skip
    return SimpleNamespace(vehicle=vehicle, km=km, told=told, suspects=tuple(made))


LEAK = ("pump", "", "pump-leak", 0.7, True, False)
DRIP = ("injector", "2", "injector-drip", 0.1, True, False)
SLACK = ("booster", "", "booster-slack", 0.2, False, False)


class TestFound:
    def test_each_finding_is_a_line_in_the_store_and_in_a_file(self, bench: Loop) -> None:
        taken = bench.found(
            "v2", confirmed=["pump-leak"], refuted=["injector-drip@2", "cooler-split"], km=101_000, today=TODAY,
            text='wet, "left"',
        )  # fmt: skip
        assert (taken.read, taken.stored, taken.kind) == (3, 3, "lines")
        said = 'wet, "left"'
        assert lines(bench) == [
            ("v2", TODAY, 101_000.0, "cooler", "rear", "good", "cooler-split", None, said),
            ("v2", TODAY, 101_000.0, "injector", "2", "good", "injector-drip", None, said),
            ("v2", TODAY, 101_000.0, "pump", None, "failed", "pump-leak", None, said),
        ]
        assert files(bench) == ["2024-06-30-v2-1.csv"]
        assert taken.file == str(bench.folder / "found" / "2024-06-30-v2-1.csv")

    def test_the_store_can_be_made_again_from_the_files(self, bench: Loop, tmp_path: Path) -> None:
        bench.found("v2", confirmed=["pump-leak"], km=101_000.25, today=TODAY)
        bench.found("v1", refuted=["cooler-split"], km=50_000, today=TODAY)
        before = lines(bench)
        bench.store_path.unlink()
        found = sorted((tmp_path / "found").glob("*.csv"))
        bench.take([*found, tmp_path / "vehicles.csv", tmp_path / "lines.csv"], today=TODAY)
        assert lines(bench) == before
        assert len(before) == 2

    def test_the_same_finding_twice_changes_nothing_and_leaves_no_second_file(self, bench: Loop) -> None:
        bench.found("v2", confirmed=["pump-leak"], km=101_000, today=TODAY)
        before = lines(bench)
        again = bench.found("v2", confirmed=["pump-leak", "pump-leak"], km=101_000, today=TODAY)
        assert again.duplicate_of == str(bench.folder / "found" / "2024-06-30-v2-1.csv")
        assert (lines(bench), files(bench)) == (before, ["2024-06-30-v2-1.csv"])

    def test_another_finding_of_the_day_gets_a_file_of_its_own(self, bench: Loop) -> None:
        bench.found("v2", confirmed=["pump-leak"], km=101_000, today=TODAY)
        first = (bench.folder / "found" / "2024-06-30-v2-1.csv").read_bytes()
        bench.found("v2", refuted=["cooler-split"], km=101_000, today=TODAY)
        assert files(bench) == ["2024-06-30-v2-1.csv", "2024-06-30-v2-2.csv"]
        assert (bench.folder / "found" / "2024-06-30-v2-1.csv").read_bytes() == first

    def test_an_odd_vehicle_stays_inside_the_folder_and_whole_in_the_line(self, bench: Loop) -> None:
        bench.found("../v 3\\ä", confirmed=["booster-slack"], km=10, today=TODAY)
        assert files(bench) == ["2024-06-30-v-3-1.csv"]
        assert [row[0] for row in lines(bench)] == ["../v 3\\ä"]

    def test_in_a_book_of_miles_the_odometer_is_the_same_distance(self, bench: Loop) -> None:
        path = bench.folder / "book.yaml"
        family = "name: Small engine, "
        text = path.read_text(encoding="utf-8").replace(family, f"{family}units: {{distance: miles}}, ")
        path.write_text(text, encoding="utf-8")
        again = Loop(bench.folder)
        again.found("v2", confirmed=["pump-leak"], km=161_000.5, today=TODAY)
        assert again.book.units.distance == "miles"
        assert [row[2] for row in lines(again)] == [161_000.5]

    @pytest.mark.parametrize(
        ("confirmed", "refuted", "error", "said"),
        [
            (["pump-leek"], [], NameNotKnown, "no mode is called 'pump-leek'. Did you mean pump-leak"),
            ([], ["injector-drip"], NameNotKnown, "Did you mean injector-drip@1|injector-drip@1, injector-drip@2"),
            (["injector-drip@7"], [], NameNotKnown, "no position of injector is called '7'"),
            (["booster-slack"], [], CannotOccur, r"booster-slack cannot occur on v1 \(standard\)"),
            (["cooler-split"], ["cooler-split@rear"], TraceError, "cooler-split is confirmed and refuted. Say which"),
            ([], [], TraceError, "nothing was found. Name a failure mode"),
        ],
    )
    def test_what_cannot_be_is_refused_before_anything_is_written(
        self, bench: Loop, confirmed, refuted, error, said
    ) -> None:
        with pytest.raises(error, match=said):
            bench.found("v1", confirmed=confirmed, refuted=refuted, km=50_000, today=TODAY)
        assert not (bench.folder / "found").exists()

    def test_an_unknown_vehicle_is_named(self, bench: Loop) -> None:
        with pytest.raises(NameNotKnown, match="no vehicle is called 'v9'"):
            bench.found("v9", confirmed=["pump-leak"], km=1, today=TODAY)

    @pytest.mark.parametrize(
        ("km", "today", "said"),
        [
            (99_000, TODAY, "found on v2: odometer: expected no less than on an earlier date"),
            (float("nan"), TODAY, "found on v2: odometer: expected a number of km or miles"),
            (101_000, date(2016, 1, 1), "found on v2: date: expected a date on or after the day the vehicle was built"),
        ],
    )
    def test_what_the_intake_refuses_leaves_no_file_and_says_why(self, bench: Loop, km, today, said) -> None:
        with pytest.raises(RecordsErrors, match=said) as caught:
            bench.found("v2", confirmed=["pump-leak"], refuted=["cooler-split"], km=km, today=today)
        said_each = str(caught.value).splitlines()
        assert len(said_each) == len(set(said_each))
        assert (files(bench), lines(bench)) == ([], [])

    def test_a_failing_intake_leaves_no_file(self, bench: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
        def full(*_: object, **__: object) -> None:
            raise StoreError("records.duckdb", "the disk is full", "Free some space.")

        monkeypatch.setattr(intake, "take_together", full)
        with pytest.raises(StoreError, match="the disk is full"):
            bench.found("v2", confirmed=["pump-leak"], km=101_000, today=TODAY)
        assert files(bench) == []

    def test_a_folder_that_cannot_be_written_is_named(self, bench: Loop) -> None:
        (bench.folder / "found").write_text("a file of this name")
        with pytest.raises(OutputError, match="found: what was found cannot be written"):
            bench.found("v2", confirmed=["pump-leak"], km=101_000, today=TODAY)
        assert lines(bench) == []


class TestKeep:
    def test_what_is_known_is_no_prediction(self, bench: Loop) -> None:
        """Told of the cause itself, or open on record."""
        told = (Told("pump-leak"), Told("injector-stuck@2", present=False), Told("wet-front"))
        stuck, split = ("injector", "2", "injector-stuck", 0.1, True, False), ("cooler", "rear", "cooler-split", 0.9)
        assert bench.keep(traced(LEAK, DRIP, stuck, (*split, True, True), told=told), TODAY) == 1
        with Store.open(bench.store_path, read_only=True) as store:
            kept = store.connection.execute("SELECT vehicle, date, km, mode, chance FROM predictions").fetchall()
        assert kept == [("v2", TODAY, 101_000.0, "injector-drip", 0.1)]

    def test_twice_is_once(self, bench: Loop) -> None:
        assert bench.keep(traced(LEAK, DRIP), TODAY) == 2
        assert bench.keep(traced(LEAK, DRIP), TODAY) == 0
        assert bench.calibration().predictions == 2


class TestCalibration:
    def test_without_a_store_or_a_trace_there_is_nothing(self, bench: Loop, tmp_path: Path) -> None:
        (tmp_path / "new").mkdir()
        (tmp_path / "new" / "book.yaml").write_text(bench.book_path.read_text(encoding="utf-8"), encoding="utf-8")
        for one in (bench, Loop(tmp_path / "new")):
            told = one.calibration()
            assert (told.calibration, told.traces, told.predictions, told.misses) == (None, 0, 0, ())

    def test_what_was_in_question_is_compared_and_everything_is_counted(self, bench: Loop) -> None:
        bench.keep(traced(LEAK), TODAY)
        split = ("cooler", "rear", "cooler-split", 0.3, True, False)
        bench.keep(traced(LEAK, DRIP, SLACK, split), TODAY)
        bench.found(
            "v2", confirmed=["injector-drip@2"], refuted=["pump-leak", "booster-slack"], km=101_000, today=TODAY,
            text="dry",
        )  # fmt: skip
        told = bench.calibration()
        assert told.calibration is not None
        assert (told.calibration.count, told.calibration.found) == (2, 1)
        assert told.calibration.brier.value == pytest.approx((0.7**2 + 0.9**2) / 2)
        counts = (told.resolved, told.beside, told.superseded, told.open, told.gone)
        assert counts == (2, 1, 1, 1, 0)
        assert sum(counts) == told.predictions == 5
        assert told.traces == 2

    def test_misses_stand_worst_first_with_their_evidence(self, bench: Loop) -> None:
        split = ("cooler", "rear", "cooler-split", 0.8, True, False)
        bench.keep(traced(LEAK, DRIP, split), TODAY)
        bench.found(
            "v2", confirmed=["injector-drip@2", "cooler-split"], refuted=["pump-leak"], km=101_000, today=TODAY,
            text="dry",
        )  # fmt: skip
        worst, next_ = bench.calibration().misses
        assert (worst.cause, worst.stated, worst.found) == ("injector-drip@2", 0.1, True)
        assert (next_.cause, next_.name, next_.stated, next_.found) == ("pump-leak", "Leaks", 0.7, False)
        assert (next_.traced_on, next_.found_on, next_.found_km, next_.text) == (TODAY, TODAY, 101_000.0, "dry")
        with open(next_.file, newline="", encoding="utf-8") as file:
            assert list(csv.DictReader(file))[next_.line - 2]["mode"] == "pump-leak"

    def test_the_same_question_has_the_same_answer(self, bench: Loop) -> None:
        bench.keep(traced(LEAK, DRIP), TODAY)
        bench.found("v2", confirmed=["pump-leak"], refuted=["injector-drip@2"], km=101_000, today=TODAY)
        assert bench.calibration() == Loop(bench.folder).calibration()
