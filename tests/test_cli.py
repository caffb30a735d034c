"""The command line: every answer as text and JSON, and bad input told once, with exit code 2 and nothing lost."""

import json
import re
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from wearlore import cli

VEHICLES = "vehicle,variant,built,history\nv1,one,2015-01-01,complete\n"
LINES = "vehicle,date,odometer,component,position,finding,mode,action\n"


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
def shop(tmp_path, said):
    """A workshop folder with the starter book and one vehicle."""
    folder = tmp_path / "shop"
    assert said("book", "new", folder / "book.yaml")[0] == 0
    book = cli_book(folder)
    variant = next(iter(book.variants))
    (tmp_path / "vehicles.csv").write_text(VEHICLES.replace("one", variant))
    assert said("records", "load", tmp_path / "vehicles.csv", "--in", folder)[0] == 0
    return folder


def cli_book(folder: Path):
    from wearlore.book import load

    return load.load(folder / "book.yaml")


def content(folder: Path) -> list:
    tables = ("vehicles", "visits", "lines", "readings", "intakes", "quarantine")
    with duckdb.connect(str(folder / "records.duckdb"), read_only=True) as store:
        return [store.execute(f"SELECT * FROM {table} ORDER BY ALL").fetchall() for table in tables]


# answers -------------------------------------------------------------------------------------------------------------


def test_lives_are_shown_soonest_first_in_the_units_asked_for(said, demo_folder):
    code, text, _ = said("lives", "--in", demo_folder, "--units", "us")
    assert code == 0
    assert "B10, miles" in text
    rows = json.loads(said("lives", "--in", demo_folder, "--json")[1])["rows"]
    values = [row["b10"]["value"] for row in rows]
    assert values == sorted(values)
    assert len(rows) >= 34
    assert all(row["b10"]["low"] < row["b10"]["value"] < row["b10"]["high"] for row in rows)


def test_one_mode_shows_its_evidence_and_draws_its_chart(said, demo_folder, tmp_path):
    code, text, _ = said(
        "lives", "chain-stretch", "--by", "revision", "--evidence", "--chart", tmp_path / "c.svg", "--in", demo_folder
    )
    assert code == 0
    assert "judgement" in text
    assert "lines.parquet:" in text
    assert "<svg" in (tmp_path / "c.svg").read_text()


def test_the_family_draws_its_wear_bands_with_a_vehicle_among_them(said, demo_folder, tmp_path):
    van = demo_van(demo_folder)
    code, text, _ = said("lives", "--vehicle", van, "--chart", tmp_path / "b.svg", "--in", demo_folder)
    assert (code, f"Written: {tmp_path / 'b.svg'}" in text) == (0, True)
    assert van in (tmp_path / "b.svg").read_text()


def test_the_page_of_a_mode_holds_every_chart_that_stands_beside_it(said, demo_folder, tmp_path):
    code, _, _ = said("lives", "cam-cover-leak", "--evidence", "--out", tmp_path, "--in", demo_folder)
    assert code == 0
    charts = {path.stem.removeprefix("cam-cover-leak-") for path in tmp_path.glob("*.svg")}
    assert charts == {"survival", "weibull-paper", "lognormal-paper", "hazard"}
    page = (tmp_path / "cam-cover-leak.html").read_text()
    assert page.count("<figure") == len(charts)
    assert (tmp_path / "cam-cover-leak.pdf").read_bytes().startswith(b"%PDF")
    assert "ON PROBABILITY PAPER" in (tmp_path / "cam-cover-leak.txt").read_text()


DEEP = (
    ("compare", "chain-stretch", "--by", "revision"), ("compare", "belt-cracks", "--while", "front-seal-leak"),
    ("economy", "water-pump"), ("repeats", "auxiliary-belt", "--by", "variant"), ("drift", "chain-phase"),
    ("compare", "relief-valve-sticks", "--by", "grade"),  # one level with hardly a failure
    ("lives", "cam-cover-leak", "--evidence"),
)  # fmt: skip


@pytest.mark.parametrize("arguments", DEEP, ids=" ".join)
def test_every_deep_answer_is_told_as_text_and_as_json_in_any_units(said, demo_folder, tmp_path, arguments):
    code, text, complaint = said(*arguments, "--in", demo_folder, "--units", "us", "--out", tmp_path)
    assert code == 0, complaint
    assert "miles" in text
    assert {".html", ".pdf", ".txt", ".svg"} <= {path.suffix for path in tmp_path.iterdir()}
    code, printed, _ = said(*arguments, "--in", demo_folder, "--json")
    assert code == 0
    assert json.loads(printed)


SHOP_RECORDS = {
    "seen once, hardly driven": ("2015-06-01,10,,,,,",),
    "one evident failure": ("2016-01-01,40000,,,,,", "2018-01-01,90000,timing-belt,,failed,timing-belt-breaks,renewed"),
    "only a hidden finding": ("2016-01-01,40000,,,,,", "2018-01-01,90000,water-pump,,failed,water-pump-seep,renewed"),
}


@pytest.mark.parametrize("story", SHOP_RECORDS)
@pytest.mark.parametrize("twins", [1, 2])
def test_a_shop_with_hardly_a_record_has_an_answer_without_raw_numbers(said, shop, tmp_path, story, twins):
    """Breaks on criteria of too few lives, a curve of no distance, classes without lives, groups seen once."""
    names = [f"w{k}" for k in range(twins)]
    vehicles = "".join(f"{name},base,2015-01-01,complete,{name}\n" for name in names)
    (tmp_path / "more.csv").write_text("vehicle,variant,built,history,duty\n" + vehicles)
    (tmp_path / "lines.csv").write_text(LINES + "".join(f"{n},{row}\n" for n in names for row in SHOP_RECORDS[story]))
    assert said("records", "load", tmp_path / "more.csv", tmp_path / "lines.csv", "--in", shop)[0] == 0
    for question in (
        ("lives", "timing-belt-breaks", "--evidence"), ("lives", "water-pump-seep", "--evidence"),
        ("economy", "water-pump"), ("repeats", "timing-belt", "--by", "duty"), ("repeats", "water-pump"),
        ("compare", "timing-belt-breaks", "--while", "front-seal-leak"),
    ):  # fmt: skip
        code, text, complaint = said(*question, "--in", shop, "--units", "us")
        assert code == 0, complaint
        assert not re.search(r"\b(nan|inf|None)\b|e[+-]\d\d|1\.0000", text)
        assert not re.search(r"─\n─", text)  # a heading without anything below it
        assert json.loads(said(*question, "--in", shop, "--json")[1])


def test_what_is_judged_alone_is_not_told_as_found_in_records(said, shop):
    text = said("economy", "water-pump", "--in", shop)[1]
    assert "by judgement more than by records" in " ".join(text.split())
    assert "no sign" not in text
    assert "judgement alone" in " ".join(said("lives", "water-pump-seep", "--in", shop)[1].split())


def test_a_step_of_a_measure_is_round_in_the_units_asked_for(said, demo_folder):
    asked = ("compare", "chain-stretch", "--by", "interval:engine-oil", "--beside", "variant", "--in", demo_folder)
    assert "10,000 km longer" in said(*asked)[1]
    assert "10,000 miles longer" in said(*asked, "--units", "us")[1]
    year = " ".join(said("compare", "chain-stretch", "--by", "per-year", "--in", demo_folder)[1].split())
    assert "the distance a year 10,000 km more" in year


def demo_van(demo_folder: Path) -> str:
    """The van that the demo's papers are about."""
    return re.search(r"V\d{5}", (demo_folder / "papers" / "job-card.txt").read_text())[0]


def test_a_visit_is_scoped_and_what_the_owner_refuses_stays_out(said, demo_folder):
    asked = ("scope", demo_van(demo_folder), "--fault", "chain-stretch", "--in", demo_folder)
    chosen = {a["unit"]: a["chosen"] for a in json.loads(said(*asked, "--json")[1])["scope"]["advice"]}
    assert chosen["timing-chain"]
    optional = next(unit for unit, done in chosen.items() if done and unit.startswith("coolant-hose"))
    after = json.loads(said(*asked, "--refuse", optional, "--json")[1])["scope"]["advice"]
    assert not next(a["chosen"] for a in after if a["unit"] == optional)


def test_a_probable_fault_counts_by_its_chance(said, demo_folder):
    van = demo_van(demo_folder)

    def asked(chance, *how):
        return said("scope", van, "--probable", f"condenser-stone={chance}", "--in", demo_folder, *how)[1]

    def condenser(chance):
        return next(a for a in json.loads(asked(chance, "--json"))["scope"]["advice"] if a["unit"] == "condenser")

    assert (condenser(0.05)["chosen"], condenser(0.95)["chosen"]) == (False, True)
    assert condenser(0.95)["chance"]["value"] > 0.95 > condenser(0.05)["chance"]["value"]
    text = asked(0.95)
    assert re.search(r"Probable\W+condenser-stone \(condenser\) 95 ?%", text)
    assert "condenser (?)" in text


def test_distances_are_read_and_shown_in_the_units_asked_for(said, demo_folder):
    van = demo_van(demo_folder)
    code, text, _ = said(
        "scope", van, "--in", demo_folder, "--units", "uk", "--horizon", "50000", "--per-year", "10000"
    )
    assert code == 0
    assert "50,000 miles at 10,000 miles a year" in text


def test_the_papers_are_written(said, demo_folder, tmp_path):
    code, text, _ = said(
        "jobcard", demo_van(demo_folder), "--fault", "chain-stretch", "--out", tmp_path / "p", "--in", demo_folder
    )
    assert code == 0
    assert "Order of work".upper() in text
    kinds = {path.name for path in (tmp_path / "p").iterdir()}
    assert kinds == {f"{name}.{kind}" for name in ("job-card", "estimate", "owner") for kind in ("html", "pdf", "txt")}


def test_the_demo_is_made_anew_but_never_over_something_else(said, tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    code, _, complaint = said("demo", "--folder", tmp_path, "--vans", "5")
    assert code == 2
    assert "holds something else" in complaint
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("records", "list"),
        ("lives",),
        ("lives", "chain-stretch", "--by", "grade"),
        ("book", "schema"),
        ("jobcard", "VAN", "--fault", "chain-stretch"),
    ],
)
def test_every_answer_is_also_json(said, demo_folder, arguments):
    words = [demo_van(demo_folder) if word == "VAN" else word for word in arguments]
    where = () if words[0] == "book" else ("--in", demo_folder)
    code, text, _ = said(*words, *where, "--json")
    assert code == 0
    assert "NaN" not in text
    json.loads(text, parse_constant=lambda constant: pytest.fail(f"{constant} is not JSON"))


# bad input ---------------------------------------------------------------------------------------------------------


def records(mark: str, rows: str) -> bytes:
    return (mark + rows).encode()


BAD_RECORDS = {
    "a missing column": (b"vehicle,odometer\nv1,1000\n", "date"),
    "a negative odometer": (records(LINES, "v1,2016-01-01,-5,,,,,\n"), "odometer"),
    "a falling odometer": (records(LINES, "v1,2016-01-01,5000,,,,,\nv1,2017-01-01,4000,,,,,\n"), "odometer"),
    "an unknown component": (records(LINES, "v1,2016-01-01,5000,warp-drive,,good,,\n"), "warp-drive"),
    "an unknown mode": (records(LINES, "v1,2016-01-01,5000,COMPONENT,,failed,gone,\n"), "gone"),
    "a date in the future": (records(LINES, "v1,2999-01-01,5000,,,,,\n"), "date"),
    "a date that is none": (records(LINES, "v1,2016-13-01,5000,,,,,\n"), "date"),
    "an empty file": (b"", "file"),
    "a header alone": (LINES.encode(), "file"),
    "text that is not UTF-8": (records(LINES, "v1,2016-01-01,5000,,,,,\n") + b"\xff\xfe", "UTF-8"),
}


@pytest.mark.parametrize("bad", BAD_RECORDS)
def test_bad_records_are_told_once_and_change_nothing(said, shop, tmp_path, bad):
    text, said_of = BAD_RECORDS[bad]
    component = next(iter(cli_book(shop).components))
    (tmp_path / "lines.csv").write_bytes(text.replace(b"COMPONENT", component.encode()))
    before = content(shop)
    code, out, complaint = said("records", "load", tmp_path / "lines.csv", "--in", shop)
    assert (code, out) == (2, "")
    assert said_of in complaint
    assert "lines.csv" in complaint
    assert "Traceback" not in complaint
    assert content(shop) == before


def test_an_empty_parquet_is_told(said, shop, tmp_path):
    (tmp_path / "lines.parquet").write_bytes(b"")
    code, _, complaint = said("records", "load", tmp_path / "lines.parquet", "--in", shop)
    assert code == 2
    assert "lines.parquet" in complaint


def test_with_quarantine_the_good_lines_stay_and_the_bad_are_listed(said, shop, tmp_path):
    (tmp_path / "lines.csv").write_text(LINES + "v1,2016-01-01,5000,,,,,\nv9,2016-01-01,5000,,,,,\n")
    code, text, _ = said("records", "load", tmp_path / "lines.csv", "--quarantine", "--in", shop)
    assert code == 0
    assert "2 lines read = 1 stored + 1 in quarantine" in text
    assert "v9" in said("records", "list", "--in", shop)[1]
    assert "taken before" in said("records", "load", tmp_path / "vehicles.csv", "--in", shop)[1]


def test_a_book_with_a_circle_is_refused_with_its_place(said, shop):
    text = (shop / "book.yaml").read_text()
    operation = next(iter(cli_book(shop).operations))
    (shop / "book.yaml").write_text(
        re.sub(rf"(?m)^  {operation}:\n", f"  {operation}:\n    needs: [{operation}]\n", text)
    )
    code, _, complaint = said("lives", "--in", shop)
    assert code == 2
    assert re.search(r"book\.yaml:\d+: operations", complaint)
    assert said("book", "review", shop / "book.yaml")[0] == 2


def test_a_store_open_elsewhere_is_told(said, shop):
    hold = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(shop / "records.duckdb")], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        other.stdout.readline()
        code, _, complaint = said("records", "list", "--in", shop)
        other.communicate(b"")
    assert code == 2
    assert "records.duckdb" in complaint


def test_a_file_that_is_no_store_is_told(said, shop):
    (shop / "records.duckdb").write_bytes(b"not a store at all")
    code, _, complaint = said("records", "list", "--in", shop)
    assert code == 2
    assert "records.duckdb" in complaint


@pytest.mark.parametrize(
    ("arguments", "said_of"),
    [
        (("scope", "V99999"), "no vehicle is called 'V99999'"),
        (("scope", "VAN", "--fault", "chain-strech"), "Did you mean chain-stretch"),
        (("scope", "VAN", "--fault", "glow-plug-open"), "glow-plug-open@1"),
        (("scope", "VAN", "--refuse", "nothing-such"), "nothing-such"),
        (("scope", "VAN", "--missing-tool", "nothing-such"), "nothing-such"),
        (("scope", "VAN", "--fault", "chain-stretch", "--refuse", "timing-chain"), "timing-chain"),
        (("scope", "VAN", "--probable", "chain-strech=0.3"), "Did you mean chain-stretch"),
        (("scope", "VAN", "--probable", "chain-stretch"), "MODE=0.3"),
        (("scope", "VAN", "--probable", "chain-stretch=often"), "MODE=0.3"),
        (("scope", "VAN", "--probable", "chain-stretch=1"), "--fault"),
        (("scope", "VAN", "--probable", "chain-stretch=0.2", "--probable", "chain-stretch=0.3"), "twice"),
        (("scope", "VAN", "--probable", "chain-stretch=0.2", "--fault", "chain-stretch"), "Say one of the two"),
        (("scope", "VAN", "--horizon", "-5"), "horizon"),
        (("scope", "VAN", "--odometer", "1"), "odometer"),
        (("lives", "no-such-mode"), "no mode is called"),
        (("lives", "--by", "grade"), "one failure mode"),
        (("lives", "chain-stretch", "--chart", "chart.xyz"), ".svg"),
        (("lives", "chain-stretch", "--units", "furlongs"), "furlongs"),
        (("lives", "--vehicle", "V99999"), "V99999"),
        (("lives", "chain-stretch", "--vehicle", "V00001"), "wear bands"),
        (("compare", "chain-stretch"), "--by"),
        (("compare", "chain-stretch", "--by", "weather"), "weather"),
        (("compare", "chain-stretch", "--by", "interval:no-such"), "interval:no-such"),
        (("compare", "chain-strech", "--by", "revision"), "Did you mean chain-stretch"),
        (("compare", "belt-cracks", "--by", "revision"), "revision"),
        (("compare", "chain-stretch", "--by", "revision", "--beside", "revision"), "named twice"),
        (("compare", "belt-cracks", "--while", "no-such"), "no-such"),
        (("compare", "belt-cracks", "--while", "belt-cracks"), "itself"),
        (("economy", "water-pmp"), "Did you mean water-pump"),
        (("economy", "balance-shafts", "--variant", "m96"), "balance-shafts"),
        (("economy", "water-pump", "--horizon", "-5"), "horizon"),
        (("repeats", "no-such"), "no-such"),
        (("repeats", "water-pump", "--mode", "chain-stretch"), "chain-stretch"),
        (("drift", "no-such"), "no-such"),
        (("drift", "glow-plug-resistance"), "position of glow-plug"),
        (("drift", "oil-pressure-idle"), "failure mode"),
        (("drift", "chain-phase", "V99999"), "V99999"),
        (("drift", "chain-phase", "--odometer", "100000"), "for one vehicle"),
        (("compare", "chain-stretch", "--by", "revision", "--out", "FILE"), "cannot be written"),
        (("compare", "chain-stretch", "--by", "revision", "--chart", "chart.xyz"), ".svg"),
        (("nonsense",), "nonsense"),
    ],
)
def test_a_question_that_cannot_be_answered_is_told_once(said, demo_folder, tmp_path, monkeypatch, arguments, said_of):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").touch()
    stands_for = {"VAN": demo_van(demo_folder), "FILE": tmp_path / "file" / "folder"}
    code, out, complaint = said(*(stands_for.get(word, word) for word in arguments), "--in", demo_folder)
    assert (code, out) == (2, "")
    assert said_of in complaint
    assert "Traceback" not in complaint


def test_a_book_alone_speaks_from_judgement(said, tmp_path):
    said("book", "new", tmp_path / "book.yaml")
    rows = json.loads(said("lives", "--in", tmp_path, "--json")[1])["rows"]
    assert rows
    assert all(row["record_share"] == 0 and row["evidence"]["exact"] == 0 for row in rows)
    study = json.loads(said("lives", rows[0]["mode"], "--in", tmp_path, "--json")[1])
    assert study["record"] is None
    assert study["together"]["b10"] == pytest.approx(study["judgement"]["b10"])


@pytest.mark.parametrize(
    "asked", [("compare", "water-pump-seep", "--by", by) for by in ("revision", "duty")] + [("repeats", "water-pump")]
)
def test_without_a_store_every_question_of_records_says_so(said, tmp_path, asked):
    said("book", "new", tmp_path / "book.yaml")
    code, _, complaint = said(*asked, "--in", tmp_path)
    assert code == 2
    assert "there is no store" in complaint


def test_a_mode_of_which_nothing_is_known_is_left_out_and_named(said, shop):
    """Breaks if one such mode stops the scope of every vehicle."""
    text = (shop / "book.yaml").read_text()
    (shop / "book.yaml").write_text(re.sub(r"(?m)^    belief:\n(?:      .*\n|\s*#.*\n)+", "", text, count=1))
    silent = next(name for name, mode in cli_book(shop).modes.items() if mode.belief is None)
    code, text, _ = said("scope", "v1", "--in", shop)
    assert code == 0
    assert f"{silent}: neither record nor judgement" in text
    assert json.loads(said("scope", "v1", "--in", shop, "--json")[1])["unknown"] == [silent]
    code, _, complaint = said("scope", "v1", "--fault", silent, "--in", shop)
    assert code == 2
    assert silent in complaint
    assert "belief" in complaint


def test_a_fleet_too_small_to_show_anything_is_told(said, tmp_path):
    code, _, complaint = said("demo", "--folder", tmp_path / "d", "--vans", "1")
    assert code == 2
    assert "--vans" in complaint


def test_a_folder_without_a_book_is_told(said, tmp_path):
    code, _, complaint = said("lives", "--in", tmp_path)
    assert code == 2
    assert "book.yaml" in complaint


def test_the_starter_is_never_written_over_a_book(said, shop):
    before = (shop / "book.yaml").read_bytes()
    assert said("book", "new", shop / "book.yaml")[0] == 2
    assert (shop / "book.yaml").read_bytes() == before
