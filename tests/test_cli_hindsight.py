"""The command that holds forecasts against what happened."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wearlore import cli

SMALL = Path(__file__).parent / "records" / "small-book.yaml"


@pytest.fixture
def said(capsys):
    """Runs a command; gives its exit code, what it printed and what it complained of."""

    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.run([str(argument) for argument in arguments])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return run


def test_the_answer_as_text_as_files_and_its_progress(said, demo_folder, tmp_path):
    code, text, progress = said("hindsight", "--in", demo_folder, "--out", tmp_path, "--chart", tmp_path / "c.svg")
    assert code == 0
    assert "HINDSIGHT  Merrowin 2.2 turbodiesel van engine" in text
    assert "failures were forecast" in text
    assert "forecasting what was held out" in progress
    names = {path.name for path in tmp_path.iterdir()}
    assert {"c.svg", "hindsight.html", "hindsight.pdf", "hindsight.txt", "hindsight-forecasts.svg"} < names


def test_as_json(said, demo_folder):
    code, text, _ = said("hindsight", "--hold-out", "2y", "--json", "--in", demo_folder)
    told = json.loads(text)
    assert (code, told["hold_out"], told["cut_off"]) == (0, "2y", "2022-12-31")
    assert told["verdict"]["most"]["of"] == len(told["modes"])


@pytest.mark.parametrize(("asked", "error"), [("soon", "no length of time"), ("30y", "Hold out less")])
def test_a_hold_out_that_cannot_be_is_refused(said, demo_folder, asked, error):
    code, text, complaint = said("hindsight", "--hold-out", asked, "--in", demo_folder)
    assert (code, text) == (2, "")
    assert error in complaint
    assert "Traceback" not in complaint


def test_a_folder_without_records_says_so(said, tmp_path):
    (tmp_path / "book.yaml").write_text(SMALL.read_text(encoding="utf-8"), encoding="utf-8")
    code, _, complaint = said("hindsight", "--in", tmp_path)
    assert code == 2
    assert "there is no store" in complaint
