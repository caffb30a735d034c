"""The command that traces a fault, and its session in the terminal."""

from __future__ import annotations

import io
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from tests.trace.family import BOOK, WHOLE, case, means
from wearlore import cli
from wearlore.cli.session import Session, converse
from wearlore.errors import TraceError
from wearlore.records.store import Store
from wearlore.report.trace import found_command, scope_command
from wearlore.trace import Told
from wearlore.workbench import Workbench
from wearlore.workbench.tracing import Tracing

VEHICLES = "vehicle,variant,built,history\nv1,a,2016-05-01,complete\nv2,b,2016-05-01,complete\n"
LINES = """\
vehicle,date,odometer,component,action
v1,2020-01-01,80000,,
v1,2024-01-01,110000,,
v2,2024-01-01,100000,,
"""
BELIEF = {
    "quantiles": [
        {"share": 0.1, "at": 60000, "between": [40000, 90000]},
        {"share": 0.5, "at": 150000, "between": [110000, 200000]},
    ]
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """The small family with judgement of every mode and two vehicles; v2 is of a variant with fewer modes."""
    folder = tmp_path_factory.mktemp("trace") / "shop"
    folder.mkdir()
    book = {**WHOLE, "modes": {id_: {**mode, "belief": BELIEF} for id_, mode in WHOLE["modes"].items()}}
    book["modes"]["mount-torn"]["variants"] = ["a"]
    book["observations"] = {**book["observations"]} | {
        "code-low": {"name": "Pressure low", "kind": "code", "code": "P0524"},
        "code-range": {"name": "Sensor range", "kind": "code", "code": "P0521"},
        "code-cam": {"name": "Camshaft", "kind": "code", "code": "P0016"},
    }
    sure = {"sensitivity": 0.98, "specificity": 0.99}
    shows = {"code-low": sure, "code-range": sure}
    book["inspections"] = {**book["inspections"]} | {"read-codes": {"name": "Codes", "minutes": 12, "observes": shows}}
    with (folder / "book.yaml").open("w", encoding="utf-8") as file:
        YAML().dump(book, file)
    (folder / "vehicles.csv").write_text(VEHICLES)
    (folder / "lines.csv").write_text(LINES)
    files = [str(folder / "vehicles.csv"), str(folder / "lines.csv")]
    assert cli.run(["records", "load", *files, "--in", str(folder)]) == 0
    return folder


@pytest.fixture
def said(capsys, monkeypatch):
    """Runs a command with lines on its input; gives its exit code, what it printed and what it complained of."""

    def run(*arguments: object, lines: str = "") -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(lines))
        capsys.readouterr()
        code = cli.run([str(argument) for argument in arguments])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return run


class TestCommand:
    def test_answers_with_a_page_that_can_be_gone_on_from(self, said, shop) -> None:
        code, text, _ = said("trace", "v1", "--saw", "oil-back", "--absent", "oil-top", "--in", shop)
        assert code == 0
        assert "MOST LIKELY" in text
        assert f"--in {shop}" in text.replace("\n", " ")

    def test_a_rule_comes_before_the_chances(self, said, shop) -> None:
        _, text, _ = said("trace", "v1", "--saw", "lamp", "--in", shop)
        assert text.index("[ DANGER ] No oil pressure") < text.index("%")

    def test_each_way_of_telling_reaches_the_answer(self, said, shop) -> None:
        _, text, _ = said(
            "trace", "v1", "--saw", "oil-back:dye", "--absent", "knock", "--dry", "top", "--code", "p0524",
            "--codes-read", "--read", "pressure=0.7", "--found", "mount-torn", "--good", "clutch-worn",
            "--in", shop, "--json",
        )  # fmt: skip
        assert [(one["about"], one["present"], one["value"], one["by"]) for one in json.loads(text)["told"]] == [
            ("oil-back", True, None, "dye"),
            ("knock", False, None, ""),
            ("oil-top", False, None, ""),
            ("water-top", False, None, ""),
            ("code-low", True, None, ""),
            ("code-range", False, None, ""),
            ("code-cam", False, None, ""),
            ("pressure", True, 0.7, ""),
            ("mount-torn", True, None, ""),
            ("clutch-worn", False, None, ""),
        ]

    def test_what_is_open_and_what_is_missing_reach_the_looks(self, said, shop) -> None:
        def looks(*options):
            return {
                look["inspection"]: look
                for look in json.loads(said("trace", "v1", "--saw", "knock", *options, "--in", shop, "--json")[1])[
                    "looks"
                ]
            }

        assert "feel" in looks()
        assert "feel" not in looks("--missing-tool", "aligner")
        assert looks()["dye"]["access_minutes"] > looks("--off", "cover-off")["dye"]["access_minutes"] == 0
        assert looks("--rate", "600")["dye"]["cost"] > 5 * looks()["dye"]["cost"]

    def test_the_odometer_comes_in_the_units_shown(self, said, shop) -> None:
        _, text, _ = said(
            "trace", "v1", "--saw", "knock", "--odometer", "75000", "--units", "uk", "--in", shop, "--json"
        )
        assert json.loads(text)["km"] == pytest.approx(75_000 * 1.609344)
        _, text, _ = said("trace", "v1", "--saw", "knock", "--odometer", "75000", "--units", "us", "--in", shop)
        assert "75,000 miles" in text
        assert "supposed" not in text

    def test_with_nothing_told_it_says_what_can_be_told(self, said, shop) -> None:
        code, text, _ = said("trace", "v1", "--in", shop)
        assert code == 0
        assert "WHAT CAN BE TOLD" in text
        assert "P0524, P0521, P0016" in text

    def test_page_and_chart_are_written(self, said, shop, tmp_path) -> None:
        code, text, _ = said(
            "trace",
            "v1",
            "--saw",
            "knock",
            "--evidence",
            "--chart",
            tmp_path / "c.png",
            "--out",
            tmp_path,
            "--in",
            shop,
        )
        assert code == 0
        assert "Written: " in text
        names = ["c.png", "trace-v1-suspects.svg", "trace-v1.html", "trace-v1.pdf", "trace-v1.txt"]
        assert sorted(path.name for path in tmp_path.iterdir()) == names
        assert "<svg" in (tmp_path / "trace-v1.html").read_text()

    @pytest.mark.parametrize(
        ("arguments", "complaint"),
        [
            (["v1", "--saw", "nock"], "no observation is called 'nock'. Did you mean knock"),
            (["v1", "--saw", "knock", "--absent", "knock"], "it is said: Knock: there; and: Knock: not there"),
            (["v1", "--code", "P0525"], "no trouble code is called 'P0525'. Did you mean P0524"),
            (["v1", "--dry", "bottom"], "no zone or wet observation is called 'bottom'"),
            (["v1", "--read", "pressure=low"], "'low' is no value of pressure"),
            (["v1", "--off", "cover-of"], "no operation is called 'cover-of'"),
            (["v1", "--missing-tool", "alinger"], "'alinger'"),
            (["v9", "--saw", "knock"], "no vehicle is called 'v9'"),
            (["v1", "--saw", "knock", "--odometer", "90000"], "expected at least 110,000 km"),
            (["v1", "--saw", "knock", "--odometer", "nan"], "an odometer does not read nan"),
            (["v1", "--saw", "knock", "--rate", "-1"], "-"),
            (["v1", "--keep"], "nothing is told, so there is nothing to keep"),
        ],
    )  # fmt: skip
    def test_what_can_be_mended_ends_with_2_and_says_how(self, said, shop, arguments, complaint) -> None:
        code, text, complained = said("trace", *arguments, "--in", shop)
        assert (code, text) == (2, "")
        assert complaint in complained
        assert "Traceback" not in complained

    def test_a_fault_that_this_variant_cannot_have(self, said, shop) -> None:
        code, _, complained = said("trace", "v2", "--found", "mount-torn", "--in", shop)
        assert code == 2
        assert "mount-torn cannot occur on v2 (b)" in complained

    def test_the_commands_to_go_on_with_can_be_run_as_they_stand(self, said, shop, tmp_path) -> None:
        shutil.copytree(shop, tmp_path / "my shop")
        bench = Workbench(tmp_path / "my shop")
        seen = (Told("oil-back"), Told("knock"), Told("mount-torn"), Told("clutch-worn", False))
        traced = bench.trace("v1", seen, km=112_345.6)
        scope = scope_command(traced, bench.book, str(bench.folder))
        assert "--fault mount-torn" in scope
        assert "--probable seal-leaks=" in scope
        for command in (scope, found_command(traced, bench.book, str(bench.folder))):
            code, text, complained = said(*shlex.split(command)[1:])
            assert (code, "112,346 km" in text) == (0, True), complained

    def test_kept_chances_are_counted_by_calibration(self, said, shop) -> None:
        code, text, _ = said("trace", "v1", "--saw", "oil-back", "--keep", "--in", shop)
        assert code == 0
        kept = int(re.search(r"Kept: (\d+) chances", text)[1])
        with Store.open(shop / "records.duckdb", read_only=True) as store:
            assert store.connection.execute("SELECT count(*) FROM predictions").fetchone() == (kept,)
        assert "Kept before: nothing is new." in said("trace", "v1", "--saw", "oil-back", "--keep", "--in", shop)[1]


# the session without a terminal --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tracing():
    one = case()
    return Tracing(one, means(one), 10_000.0, False, {})


@pytest.fixture
def session(tracing):
    return lambda *told, off=(): Session(
        tracing, BOOK.units, told, off, begin=["wearlore", "trace", "v"], end=["--in", "my shop"]
    )


def play(session, *lines):
    """What is shown, in order; the last is the closing."""
    shown, left = [], list(lines)

    def ask(question):
        shown.append(question)
        if not left:
            raise EOFError
        line = left.pop(0)
        if isinstance(line, BaseException):
            raise line
        return line

    converse(session, ask, shown.append)
    assert not left, f"never asked for: {left}"
    return shown


def test_what_is_wrong_is_picked_by_group_and_number(session):
    one = session()
    shown = play(one, "1", "2 3", "", "stop")
    assert "  1  Wet (5)" in shown[0]
    assert "  2  oil at back" in shown[1]
    assert one.told == [Told("oil-back"), Told("oil-sump")]
    assert "Noted: oil at back: there.\nNoted: oil at sump: there." in shown[2]


def test_what_is_wrong_is_said_in_words_and_what_is_not(session):
    one = session()
    play(one, "oil BACK", "no water", "knock", "", "stop")  # of "water" there are two: none of them is picked
    assert one.told == [Told("oil-back")]
    one = session()
    play(one, "no coolant", "all", "dry oil top", "lamp", "")
    assert one.told == [Told("water-top", False), Told("water-sump", False), Told("oil-top", False), Told("lamp")]


def test_a_word_may_be_cut_short_but_not_begun_in_its_middle(session):
    one = session()
    play(one, "pres", "0.7", "nock", "")
    assert [said.about for said in one.told] == ["pressure"]


def test_words_that_nothing_is_called_are_met_with_near_ones(session):
    shown = play(session(), "oyl", "nock", "99", "5 7", "0", "")
    assert "Nothing in the book is called 'oyl'" in shown[1]
    assert "Words near to it: knock" in shown[2]
    assert "There is no such group." in shown[3]


def test_the_last_word_of_a_person_counts(session):
    one = session()
    play(one, "knock", "no knock", "")
    assert one.told == [Told("knock", False)]


def test_a_reading_is_asked_by_its_value(session):
    one = session()
    shown = play(one, "pressure", "low", "0,7", "phase", "", "")
    assert "Pressure, in bar?" in shown[1]
    assert "'low' is no number." in shown[2]
    assert one.told == [Told("pressure", value=0.7)]


def test_what_cannot_be_is_not_taken(session):
    one = session(Told("clutch-worn"))
    one._take([Told("clutch-worn"), Told("clutch-worn", value=3.0, by="feel")])
    assert one.told == [Told("clutch-worn")]
    assert "clutch-worn is not a reading" in one.closing()


def proposing(session, *told):
    """A session that proposes a look, and the look."""
    one = session(*told)
    look = one.answer().next
    assert look is not None
    return one, look


WORTH = (Told("oil-back"), Told("lamp"))  # of which a look pays


def test_the_standing_comes_with_rules_first_then_chances_then_the_look(session):
    one, look = proposing(session, *WORTH)
    text = play(one, "stop")[0]
    parts = [
        "[ DANGER ] No oil pressure",
        "Most likely: ",
        "none of these",
        f"Look at: {look.name}",
        "Expected to save",
    ]
    at = [text.index(part) for part in parts]
    assert at == sorted(at)


def test_a_look_that_is_done_is_asked_sight_by_sight_and_stays_open(session):
    one, look = proposing(session, *WORTH)
    others = [other.inspection for other in one.answer().looks if other != look]
    shown = play(one, "other", str(others.index("dye") + 1), "done", "perhaps", "no")
    assert f"{BOOK.modes['seal-leaks'].name}: there? yes, no, Enter: not looked." in shown[3]
    assert "Say yes or no." in shown[4]
    assert one.told == [*WORTH, Told("seal-leaks", False, by="dye")]
    assert one.off == ["cover-off"]
    assert shown[-1].endswith("--absent seal-leaks:dye --off cover-off --in 'my shop'")


def test_a_look_that_is_done_is_not_proposed_again_though_not_all_was_seen(session):
    one, look = proposing(session, *WORTH)
    play(one, "done", *[""] * len(one._sights(look.inspection)))
    assert one.told == list(WORTH)
    assert look.inspection not in {other.inspection for other in one.answer().looks}


def test_not_now_puts_a_look_off(session):
    one, look = proposing(session, *WORTH)
    play(one, "not now")
    assert look.inspection in one.skip
    assert one.told == list(WORTH)


def test_another_look_is_chosen_and_stands_until_it_is_done_or_put_off(session):
    one, look = proposing(session, *WORTH)
    others = [other for other in one.answer().looks if other != look]
    shown = play(one, "other", "1", "knock", "not now", "stop")
    assert f"  1  {others[0].name}" in shown[1]
    assert f"Look at: {others[0].name}" in shown[2]
    assert f"Look at: {others[0].name}" in shown[3]
    assert Told("knock") in one.told
    assert one.skip == {others[0].inspection}


def test_what_else_is_seen_is_taken_where_a_look_is_proposed(session):
    one, _ = proposing(session, *WORTH)
    play(one, "no oil top")
    assert one.told[-1] == Told("oil-top", False)


def test_it_ends_when_acting_is_cheaper_and_says_why(session):
    one = session()
    shown = play(one, "water top", "")
    assert one.answer().next is None
    assert "Look no further." in shown[-1]
    assert "is expected to cost EUR" in shown[-1]


@pytest.mark.parametrize("end", [(), (KeyboardInterrupt(),), ("stop",), ("q",)], ids=["input", "ctrl-c", "stop", "q"])
def test_however_it_ends_it_says_what_is_known_and_the_command(session, end):
    one = session()
    shown = play(one, "oil back", *end)
    assert "Most likely: " in shown[-1]
    assert shown[-1].endswith("  wearlore trace v --saw oil-back --in 'my shop'")


def test_with_nothing_told_the_command_begins_again(session):
    shown = play(session(), "")
    assert "Nothing is told" in shown[-1]
    assert shown[-1].endswith("wearlore trace v --in 'my shop' --ask")


def test_all_absent_asks_for_no_cause(session):
    shown = play(session(), "no knock", "")
    assert "Nothing of what is told asks for a cause." in shown[-1]


def test_told_that_cannot_be_is_refused_at_once(session):
    with pytest.raises(TraceError, match="Both cannot be: look again"):
        session(Told("knock"), Told("knock", False))


def test_codes_of_a_look_are_asked_in_one_question(shop):
    tracing = Workbench(shop).tracing("v1")
    one = Session(tracing, BOOK.units, WORTH, begin=["wearlore", "trace", "v1"])
    traced = one.answer()
    others = [look.inspection for look in traced.looks if look != traced.next]
    shown = play(one, "other", str(others.index("read-codes") + 1), "done", "P1234 p0524", "P0524, P0016")
    assert any("P0524 Pressure low" in text for text in shown)
    assert any("The book does not have P1234: mend it, or leave it out." in text for text in shown)
    assert one.told[2:] == [
        Told("code-cam"),  # not of this look, and there all the same
        Told("code-low", True, by="read-codes"), Told("code-range", False, by="read-codes"),
    ]  # fmt: skip


# the session at a terminal -------------------------------------------------------------------------------------------


def test_the_command_asks_and_its_last_line_says_the_same_again(said, shop):
    code, text, complained = said(
        "trace", "v1", "--ask", "--odometer", 120_000, "--in", shop, lines="oil back\n\nstop\n"
    )
    assert code == 0
    assert "> oil back\n" in text
    assert "Traceback" not in complained
    command = text.rstrip().splitlines()[-1]
    assert command == f"  wearlore trace v1 --saw oil-back --odometer 120000 --in {shop}"
    again = json.loads(said(*shlex.split(command)[1:], "--json")[1])
    assert [one["about"] for one in again["told"]] == ["oil-back"]
    first = again["suspects"][0]
    assert f"{first['name']} {100 * first['chance']['value']:.0f} %" in text.replace("\n  ", " ")


def test_the_session_as_json_talks_on_the_error_stream(said, shop):
    code, text, talk = said("trace", "v1", "--ask", "--json", "--in", shop, lines="oil back\n")
    assert code == 0
    assert json.loads(text)["told"][0]["about"] == "oil-back"
    assert "What is wrong?" in talk


def test_a_session_keeps_and_writes_as_the_command_does(said, shop, tmp_path):
    code, text, _ = said(
        "trace", "v2", "--ask", "--saw", "knock", "--keep", "--out", tmp_path, "--in", shop, lines="stop\n"
    )
    assert code == 0
    assert "MOST LIKELY" in text
    assert "Kept: " in text
    assert (tmp_path / "trace-v2.pdf").exists()


def test_an_empty_input_ends_without_a_traceback(said, shop):
    code, text, complained = said("trace", "v1", "--ask", "--in", shop)
    assert code == 0
    assert "Nothing is told" in text
    assert "Traceback" not in complained


@pytest.mark.slow
def test_ctrl_c_at_the_question_loses_nothing(shop):
    command = [sys.executable, "-c", "from wearlore.cli import main; main()", "trace", "v1", "--ask", "--in", str(shop)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        assert process.stdin
        assert process.stdout
        process.stdin.write("oil back\n")
        process.stdin.flush()
        for line in process.stdout:
            if "What else?" in line:
                break
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        rest, complained = process.communicate(timeout=50)
    assert process.returncode == 0
    assert "wearlore trace v1 --saw oil-back" in rest
    assert "Traceback" not in complained
