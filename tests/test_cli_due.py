"""``wearlore due``: the list, its files, and what it refuses."""

import csv
import json
import re
import zipfile
from datetime import date

import pytest

from wearlore import cli


@pytest.fixture(scope="module")
def written(demo_folder, tmp_path_factory):
    """The list of one variant, as a table for an office in both forms, and as JSON."""
    folder = tmp_path_factory.mktemp("due")
    files = ["--csv", str(folder / "new" / "due.csv"), "--xlsx", str(folder / "new" / "due.xlsx")]
    assert cli.run(["due", "--in", str(demo_folder), "--variant", "m118", *files]) == 0
    return folder / "new"


def test_the_csv_holds_every_vehicle_with_dates_numbers_and_names(written):
    with (written / "due.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 50
    assert [int(row["Rank"]) for row in rows] == list(range(1, len(rows) + 1))
    assert {row["Variant"] for row in rows} == {"m118"}
    savings = [float(row["Saving (EUR)"]) for row in rows]
    assert savings == sorted(savings, reverse=True)
    for row in rows:
        date.fromisoformat(row["Last visit"])
        now, left, done = (float(row[f"Cost {name} (EUR)"]) for name in ("now", "later if left", "later if done"))
        assert left - done - now == pytest.approx(float(row["Saving (EUR)"]), abs=0.03)
        assert bool(row["Do (unit=remedy:grade)"]) == (row["Do"] != "nothing")


def test_the_workbook_holds_the_same_vehicles(written):
    with zipfile.ZipFile(written / "due.xlsx") as book:
        sheet = book.read("xl/worksheets/sheet1.xml").decode()
    with (written / "due.csv").open(encoding="utf-8-sig", newline="") as file:
        vehicles = [row["Vehicle"] for row in csv.DictReader(file)]
    assert len(re.findall(r"<row ", sheet)) == len(vehicles) + 1
    assert "<f>" not in sheet
    assert all(f"<t>{vehicle}</t>" in sheet for vehicle in vehicles)


@pytest.mark.slow
def test_json_says_what_the_list_says(demo_folder, capsys):
    assert cli.run(["due", "--in", str(demo_folder), "--top", "3", "--by", "risk", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["by"] == "risk"
    assert [row["rank"] for row in told["rows"]] == [1, 2, 3]
    assert told["rows"][0]["stops_soon"] >= told["rows"][1]["stops_soon"] >= told["rows"][2]["stops_soon"]


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (["--variant", "m69"], "no variant is called 'm69'"),
        (["--top", "0"], "--top 0 shows nothing"),
        (["--months", "-1"], "must be above 0"),
    ],
)
def test_what_makes_no_sense_is_refused(demo_folder, capsys, wrong, said):
    assert cli.run(["due", "--in", str(demo_folder), *wrong]) == 2
    assert said in capsys.readouterr().err


def test_an_empty_store_is_told_apart(demo_folder, tmp_path, capsys):
    (tmp_path / "book").symlink_to(demo_folder / "book")
    assert cli.run(["due", "--in", str(tmp_path)]) == 2
    assert "there is no store" in capsys.readouterr().err
    assert cli.run(["records", "list", "--in", str(tmp_path)]) == 2
