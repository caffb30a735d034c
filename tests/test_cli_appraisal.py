"""The command that appraises a vehicle: what it says, how findings move it, what it refuses, what it writes."""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path

import pytest
from pypdf import PdfReader
from ruamel.yaml import YAML

from tests.trace.family import WHOLE
from wearlore import cli
from wearlore.errors import RecordsError, RecordsErrors
from wearlore.units import Units, significant
from wearlore.workbench.market import sales

TODAY = date(2026, 11, 26)
VEHICLES = "vehicle,variant,built,history\nv1,a,2016-05-01,complete\n"
LINES = "vehicle,date,odometer,component,action\nv1,2020-01-01,80000,,\nv1,2024-01-01,110000,,\n"
BELIEF = {
    "quantiles": [
        {"share": 0.1, "at": 60000, "between": [40000, 90000]},
        {"share": 0.5, "at": 150000, "between": [110000, 200000]},
    ]
}
VAN = ("--variant", "a", "--built", "2021-05-01", "--odometer", "40000")


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """The small family with judgement of every mode, and one vehicle."""
    folder = tmp_path_factory.mktemp("appraisal") / "shop"
    folder.mkdir()
    book = {**WHOLE, "modes": {id_: {**mode, "belief": BELIEF} for id_, mode in WHOLE["modes"].items()}}
    with (folder / "book.yaml").open("w", encoding="utf-8") as file:
        YAML().dump(book, file)
    (folder / "vehicles.csv").write_text(VEHICLES)
    (folder / "lines.csv").write_text(LINES)
    files = [str(folder / "vehicles.csv"), str(folder / "lines.csv")]
    assert cli.run(["records", "load", *files, "--in", str(folder)]) == 0
    return folder


@pytest.fixture
def said(capsys, monkeypatch, shop):
    """Runs the command in the shop, over few ages; gives its exit code, what it printed and complained of."""
    monkeypatch.setattr("wearlore.appraisal.ages.SETS", 2)

    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.run(["appraise", *map(str, arguments), "--in", str(shop)])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return run


def told(said, *arguments):
    code, printed, complaint = said(*VAN, *arguments, "--json")
    assert code == 0, complaint
    return json.loads(printed)


def test_it_answers_in_words_and_as_json_with_the_same_prices(said):
    asked = (*VAN, "--price", 3000, "--comparable-price", 3500)
    code, text, _ = said(*asked)
    assert code == 0
    even = json.loads(said(*asked, "--json")[1])["even"]
    words = " ".join(text.split())
    top = significant(even["even"]["value"])
    assert f"Walk away above EUR {top:,.0f}" in words
    assert f"chance of {100 * even['sure']:.0f} %" in words
    assert "Caution: no vehicle on record" not in words


def test_the_same_question_has_the_same_answer(said):
    asked = ("--price", 3000, "--comparable-price", 3500)
    assert told(said, *asked) == told(said, *asked)


def test_a_fault_found_lowers_the_price_and_one_ruled_out_raises_it(said):
    asked = ("--price", 3000, "--comparable-price", 3500)
    plain, ill, good = (told(said, *asked, *more) for more in ((), ("--found", "stone"), ("--good", "stone")))
    assert ill["even"]["even"]["value"] < plain["even"]["even"]["value"] < good["even"]["even"]["value"]
    assert ill["standard"]["cost"] > plain["standard"]["cost"]
    (stone,) = (fault for fault in ill["faults"] if fault["cause"] == "stone")
    assert stone["chance"] == pytest.approx(1)
    fell = plain["even"]["even"]["value"] - ill["even"]["even"]["value"]
    (before,) = (fault for fault in plain["faults"] if fault["cause"] == "stone")
    assert fell == pytest.approx(before["cost"] - 200, rel=0.1)  # found, it no longer brings what comes of it: 200


def test_what_was_looked_at_leaves_the_list(said):
    asked = ("--price", 3000, "--comparable-price", 3500)
    assert {look["inspection"] for look in told(said, *asked)["looks"]} == {"glance", "gauge"}
    seen = told(said, *asked, "--absent", "oil-top:glance", "--absent", "oil-back:glance")
    assert {look["inspection"] for look in seen["looks"]} == {"gauge"}


def test_recent_work_that_is_shown_is_worth_money(said):
    asked = ("--price", 3000, "--comparable-price", 3500, "--history", "complete")
    old, fresh = (told(said, *asked, *more) for more in ((), ("--done", "clutch@39000", "--done", "pump@39000")))
    assert fresh["even"]["even"]["value"] > old["even"]["even"]["value"]


def test_without_another_price_the_asking_price_stands_for_one_kept_well(said):
    found = told(said, "--price", 3000)
    assert (found["compared"]["source"], found["compared"]["price"]["value"]) == ("supposed", 3000)
    assert "supposed: no other price" in " ".join(said(*VAN, "--price", 3000)[1].split())


def test_a_vehicle_of_the_store_is_asked_by_its_name(said):
    code, text, _ = said("v1", "--price", 3000, "--odometer", 112000)
    assert code == 0
    assert "v1, a of 2016, 112,000 km" in text


def test_beyond_all_records_it_says_so(said):
    words = " ".join(said(*VAN[:-1], "240000", "--price", 3000)[1].split())
    assert "Caution: no vehicle on record has run further than 110,000 km" in words


def test_a_rule_that_holds_comes_first_and_takes_looks_off(said):
    code, text, _ = said(*VAN, "--price", 3000, "--saw", "lamp")
    assert code == 0
    assert text.index("DANGER") < text.index("At EUR 3,000")
    assert "not while this holds: No oil pressure: Gauge" in " ".join(text.split()).replace("Not", "not")


def test_minutes_cut_the_list(said):
    looks = told(said, "--price", 3000, "--minutes", 6)["looks"]
    assert {look["inspection"]: look["within"] for look in looks} == {"glance": True, "gauge": False}


def test_a_tool_that_is_missing_takes_its_look_off_the_list(said):
    assert "feel" not in json.dumps(told(said, "--price", 3000, "--missing-tool", "aligner")["looks"])


def test_distances_are_in_the_units_shown(said):
    miles = said(
        "--variant", "a", "--built", "2016-05-01", "--odometer", 62137.119, "--price", 3000, "--units", "us", "--json"
    )
    assert json.loads(miles[1])["km"] == pytest.approx(100_000, abs=1)


def test_papers_are_written_and_the_checklist_is_one_page(said, tmp_path):
    code, text, _ = said(*VAN, "--price", 3000, "--out", tmp_path / "papers", "--chart", tmp_path / "price.svg")
    assert code == 0
    assert "To print and take along" in text
    for stem in ("appraisal-a", "checklist-a"):
        assert {path.suffix for path in (tmp_path / "papers").glob(f"{stem}.*")} == {".html", ".pdf", ".txt"}
    assert len(PdfReader(tmp_path / "papers" / "checklist-a.pdf").pages) == 1
    assert "<svg" in (tmp_path / "price.svg").read_text()
    assert (tmp_path / "papers" / "appraisal-a-price.svg").exists()


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--price", "3000"), "Give --variant, --built, --odometer"),
        ((*VAN[:4], "--price", "3000"), "Give --odometer"),
        (("v1", "--variant", "a", "--price", "3000"), "v1 is a vehicle of the store"),
        (("v9", "--price", "3000"), "no vehicle is called 'v9'"),
        (("v1", "--odometer", "90000", "--price", "3000"), "at least 110,000 km"),
        ((*VAN, "--price", "-3000"), "the price is -3000. It must be above 0"),
        ((*VAN, "--price", "nan"), "the price is nan"),
        ((*VAN, "--price", "3000", "--comparable-price", "0"), "one to compare with is 0"),
        ((*VAN, "--price", "3000", "--minutes", "-1"), "the time is -1"),
        ((*VAN, "--price", "3000", "--horizon", "0"), "horizon is 0"),
        ((*VAN, "--price", "3000", "--per-year", "-5"), "per year is -5"),
        (("--variant", "x", *VAN[2:], "--price", "3000"), "no variant is called 'x'"),
        ((*VAN[:3], "2021", *VAN[4:], "--price", "3000"), "--built 2021 is no date"),
        ((*VAN[:3], "2999-01-01", *VAN[4:], "--price", "3000"), "lies after today"),
        ((*VAN[:5], "-7", "--price", "3000"), "an odometer does not read -7"),
        ((*VAN, "--price", "3000", "--done", "pump"), "done pump says no odometer"),
        ((*VAN, "--price", "3000", "--done", "pump@far"), "done pump@far says no odometer"),
        ((*VAN, "--price", "3000", "--done", "pump@40001"), "not beyond the one now"),
        ((*VAN, "--price", "3000", "--done", "pum@5"), "no component is called 'pum'"),
        ((*VAN, "--price", "3000", "--saw", "moon"), "no observation is called 'moon'"),
        ((*VAN, "--price", "3000", "--market", "m.csv", "--comparable-price", "9"), "Give one of the two"),
        ((*VAN, "--price", "3000", "--market", "nowhere.csv"), "nowhere.csv: file: expected a file that can be read"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_what_was_expected(said, arguments, complaint):
    code, printed, error = said(*arguments)
    assert code == 2
    assert complaint in " ".join(error.split())
    assert "Traceback" not in error
    assert not printed


# ----------------------------------------------------------------------------------------------------------- the market
def market(folder: Path, text: str) -> Path:
    path = folder / "market.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_prices_of_the_market_set_the_price_compared_with(said, tmp_path):
    rows = "".join(f"{6000 - 300 * k},{4 + k},{60000 + 9000 * ((3 * k) % 8)}\n" for k in range(9))
    path = market(tmp_path, f"# asked in May\nprice,age,odometer\n{rows}")
    found = told(said, "--price", 3000, "--market", path)
    compared = found["compared"]
    assert compared["source"] == "market"
    assert compared["price"]["low"] < compared["price"]["value"] < compared["price"]["high"]
    assert compared["single"]["low"] < compared["price"]["low"]
    assert compared["market"]["sales"] == 9
    words = " ".join(said(*VAN, "--price", 3000, "--market", path)[1].split())
    assert re.search(r"9 prices of the market: \d+\.\d % less a year", words)


def test_years_and_units_are_taken_as_they_are_meant(tmp_path):
    path = market(tmp_path, "Price, Year ,Odometer,unit\n5000,2020,50000,miles\n4000,2018,90000,\n")
    one, two = sales(path, Units(), TODAY)
    assert (one.price, one.km) == (5000, pytest.approx(50_000 * 1.609344))
    assert one.age == pytest.approx(6.4, abs=0.01)
    assert two.km == 90_000


def test_every_bad_line_is_named(tmp_path):
    path = market(tmp_path, "price,age,odometer\n5000,3,50000\n-1,3,50000\n5000,x,-3\n5000,3\n\n5000,3,inf\n")
    with pytest.raises(RecordsErrors) as caught:
        sales(path, Units(), TODAY)
    assert [(error.args[1], error.args[2]) for error in caught.value.errors] == [
        (3, "price"), (4, "age"), (4, "odometer"), (5, "line"), (7, "odometer"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "a header and prices"),
        ("price,odometer\n1,2\n", "a column age (years) or a column year"),
        ("price,age,year,odometer\n1,2,2020,3\n", "one of the two"),
        ("age,odometer\n1,2\n", "price: expected this column"),
        ("price,age,odometer,colour\n1,2,3,red\n", "colour: expected only columns"),
        ("price,age,odometer,price\n1,2,3,4\n", "price: expected each column once"),
        ("price,year,odometer\n1,1800,3\n", "year: expected a year from 1885 to 2026"),
        ("price,year,odometer\n1,2030,3\n", "year: expected a year from 1885 to 2026"),
        ("price,age,odometer,unit\n1,2,3,furlong\n", "unit: expected km or miles"),
        ('price,age,odometer\n1,"2,3\n', "comma-separated values"),
    ],
)
def test_a_file_of_prices_that_cannot_be_taken(tmp_path, text, said):
    with pytest.raises((RecordsErrors, RecordsError)) as caught:
        sales(market(tmp_path, text), Units(), TODAY)
    assert said in str(caught.value)


def test_text_that_is_not_utf_8_is_named_by_its_line(tmp_path):
    path = tmp_path / "market.csv"
    path.write_bytes(b"price,age,odometer\n1,2,3\n1,2,\xff\n")
    with pytest.raises(RecordsError, match=":3: file: expected text in UTF-8"):
        sales(path, Units(), TODAY)
