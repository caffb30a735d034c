"""Predictions of a trace: kept once, resolved by what was found and by nothing else."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pytest

from wearlore.book.model import Book
from wearlore.errors import StoreError
from wearlore.records.intake import Intake
from wearlore.records.predictions import Prediction, Resolved, keep, resolved
from wearlore.records.store import Store

Give = Callable[..., Intake]
DAY = date(2023, 1, 10)
LEAK = Prediction("pump", "", "pump-leak", 0.7, True)
NOISE = Prediction("pump", "", "pump-noise", 0.2, False)
DRIP = Prediction("injector", "2", "injector-drip", 0.4, True)
STUCK = Prediction("injector", "2", "injector-stuck", 0.1, True)
HEAD = "vehicle,date,odometer,component,position,finding,mode,action,text\n"

pytestmark = pytest.mark.usefixtures("fleet")


@pytest.fixture
def predict(store: Store) -> Callable[..., int]:
    def _predict(*rows: Prediction, vehicle: str = "v2", day: date = DAY, km: float = 100_000.0) -> int:
        return keep(store, vehicle=vehicle, date=day, km=km, rows=rows)

    return _predict


@pytest.fixture
def found(give: Give, store: Store, book: Book) -> Callable[..., dict[str, bool]]:
    """Take lines; what is resolved then, by mode and position."""

    def _found(*lines: str) -> dict[str, bool]:
        give("found.csv", HEAD + "".join(f"{line}{',' * (8 - line.count(','))}\n" for line in lines))
        return {f"{row.mode}{row.position}": row.found for row in resolved(store, book).rows}

    return _found


def stored(store: Store) -> list:
    return store.connection.execute("SELECT * FROM predictions ORDER BY ALL").fetchall()


class TestKeep:
    def test_each_row_stands_in_the_store_as_it_was_said(self, predict, store) -> None:
        assert predict(LEAK, DRIP) == 2
        assert stored(store) == [
            (1, "v2", DAY, 100_000.0, "injector", "2", "injector-drip", 0.4, True),
            (1, "v2", DAY, 100_000.0, "pump", None, "pump-leak", 0.7, True),
        ]

    def test_the_same_trace_twice_changes_nothing(self, predict, store) -> None:
        predict(LEAK, DRIP)
        before = stored(store)
        assert predict(DRIP, LEAK) == 0
        assert stored(store) == before

    @pytest.mark.parametrize(
        "other",
        [{"vehicle": "v3"}, {"day": date(2023, 1, 11)}, {"km": 100_001.0}],
        ids=lambda other: next(iter(other)),
    )
    def test_of_another_vehicle_day_or_odometer_it_is_another_trace(self, predict, store, other) -> None:
        predict(LEAK)
        assert predict(LEAK, **other) == 1
        assert [row[0] for row in stored(store)] == [1, 2]

    def test_another_chance_is_another_trace(self, predict, store) -> None:
        predict(LEAK, DRIP)
        assert predict(LEAK, Prediction("injector", "2", "injector-drip", 0.41, True)) == 2
        assert len(stored(store)) == 4

    def test_what_the_records_answer_already_is_no_prediction(self, predict, found, store) -> None:
        found("v2,2023-01-10,100000,pump,,failed,pump-leak")
        assert predict(LEAK, DRIP) == 1
        assert [row[6] for row in stored(store)] == ["injector-drip"]
        assert predict(LEAK) == 0

    def test_a_trace_whose_answer_has_come_is_still_the_same_trace(self, predict, found, store) -> None:
        predict(LEAK, DRIP)
        found("v2,2023-01-10,100000,pump,,failed,pump-leak")
        before = stored(store)
        assert predict(LEAK, DRIP) == 0
        assert stored(store) == before

    def test_a_failure_on_the_way_leaves_the_store_as_it_was(self, predict, store, monkeypatch) -> None:
        predict(LEAK)
        before = stored(store)
        monkeypatch.setattr("wearlore.records.predictions._known", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            predict(DRIP)
        assert stored(store) == before

    @pytest.mark.parametrize("chance", [-0.1, 1.1, float("nan")])
    def test_a_chance_outside_0_to_1_is_refused(self, predict, chance) -> None:
        with pytest.raises(ValueError, match="a chance lies from 0 to 1"):
            predict(Prediction("pump", "", "pump-leak", chance, True))

    def test_a_cause_named_twice_is_refused(self, predict) -> None:
        with pytest.raises(ValueError, match="each cause once"):
            predict(LEAK, LEAK)

    def test_a_store_open_for_reading_says_so(self, store, tmp_path) -> None:
        store.close()
        with (
            Store.open(tmp_path / "records.duckdb", read_only=True) as reading,
            pytest.raises(StoreError, match="open for reading only"),
        ):
            keep(reading, vehicle="v2", date=DAY, km=1.0, rows=[LEAK])


class TestStoresLaidOutBefore:
    @pytest.fixture(autouse=True)
    def _older(self, store: Store) -> None:
        store.connection.execute("DROP TABLE predictions")

    def test_reading_one_finds_none(self, store, book) -> None:
        assert resolved(store, book) == Resolved((), 0, 0, 0, 0, 0)

    def test_the_first_keep_makes_the_table(self, predict, store, book, tmp_path) -> None:
        assert predict(LEAK) == 1
        store.close()
        with Store.open(tmp_path / "records.duckdb", read_only=True) as again:
            assert resolved(again, book).open == 1


class TestResolved:
    def test_failed_is_there_and_good_is_not(self, predict, found) -> None:
        predict(LEAK, DRIP)
        assert found(
            "v2,2023-01-10,100000,pump,,failed,pump-leak", "v2,2023-01-10,100000,injector,2,good,injector-drip"
        ) == {"pump-leak": True, "injector-drip2": False}

    def test_the_evidence_is_the_line(self, predict, found, store, book) -> None:
        predict(LEAK)
        found("v2,2023-01-12,100050,,,,,,tea", "v2,2023-01-12,100050,pump,,failed,pump-leak,renewed,wet below")
        (row,) = resolved(store, book).rows
        assert (row.vehicle, row.traced_on, row.traced_km, row.chance, row.asked) == ("v2", DAY, 100_000.0, 0.7, True)
        assert (row.found_on, row.found_km, row.text, row.line) == (date(2023, 1, 12), 100_050.0, "wet below", 3)
        assert row.file.endswith("found.csv")

    def test_without_a_line_it_is_open_and_nothing_is_guessed(self, predict, found, store, book) -> None:
        predict(LEAK, DRIP)
        assert found("v2,2023-01-12,100050,,,,,,oil changed", "v2,2023-01-12,100050,cooler,,good") == {}
        assert resolved(store, book) == Resolved((), traces=1, predictions=2, superseded=0, open=2, gone=0)

    def test_good_without_a_mode_speaks_for_the_modes_that_did_not_fail_in_that_visit(self, predict, found) -> None:
        predict(DRIP, STUCK)
        assert found(
            "v2,2023-01-12,100050,injector,2,good", "v2,2023-01-12,100050,injector,2,failed,injector-drip"
        ) == {
            "injector-drip2": True,
            "injector-stuck2": False,
        }

    def test_good_of_one_mode_says_nothing_of_another(self, predict, found) -> None:
        predict(DRIP, STUCK)
        assert found("v2,2023-01-12,100050,injector,2,good,injector-drip") == {"injector-drip2": False}

    def test_failed_of_one_mode_says_nothing_of_another(self, predict, found) -> None:
        predict(DRIP, STUCK)
        assert found("v2,2023-01-12,100050,injector,2,failed,injector-stuck") == {"injector-stuck2": True}

    @pytest.mark.parametrize(("position", "told"), [("all", {"injector-drip2": False}), ("3", {}), ("2", None)])
    def test_all_is_every_position_and_another_position_is_none_of_it(self, predict, found, position, told) -> None:
        predict(DRIP)
        expected = {"injector-drip2": False} if told is None else told
        assert found(f"v2,2023-01-12,100050,injector,{position},good") == expected

    @pytest.mark.parametrize(
        ("line", "counts"),
        [
            ("v2,2023-01-09,99900,pump,,failed,pump-leak", False),
            ("v2,2023-01-10,100000,pump,,failed,pump-leak", True),
            ("v2,2023-06-10,102000,pump,,failed,pump-leak", True),
            ("v2,2023-06-10,102001,pump,,failed,pump-leak", False),
            ("v3,2023-01-12,100050,pump,,failed,pump-leak", False),
        ],
        ids=["the day before", "the same day", "as far as it speaks", "too far", "another vehicle"],
    )
    def test_day_distance_and_vehicle_of_the_line(self, predict, found, line, counts) -> None:
        predict(LEAK)
        assert found(line) == ({"pump-leak": True} if counts else {})

    def test_how_far_is_for_the_caller_to_say(self, predict, found, store, book) -> None:
        predict(LEAK)
        found("v2,2023-06-10,103000,pump,,failed,pump-leak")
        assert len(resolved(store, book, within_km=3_000.0).rows) == 1

    def test_the_first_visit_that_speaks_of_it_counts(self, predict, found) -> None:
        predict(LEAK)
        assert found("v2,2023-01-12,100050,pump,,good,pump-leak", "v2,2023-03-12,101050,pump,,failed,pump-leak") == {
            "pump-leak": False
        }

    @pytest.mark.parametrize(("action", "counts"), [("renewed", False), ("repaired", False), ("", True)])
    def test_what_is_found_after_a_cure_speaks_of_another_state(self, predict, found, action, counts) -> None:
        predict(LEAK)
        mode = "pump-leak" if action == "repaired" else ""
        told = found(f"v2,2023-01-12,100050,pump,,,{mode},{action}", "v2,2023-03-12,101050,pump,,good")
        assert told == ({"pump-leak": False} if counts else {})

    def test_a_cure_of_another_mode_ends_no_question(self, predict, found) -> None:
        predict(LEAK)
        assert found(
            "v2,2023-01-12,100050,pump,,,pump-noise,repaired", "v2,2023-03-12,101050,pump,,failed,pump-leak"
        ) == {"pump-leak": True}

    def test_findings_come_before_the_cure_of_the_same_visit(self, predict, found) -> None:
        predict(LEAK)
        assert found("v2,2023-01-12,100050,pump,,,,renewed", "v2,2023-01-12,100050,pump,,failed,pump-leak") == {
            "pump-leak": True
        }

    def test_of_several_predictions_before_one_finding_the_last_counts(self, predict, found, store, book) -> None:
        predict(LEAK)
        predict(Prediction("pump", "", "pump-leak", 0.8, True))
        predict(Prediction("pump", "", "pump-leak", 0.9, True), day=date(2023, 1, 11))
        found("v2,2023-01-12,100050,pump,,failed,pump-leak")
        told = resolved(store, book)
        assert [row.chance for row in told.rows] == [0.9]
        assert (told.traces, told.predictions, told.superseded, told.open) == (3, 3, 2, 0)

    def test_predictions_before_two_findings_both_count(self, predict, found, store, book) -> None:
        predict(LEAK)
        predict(NOISE, day=date(2023, 2, 1), km=101_000.0)
        predict(Prediction("pump", "", "pump-leak", 0.3, True), day=date(2023, 2, 1), km=101_000.0)
        found("v2,2023-01-12,100050,pump,,good,pump-leak", "v2,2023-02-02,101010,pump,,failed,pump-leak")
        told = resolved(store, book)
        assert [(row.chance, row.found) for row in told.rows] == [(0.7, False), (0.3, True)]
        assert told.open == 1

    def test_modes_that_the_book_no_longer_has_are_counted_apart(self, predict, found, store, book) -> None:
        predict(LEAK, Prediction("pump", "", "pump-rust", 0.4, True))
        found("v2,2023-01-12,100050,pump,,good")
        told = resolved(store, book)
        assert (len(told.rows), told.gone, told.open, told.predictions) == (1, 1, 0, 2)
