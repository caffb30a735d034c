"""The due list as a sheet and as tables for an office."""

import csv
import zipfile
from dataclasses import replace
from datetime import date
from io import StringIO

import pytest

from wearlore.answers.due import DueItem, DueList, DueVehicle
from wearlore.errors import OutputError
from wearlore.estimate import Estimate
from wearlore.report.charts import due_drawings
from wearlore.report.due import due_list, scope_in_words
from wearlore.report.due_files import cells, columns, harmless, save_xlsx, to_csv
from wearlore.report.page import to_html
from wearlore.report.plain import to_text
from wearlore.report.sheet import Table
from wearlore.units import Units

ITEMS = (
    DueItem("water-pump", "pump", "Pump", "original", "open fault", 10.0),
    DueItem("belt", "belt", "Belt", "original", "goes with it", 5.0),
    *(DueItem(f"glow-plug/{k}", "plug", "Glow plug", "economy", "pays alone", 40.0 - k) for k in (1, 2, 3, 4)),
)
ROW = DueVehicle(
    1, "V1", "m96", date(2024, 3, 1), 150_000.0, 12_000.0, 162_000.0, ("pump-leak",), False, ITEMS,
    500.0, 2_000.0, 700.0, Estimate(800.0, 600.0, 1_000.0, 0.95), 0.4, 0.9, 0.01, 0.05,
)  # fmt: skip
LIST = DueList(
    "Small", "saving", (ROW,), 7, 5, 2, 18.0, date(2024, 12, 31), Estimate(900.0, 500.0, 1_300.0, 0.95),
    100_000.0, 20_000.0, ("odd-mode",),
)  # fmt: skip


def test_the_sheet_says_whom_what_and_how_sure():
    sheet = due_list(LIST, Units(), date(2025, 1, 1))
    text = to_text(sheet, 118)
    for said in ("7 vehicles weighed, of which 5", "2 not seen within 18 months before 2024-12-31", "odd-mode"):
        assert said in text
    (table,) = (block for block in sheet.blocks if isinstance(block, Table))
    assert table.rows[0][2] == "open: water-pump; glow-plug 1+2+3+4 and 1 more"
    assert table.rows[0][4] == "800\n(600 to 1,000)"
    assert "saves EUR 900 (500 to 1,300)" in text


def test_distances_are_in_the_units_shown():
    assert "100,662" in to_text(due_list(LIST, Units("miles"), date(2025, 1, 1)), 118)
    assert cells(ROW, Units("miles"))[5] == 100_662
    assert any("(miles)" in header for header, _ in columns(Units("miles")))


def test_the_scope_is_told_whole_by_its_reasons():
    assert scope_in_words(ROW) == "open fault: water-pump; goes with it: belt; pays alone: glow-plug 1+2+3+4"
    assert scope_in_words(replace(ROW, items=())) == "nothing"


def test_the_page_holds_the_chart_and_escapes_what_records_hold():
    odd = replace(LIST, rows=(replace(ROW, vehicle="<b>V1"),))
    page = to_html([due_list(odd, Units(), date(2025, 1, 1))])
    assert "<b>V1" not in page
    (drawing,) = due_drawings(LIST, Units())
    assert drawing.name == "due"
    assert due_drawings(replace(LIST, rows=()), Units()) == ()


@pytest.mark.parametrize("evil", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_text_that_begins_like_a_formula_stays_text(evil, tmp_path):
    row = replace(ROW, vehicle=evil, faults=(evil,))
    written = list(csv.reader(StringIO(to_csv([row], Units()).decode("utf-8-sig"), newline="")))
    assert written[1][1] == f"'{evil}"
    assert written[1][6].startswith("'")
    save_xlsx([row], Units(), tmp_path / "due.xlsx")
    with zipfile.ZipFile(tmp_path / "due.xlsx") as book:
        assert b"<f>" not in book.read("xl/worksheets/sheet1.xml")


def test_numbers_below_nothing_are_numbers():
    assert harmless(-3.5) == -3.5
    assert harmless("plain") == "plain"


def test_a_file_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        save_xlsx([ROW], Units(), tmp_path / "file" / "due.xlsx")
