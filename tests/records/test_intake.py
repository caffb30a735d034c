"""Intake: what is taken, what is refused and in which words, and that nothing is ever lost."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, RecordsError, RecordsErrors
from wearlore.records import intake as intake_module
from wearlore.records.intake import Intake, take
from wearlore.records.store import Store
from wearlore.records.summary import evidence_lines, summary

Give = Callable[..., Intake]
TODAY = date(2024, 6, 30)
HEAD = "vehicle,date,odometer,component,position,finding,mode,action,revision,grade"
SHORT = "vehicle,date,odometer\nv1,2016-01-01,1\n"
GOOD = f"""\
{HEAD},text
v1,2016-01-01,40000,pump,,failed,pump-leak,renewed,B,economy,weeping
v1,2017-01-01,60000,injector,all,good,,,,,
v2,2019-05-01,80000,cooler,,original,,cleaned,,,
v2,2019-05-01,80000,,,,,,,,oil changed
v3,2021-01-01,30000,booster,,failed,booster-slack,,,,
"""


def content(store: Store) -> list:
    tables = ("vehicles", "visits", "lines", "readings", "intakes", "quarantine")
    return [store.connection.execute(f"SELECT * FROM {table} ORDER BY ALL").fetchall() for table in tables]


def refusal(give: Give, text: str | bytes, name: str = "lines.csv") -> list[tuple[int, str, str]]:
    """(line, field, message) of each place at which the file is refused."""
    with pytest.raises((RecordsErrors, RecordsError)) as caught:
        give(name, text)
    errors = caught.value.errors if isinstance(caught.value, RecordsErrors) else (caught.value,)
    return [(error.args[1], error.args[2], str(error)) for error in errors]


def one(give: Give, row: str, head: str = HEAD) -> tuple[int, str, str]:
    """The one problem of a file with this row."""
    (problem,) = refusal(give, f"{head}\n{row}{',' * (head.count(',') - row.count(','))}\n")
    return problem


@pytest.mark.usefixtures("fleet")
class TestGoodFiles:
    def test_every_line_is_stored(self, give: Give, store: Store) -> None:
        assert give("lines.csv", GOOD) == Intake(str(store.path.parent / "lines.csv"), "lines", 5, 5, 0)
        found = summary(store)
        assert (found.vehicles, found.visits, found.lines, found.readings) == (3, 4, 5, 0)
        assert (found.first_date, found.last_date) == (date(2016, 1, 1), date(2021, 1, 1))
        assert (found.least_km, found.greatest_km) == (30_000, 80_000)
        assert [(row.kind, row.read, row.stored, row.quarantined, row.taken) for row in found.intakes] == [
            ("vehicles", 3, 3, 0, TODAY),
            ("lines", 5, 5, 0, TODAY),
        ]

    def test_columns_may_stand_in_any_order_and_optional_ones_be_absent(self, give: Give, store: Store) -> None:
        give("lines.csv", "odometer, date ,vehicle\n40000,2016-01-01,v1\n")
        assert store.connection.execute("SELECT vehicle, date, km FROM visits").fetchall() == [
            ("v1", date(2016, 1, 1), 40_000)
        ]

    def test_miles_are_converted_line_by_line(self, give: Give, store: Store) -> None:
        give("lines.csv", "vehicle,date,odometer,unit\nv1,2016-01-01,10000,miles\nv1,2017-01-01,20000,km\n")
        assert store.connection.execute("SELECT km FROM visits ORDER BY km").fetchall() == [(16_093.44,), (20_000,)]

    def test_all_is_a_position_of_every_component(self, give: Give) -> None:
        assert (
            give(
                "lines.csv", f"{HEAD}\nv1,2016-01-01,1,pump,all,,,renewed,,\nv1,2016-01-01,1,cooler,all,good,,,,\n"
            ).stored
            == 2
        )

    def test_readings_are_visits_too(self, give: Give, store: Store) -> None:
        give("readings.csv", "vehicle,date,odometer,reading,value\nv1,2016-01-01,40000,rail-pressure,1.25e3\n")
        assert store.connection.execute("SELECT reading, value FROM readings").fetchall() == [("rail-pressure", 1250)]
        assert summary(store).visits == 1

    def test_the_same_content_changes_nothing_and_says_so(self, give: Give, store: Store) -> None:
        give("lines.csv", GOOD)
        before = content(store)
        again = give("copy.csv", GOOD)
        assert again.duplicate_of == str(store.path.parent / "lines.csv")
        assert (again.read, again.stored, again.known) == (5, 5, 5)
        assert content(store) == before

    def test_lines_known_from_an_overlapping_file_are_not_kept_twice(self, give: Give, store: Store) -> None:
        give("lines.csv", GOOD)
        later = give("later.csv", GOOD + "v1,2018-01-01,70000,,,,,,,,\n")
        assert (later.read, later.stored, later.known) == (6, 6, 5)
        assert summary(store).lines == 6

    def test_a_file_in_several_batches_is_the_same(
        self, store: Store, book: Book, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("wearlore.records.files.BATCH", 2)
        shown: list[tuple[int, int]] = []
        path = store.path.parent / "lines.csv"
        path.write_text(GOOD)
        taken = take(store, book, path, today=TODAY, progress=lambda *state: shown.append(state))
        assert taken.stored == 5
        assert len(shown) == 3
        assert shown[-1][0] == shown[-1][1] == len(GOOD)

    def test_windows_line_ends_and_byte_order_mark(self, give: Give) -> None:
        assert give("lines.csv", b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()).stored == 5

    def test_blanks_round_names_and_rows_of_blanks(self, give: Give, store: Store) -> None:
        """A spreadsheet leaves tabs and no-break spaces round a name, and rows of bare commas under the last record."""
        text = "vehicle,date,odometer,component,finding,mode\n\u00a0v1,2016-01-01, 1,pump\t,failed,\tpump-leak \n"
        assert give("lines.csv", text + "v1,2016-01-02,2,\t,,\n,,,,,\n  \n").read == 2
        rows = store.connection.execute("SELECT vehicle, component, mode FROM lines ORDER BY date").fetchall()
        assert rows == [("v1", "pump", "pump-leak"), ("v1", None, None)]

    def test_an_accent_may_be_written_as_one_character_or_two(self, give: Give, store: Store) -> None:
        give("more.csv", "vehicle,variant,built\nCAF\u00c9-1,standard,2014-05-01\n")
        assert give("lines.csv", "vehicle,date,odometer\nCAFE\u0301-1,2016-01-01,1\n").stored == 1

    def test_not_a_number_in_parquet_is_an_empty_cell(self, give: Give, store: Store) -> None:
        nan = [float("nan")]
        table = pa.table({"vehicle": ["v1"], "date": ["2016-01-01"], "odometer": [5.0], "position": nan, "visit": nan})
        assert give("lines.parquet", parquet(table)).stored == 1
        assert store.connection.execute("SELECT position, visit FROM lines").fetchall() == [(None, None)]

    def test_parquet_with_dates_numbers_and_categories(self, give: Give, store: Store) -> None:
        table = pa.table({
            "vehicle": pa.array(["v1", "v1", "v2"]).dictionary_encode(),
            "date": pa.array([date(2016, 1, 1), date(2017, 1, 1), date(2019, 1, 1)], pa.date32()),
            "odometer": pa.array([40_000, 60_000, 80_000], pa.int32()),
            "component": pa.array(["pump", None, "cooler"]),
            "finding": pa.array(["failed", None, "good"]),
            "mode": pa.array(["pump-leak", None, None]),
        })  # fmt: skip
        assert give("lines.parquet", parquet(table)).stored == 3
        times = table.set_column(1, "date", table["date"].cast(pa.timestamp("us")))
        assert give("times.parquet", parquet(times)).known == 3

    def test_evidence_is_the_lines_behind_a_mode(self, give: Give, store: Store, book: Book) -> None:
        give("lines.csv", GOOD)
        (line,) = evidence_lines(store, book, "pump-leak")
        assert (line.vehicle, line.date, line.km, line.finding, line.grade) == (
            "v1", date(2016, 1, 1), 40_000, "failed", "economy",
        )  # fmt: skip
        assert (line.text, line.line) == ("weeping", 2)
        assert line.file.endswith("lines.csv")
        assert [x.finding for x in evidence_lines(store, book, "cooler-clogged")] == ["original"]
        assert [x.finding for x in evidence_lines(store, book, "injector-drip")] == ["good"]
        assert evidence_lines(store, book, "injector-drip", failures_only=True) == ()
        assert evidence_lines(store, book, "pump-leak", vehicle="v2") == ()
        with pytest.raises(NameNotKnown, match="Did you mean pump-leak"):
            evidence_lines(store, book, "pump-leek")


def parquet(table: pa.Table) -> bytes:
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


@pytest.mark.usefixtures("fleet")
class TestBadLines:
    @pytest.mark.parametrize(
        ("row", "field", "says"),
        [
            ("v9,2016-01-01,40000", "vehicle", "'v9' is not one. Did you mean v"),
            (",2016-01-01,40000", "vehicle", "It is empty"),
            ("v1,01/02/2016,40000", "date", "a date such as 2024-03-31. It reads '01/02/2016'"),
            ("v1,2016-02-30,40000", "date", "It reads '2016-02-30'"),
            ("v1,infinity,40000", "date", "It reads 'infinity'"),
            ("v1,,40000", "date", "It is empty"),
            ("v1,2024-07-01,40000", "date", "a date up to 2024-06-30. It lies in the future"),
            ("v1,2014-04-30,40", "date", "on or after the day the vehicle was built, 2014-05-01"),
            ("v1,2016-01-01,", "odometer", "It is empty"),
            ("v1,2016-01-01,-5", "odometer", "a number of km or miles from 0 to 9999999. It reads '-5'"),
            ("v1,2016-01-01,nan", "odometer", "It reads 'nan'"),
            ("v1,2016-01-01,1e300", "odometer", "It reads '1e300'"),
            ("v1,2016-01-01,40 000", "odometer", "It reads '40 000'"),
            ("v1,2016-01-01,40000,pomp", "component", "'pomp' is not one. Did you mean pump"),
            ("v1,2016-01-01,40000,booster", "component", "a component of variant standard. 'booster' is not fitted"),
            ("v1,2016-01-01,40000,,,failed", "component", "The line says 'failed' of nothing"),
            ("v1,2016-01-01,40000,injector", "position", "The component sits at several: say which"),
            ("v1,2016-01-01,40000,injector,5", "position", "a position of injector, or all. '5' is not one"),
            ("v1,2016-01-01,40000,pump,left", "position", "a position of pump"),
            ("v1,2016-01-01,40000,pump,,broken", "finding", "failed, good, original or nothing. It reads 'broken'"),
            ("v1,2016-01-01,40000,pump,,failed", "mode", "the mode that failed. Say how it failed"),
            ("v1,2016-01-01,40000,pump,,failed,pump-leek", "mode", "'pump-leek' is not one. Did you mean pump-leak"),
            ("v1,2016-01-01,40000,pump,,failed,cooler-split", "mode", "a mode of pump. 'cooler-split' is not one"),
            ("v1,2016-01-01,40000,pump,,failed,pump-noise", "mode", "a mode that variant standard can have"),
            ("v1,2016-01-01,40000,pump,,,pump-leak", "mode", "only where it is failed, good, cleaned or repaired"),
            ("v1,2016-01-01,40000,pump,,,,replaced", "action", "renewed, cleaned, repaired or nothing"),
            ("v1,2016-01-01,40000,pump,,,,repaired", "mode", "the mode that was repaired"),
            ("v1,2016-01-01,40000,pump,,,,cleaned", "action", "No clean of the book is for it"),
            ("v1,2016-01-01,40000,cooler,,,cooler-split,cleaned", "action", "No clean of the book restores"),
            ("v1,2016-01-01,40000,injector,1,,injector-drip,cleaned", "action", "No clean of the book restores"),
            ("v1,2016-01-01,40000,pump,,,,renewed,D", "revision", "a revision of pump. 'D' is not one"),
            ("v1,2016-01-01,40000,pump,,,,,B", "revision", "nothing here unless the action is renewed"),
            ("v1,2016-01-01,40000,pump,,,,renewed,,cheap", "grade", "It reads 'cheap'"),
            ("v1,2016-01-01,40000,pump,,,,,,economy", "grade", "nothing here unless the action is renewed"),
        ],
    )  # fmt: skip
    def test_each_problem_names_line_field_expectation_and_mend(
        self, give: Give, store: Store, row: str, field: str, says: str
    ) -> None:
        before = content(store)
        line, found, message = one(give, row)
        assert (line, found) == (2, field)
        assert says in message
        assert message.startswith(f"{store.path.parent / 'lines.csv'}:2: {field}: expected ")
        assert content(store) == before

    def test_a_unit_that_this_book_cannot_convert(self, give: Give) -> None:
        assert (
            "km, miles or nothing. It reads 'hours'"
            in one(give, "v1,2016-01-01,400,hours", "vehicle,date,odometer,unit")[2]
        )

    @pytest.mark.parametrize(
        ("row", "field", "says"),
        [
            ("v1,2016-01-01,40000,rail-presure,1", "reading", "Did you mean rail-pressure"),
            ("v1,2016-01-01,40000,wet-front,1", "reading", "'wet-front' is not one"),
            ("v1,2016-01-01,40000,rail-pressure,high", "value", "a number. It reads 'high'"),
            ("v1,2016-01-01,40000,rail-pressure,inf", "value", "a number. It reads 'inf'"),
            ("v1,2016-01-01,40000,rail-pressure,", "value", "It is empty"),
        ],
    )  # fmt: skip
    def test_readings(self, give: Give, row: str, field: str, says: str) -> None:
        line, found, message = one(give, row, "vehicle,date,odometer,reading,value")
        assert (line, found) == (2, field)
        assert says in message

    def test_an_odometer_that_falls_within_the_file(self, give: Give) -> None:
        problems = refusal(
            give,
            "vehicle,date,odometer\nv1,2018-01-01,30000\nv1,2017-01-01,40000\nv2,2018-01-01,10\nv1,2017-01-01,39000\n",
        )
        assert [(line, field) for line, field, _ in problems] == [(2, "odometer")]
        assert "It falls to 30000 km on 2018-01-01 from 40000 km. Correct whichever is wrong." in problems[0][2]

    def test_an_odometer_that_falls_against_the_store_either_way(self, give: Give, store: Store) -> None:
        give("lines.csv", "vehicle,date,odometer\nv1,2017-01-01,40000\n")
        before = content(store)
        assert "It falls to 39999 km" in one(give, "v1,2018-01-01,39999")[2]
        assert "It reads 40001 km on 2016-01-01; the store has 40000 km later" in one(give, "v1,2016-01-01,40001")[2]
        assert content(store) == before

    def test_the_same_day_may_have_two_odometers(self, give: Give) -> None:
        assert give("lines.csv", "vehicle,date,odometer\nv1,2017-01-01,40000\nv1,2017-01-01,39000\n").stored == 2

    def test_original_after_a_renewal_contradicts_itself(self, give: Give) -> None:
        give("lines.csv", f"{HEAD}\nv1,2016-01-01,40000,injector,all,,,renewed,,\n")
        assert (
            "a unit that was not renewed before. It was renewed on 2016-01-01"
            in one(give, "v1,2017-01-01,50000,injector,2,original")[2]
        )

    @pytest.mark.parametrize(
        ("earlier", "row", "fitted"),
        [
            ("", "v3,2021-01-01,30000,pump,,failed,pump-crack", "C"),  # built in 2019, records from new
            ("v1,2016-01-01,40000,pump,,,,renewed,", "v1,2017-01-01,50000,pump,,failed,pump-crack", "B"),
            ("v3,2020-01-01,20000,pump,,,,renewed,A", "v3,2021-01-01,30000,pump,,failed,pump-noise", "A"),
        ],
    )  # fmt: skip
    def test_a_mode_that_the_fitted_revision_cannot_have(self, give: Give, earlier: str, row: str, fitted: str) -> None:
        if earlier:
            give("earlier.csv", f"{HEAD}\n{earlier},\n")
        line, field, message = one(give, row)
        assert (line, field) == (2, "mode")
        assert f"a mode that revision {fitted} of pump can have" in message

    @pytest.mark.parametrize(
        ("earlier", "row"),
        [
            ("", "v1,2017-01-01,50000,pump,,failed,pump-crack"),  # built in 2014, level A
            ("", "v2,2017-01-01,50000,pump,,failed,pump-crack"),  # what was fitted then nobody knows
            ("v3,2021-01-01,30000,pump,,,,renewed,A", "v3,2021-02-01,30000,pump,,failed,pump-crack"),
            ("v1,2017-01-01,50000,pump,,,,renewed,", "v1,2017-01-01,50000,pump,,failed,pump-crack"),  # the old one
        ],
    )  # fmt: skip
    def test_a_mode_that_the_fitted_revision_can_have_or_may_have(self, give: Give, earlier: str, row: str) -> None:
        if earlier:
            give("earlier.csv", f"{HEAD}\n{earlier},\n")
        assert give("lines.csv", f"{HEAD}\n{row},,,\n").stored == 1

    def test_all_problems_at_once_in_the_order_of_the_file(self, give: Give) -> None:
        problems = refusal(give, f"{HEAD}\nv8,x,-1,,,,,,,\nv1,2016-01-01,5,,,,,,,\nv1,2017-01-01,9,pomp,,bad,,,,\n")
        assert [(line, field) for line, field, _ in problems] == [
            (2, "vehicle"), (2, "date"), (2, "odometer"), (4, "component"), (4, "finding"),
        ]  # fmt: skip

    def test_every_place_is_kept_and_the_first_fifty_are_shown(self, give: Give) -> None:
        with pytest.raises(RecordsErrors) as caught:
            give("lines.csv", "vehicle,date,odometer\n" + "v9,2016-01-01,1\n" * 1_060)
        assert [error.args[1] for error in caught.value.errors] == list(range(2, 1_062))
        *shown, last = str(caught.value).splitlines()
        assert len(shown) == 50
        assert last == "… and 1,010 more like these."


class TestVehicles:
    def test_unknown_variant_bad_date_and_unknown_history(self, give: Give) -> None:
        problems = refusal(
            give,
            "vehicle,variant,built,history\na,standart,2016-01-01,\nb,strong,2016,\nc,strong,2025-01-01,\nd,strong,2016-01-01,all\n",
        )
        assert [(line, field) for line, field, _ in problems] == [
            (2, "variant"),
            (3, "built"),
            (4, "built"),
            (5, "history"),
        ]
        assert "Did you mean standard" in problems[0][2]

    def test_a_year_before_any_engine_of_this_kind(self, give: Give) -> None:
        problems = refusal(give, "vehicle,variant,built\na,strong,0016-01-01\nb,strong,0000-01-01\n")
        assert [(line, field) for line, field, _ in problems] == [(2, "built"), (3, "built")]
        assert "expected a date from 1900 on. It reads '0016-01-01'." in problems[0][2]

    def test_different_facts_within_a_file_and_against_the_store(self, give: Give, store: Store) -> None:
        head = "vehicle,variant,built\n"
        (problem,) = refusal(give, f"{head}a,strong,2016-01-01\na,strong,2016-01-01\na,standard,2016-01-01\n")
        assert problem[:2] == (4, "vehicle")
        assert "on line 2. Which is right?" in problem[2]
        taken = give("vehicles.csv", f"{head}a,strong,2016-01-01\na,strong,2016-01-01\n")
        assert (taken.read, taken.stored, summary(store).vehicles) == (2, 2, 1)
        (problem,) = refusal(give, f"{head}a,strong,2016-01-02\n")
        assert "before, in the store. Which is right?" in problem[2]
        assert give("more.csv", f"{head}a,strong,2016-01-01\nb,strong,2016-01-01\n").known == 1

    def test_history_left_empty_is_unknown(self, give: Give, store: Store) -> None:
        give("vehicles.csv", "vehicle,variant,built,history,duty\na,strong,2016-01-01,,delivery\n")
        assert store.connection.execute("SELECT history, duty FROM vehicles").fetchall() == [("unknown", "delivery")]


@pytest.mark.usefixtures("fleet")
class TestFileAsAWhole:
    @pytest.mark.parametrize(
        ("name", "text", "says"),
        [
            ("lines.csv", "", "The file is empty (0 bytes)"),
            ("lines.parquet", "", "The file is empty (0 bytes)"),
            ("lines.csv", "\n\n", "There is none"),
            ("lines.csv", HEAD + "\n", "at least a header and one record"),
            ("lines.parquet", "PAR1 not really PAR1", "It cannot be read as one"),
            ("lines.txt", GOOD, "a name ending in .csv or .parquet"),
            ("lines.csv", SHORT.encode() + b"v\xe9,2016-01-01,1\n", "lines.csv:3: file: expected text in UTF-8"),
            ("lines.csv", SHORT + '"v2,2016-01-01,1\n', "lines.csv:3: file: expected comma-separated values"),
            ("lines.csv", "vehicle,date,odometer\rv1,2016-01-01,1\r", "cannot be read: new-line character"),
        ],
    )  # fmt: skip
    def test_a_file_that_cannot_be_read(
        self, give: Give, store: Store, name: str, text: str | bytes, says: str
    ) -> None:
        before = content(store)
        (problem,) = refusal(give, text, name)
        assert says in problem[2]
        assert content(store) == before

    def test_no_file_and_a_folder(self, store: Store, book: Book, tmp_path: Path) -> None:
        with pytest.raises(RecordsError, match="No such file"):
            take(store, book, tmp_path / "nothing.csv", today=TODAY)
        (tmp_path / "folder.csv").mkdir()
        with pytest.raises(RecordsError, match="This is a folder"):
            take(store, book, tmp_path / "folder.csv", today=TODAY)

    def test_a_missing_column_names_those_found_and_the_nearest(self, give: Give) -> None:
        problems = refusal(give, "vehicle,date,odometr\nv1,2016-01-01,1\n")
        assert problems[0][1] == "odometer"
        assert "The columns are vehicle, date, odometr. Is 'odometr' meant?" in problems[0][2]

    def test_a_column_that_is_not_known_is_never_passed_over(self, give: Give) -> None:
        problems = refusal(give, "vehicle,date,odometer,componnent\nv1,2016-01-01,1,pump\n")
        assert [(line, field) for line, field, _ in problems] == [(1, "componnent")]
        assert "Is 'component' meant?" in problems[0][2]

    def test_a_header_in_capitals_under_remarks(self, give: Give) -> None:
        problems = refusal(give, "# from the office\n\nVEHICLE,date,ODOMETER\nv1,2016-01-01,1\n")
        assert [line for line, *_ in problems] == [3] * 4
        assert "Is 'VEHICLE' meant?" in problems[0][2]
        assert "Is 'odometer' meant?" in problems[3][2]

    def test_a_column_without_a_name(self, give: Give) -> None:
        (problem,) = refusal(give, "vehicle,date,odometer,\nv1,2016-01-01,1,\n")
        assert problem[:2] == (1, "column 4")
        assert "a name in the header" in problem[2]

    @pytest.mark.parametrize(("mark", "called"), [(";", "semicolons"), ("\t", "tabs")])
    def test_columns_that_are_not_separated_by_commas(self, give: Give, mark: str, called: str) -> None:
        (problem,) = refusal(give, SHORT.replace(",", mark))
        assert f"expected commas between the columns. They stand between {called}" in problem[2]

    def test_a_column_named_twice(self, give: Give) -> None:
        assert "each column once" in refusal(give, "vehicle,date,odometer,odometer\nv1,2016-01-01,1,2\n")[0][2]

    def test_ragged_records_have_their_physical_line(self, give: Give) -> None:
        """After a quoted line break and a blank line, records and lines are no longer in step."""
        text = 'vehicle,date,odometer,text\nv1,2016-01-01,1,"two\nlines"\n\n'
        text += "v1,2016-01-02,2\nv1,2016-01-03,3,a,b\nv1,x,4,\n"
        problems = refusal(give, text)
        assert [(line, field) for line, field, _ in problems] == [(5, "record"), (6, "record"), (7, "date")]
        assert "as many cells as the header. It has 3 cells: v1,2016-01-02,2." in problems[0][2]

    def test_rows_of_parquet_are_counted_from_one(self, give: Give) -> None:
        table = pa.table({"vehicle": ["v1", "v1"], "date": ["2016-01-01", "x"], "odometer": [1.0, None]})
        problems = refusal(give, parquet(table), "lines.parquet")
        assert [(line, field) for line, field, _ in problems] == [(2, "date"), (2, "odometer")]

    def test_a_column_of_lists_is_refused(self, give: Give) -> None:
        table = pa.table({"vehicle": ["v1"], "date": ["2016-01-01"], "odometer": [[1.0]]})
        assert "a column of text, numbers or dates" in refusal(give, parquet(table), "lines.parquet")[0][2]

    def test_a_crash_in_the_middle_leaves_the_store_as_it_was(
        self, give: Give, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before = content(store)

        def crash(*_: object) -> None:
            raise RuntimeError("power cut")

        monkeypatch.setattr(intake_module, "_quarantine", crash)  # after the lines were brought in
        with pytest.raises(RuntimeError, match="power cut"):
            give("lines.csv", GOOD)
        assert content(store) == before
        monkeypatch.undo()
        assert give("lines.csv", GOOD).stored == 5


@pytest.mark.usefixtures("fleet")
class TestQuarantine:
    MIXED = (
        f"{HEAD}\nv1,2016-01-01,40000,pump,,failed,pump-leak,renewed,,\nv1,2017-01-01,-1,pomp,,,,,,\nv1,2018-01-01\n"
    )

    def test_read_is_stored_and_quarantined(self, give: Give, store: Store) -> None:
        taken = give("lines.csv", self.MIXED, quarantine=True)
        assert (taken.read, taken.stored, taken.quarantined) == (3, 1, 2)
        found = summary(store)
        assert (found.lines, found.visits) == (1, 1)
        assert [(row.line, row.file.endswith("lines.csv")) for row in found.quarantine] == [(3, True), (4, True)]
        assert "odometer: expected a number" in found.quarantine[0].reason
        assert "component: expected a component of the book" in found.quarantine[0].reason
        assert '"component":"pomp"' in found.quarantine[0].record
        assert "2 cells: v1,2018-01-01" in found.quarantine[1].reason

    def test_without_it_the_same_file_is_refused_as_a_whole(self, give: Give, store: Store) -> None:
        before = content(store)
        assert {line for line, *_ in refusal(give, self.MIXED)} == {3, 4}
        assert content(store) == before

    def test_a_file_is_tried_again_once_the_book_knows_more(
        self, give: Give, store: Store, book: Book, tmp_path: Path
    ) -> None:
        give(
            "lines.csv", f"{HEAD}\nv1,2016-01-01,40000,,,,,,,\nv1,2017-01-01,50000,pomp,,,,renewed,,\n", quarantine=True
        )
        wider = book.model_copy(update={"components": book.components | {"pomp": book.components["cooler"]}})
        again = take(store, wider, tmp_path / "lines.csv", today=TODAY, quarantine=True)
        assert (again.read, again.stored, again.quarantined, again.known) == (2, 2, 0, 1)
        found = summary(store)
        assert (found.lines, found.quarantine, len(found.intakes)) == (2, (), 2)
