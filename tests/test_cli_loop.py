"""The commands that close the loop: what was found, and whether what was said can be trusted."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from wearlore import cli
from wearlore.records.predictions import Prediction, keep
from wearlore.records.store import Store

VEHICLES = "vehicle,variant,built,history\nv1,standard,2014-05-01,complete\n"
LEAK = Prediction("pump", "", "pump-leak", 0.65, True)
SPLIT = Prediction("cooler", "rear", "cooler-split", 0.1, True)


@pytest.fixture
def said(capsys):
    """Runs a command; gives its exit code, what it printed and what it complained of."""

    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.run([str(argument) for argument in arguments])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return run


@pytest.fixture
def shop(tmp_path, said) -> Path:
    folder = tmp_path / "shop"
    folder.mkdir()
    book = Path(__file__).parent / "records" / "small-book.yaml"
    (folder / "book.yaml").write_text(book.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "vehicles.csv").write_text(VEHICLES)
    assert said("records", "load", tmp_path / "vehicles.csv", "--in", folder)[0] == 0
    return folder


@pytest.fixture
def predicted(shop) -> Path:
    """Two chances stated of v1 at 100,000 km."""
    with Store.open(shop / "records.duckdb") as store:
        keep(store, vehicle="v1", date=date(2024, 1, 10), km=100_000.0, rows=[LEAK, SPLIT])
    return shop


def test_found_says_where_it_went_and_twice_that_nothing_changed(said, shop):
    arguments = (
        "found", "v1", "--confirmed", "pump-leak", "--refuted", "cooler-split", "--odometer", 100_010, "--in", shop,
    )  # fmt: skip
    code, text, _ = said(*arguments, "--note", "wet")
    (file,) = (shop / "found").iterdir()
    assert (code, text) == (0, f"v1 at 100,010 km: 2 findings on record, in {file}.\n")
    assert file.read_text().splitlines()[1].endswith(",100010,km,pump,,failed,pump-leak,wet")
    code, text, _ = said(*arguments, "--note", "wet")
    assert (code, text) == (0, f"v1: that was found before, in {file}; nothing changed.\n")


def test_found_takes_the_odometer_in_the_units_shown(said, shop):
    code, text, _ = said(
        "found", "v1", "--refuted", "pump-leak", "--odometer", 10_000, "--units", "uk", "--in", shop, "--json"
    )
    assert (code, json.loads(text)["stored"]) == (0, 1)
    with Store.open(shop / "records.duckdb", read_only=True) as store:
        assert store.connection.execute("SELECT km, finding FROM lines").fetchall() == [(16_093.44, "good")]


@pytest.mark.parametrize(
    ("arguments", "said_"),
    [
        (["--confirmed", "pump-leek", "--odometer", "1"], "no mode is called 'pump-leek'"),
        (["--odometer", "1"], "nothing was found"),
        (["--confirmed", "pump-leak", "--odometer", "-5"], "found on v1: odometer: expected a number of km or miles"),
        (["--confirmed", "pump-leak"], "odometer"),
    ],
)
def test_found_ends_with_2_and_leaves_nothing(said, shop, arguments, said_):
    code, text, complaint = said("found", "v1", *arguments, "--in", shop)
    assert (code, text) == (2, "")
    assert said_ in complaint
    assert "Traceback" not in complaint
    assert not list((shop / "found").glob("*"))


def test_without_a_trace_calibration_says_what_to_do_and_draws_nothing(said, shop, tmp_path):
    code, text, _ = said("calibration", "--chart", tmp_path / "chart.svg", "--out", tmp_path / "pages", "--in", shop)
    assert code == 0
    assert "nothing to compare and nothing to draw" in text
    assert "wearlore found VEHICLE" in text
    assert not (tmp_path / "chart.svg").exists()
    assert sorted(path.name for path in (tmp_path / "pages").iterdir()) == [
        "calibration.html", "calibration.pdf", "calibration.txt",
    ]  # fmt: skip


def test_with_nothing_found_calibration_counts_what_is_open(said, predicted):
    code, text, _ = said("calibration", "--in", predicted)
    assert code == 0
    assert "Nothing can be compared and drawn yet: 2 chances of 1 trace kept" in text


def test_calibration_compares_what_was_said_with_what_was_found(said, predicted, tmp_path):
    said(
        "found", "v1", "--confirmed", "pump-leak", "--refuted", "cooler-split", "--odometer", 100_010, "--in", predicted
    )
    chart, pages = tmp_path / "chart.png", tmp_path / "pages"
    code, text, _ = said("calibration", "--chart", chart, "--dark", "--out", pages, "--in", predicted)
    assert code == 0
    assert "Of 1 cause given 60 to 70 %, 100 % was there" in text
    assert "Written: " in text
    assert chart.stat().st_size > 10_000
    assert (pages / "calibration-reliability.svg").exists()
    assert "<svg" in (pages / "calibration.html").read_text()


def test_calibration_as_json_holds_the_whole_result(said, predicted):
    said("found", "v1", "--refuted", "pump-leak", "--odometer", 100_010, "--note", "dry", "--in", predicted)
    code, text, _ = said("calibration", "--json", "--in", predicted)
    told = json.loads(text)
    assert code == 0
    assert told["calibration"]["brier"]["value"] == pytest.approx(0.65**2)
    assert (told["predictions"], told["resolved"], told["open"]) == (2, 1, 1)
    (miss,) = told["misses"]
    assert (miss["cause"], miss["stated"], miss["found"], miss["text"]) == ("pump-leak", 0.65, False, "dry")
