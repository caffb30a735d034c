"""The commands of a vehicle: the same answer as text, as JSON and as a page."""

import json
from pathlib import Path

import pytest

from wearlore import cli

VAN = "V00003"


@pytest.fixture
def ask(demo_folder: Path, capsys: pytest.CaptureFixture[str]):
    def asked(*words: str) -> str:
        capsys.readouterr()
        assert cli.run([*words, "--in", str(demo_folder)]) == 0
        return capsys.readouterr().out

    return asked


def test_a_vehicle_as_text_and_as_json(ask) -> None:
    told = json.loads(ask("vehicle", VAN, "--json"))
    chances = [one["chance"]["value"] for one in told["likely"]["suspects"]]
    assert chances == sorted(chances, reverse=True)
    assert all(
        one["chance"]["low"] <= one["chance"]["value"] <= one["chance"]["high"] for one in told["likely"]["suspects"]
    )
    assert len(told["history"]["visits"]) == 14
    text = ask("vehicle", VAN, "--units", "us")
    assert text.index("LIKELY NOW") < text.index("WHAT IS FITTED") < text.index("VISITS")
    assert "91,355 miles on 2024-12-31" in text


def test_its_page_and_its_history_are_written(ask, tmp_path: Path) -> None:
    ask("vehicle", VAN, "--out", str(tmp_path), "--chart", str(tmp_path / "history.svg"))
    assert {path.name for path in tmp_path.iterdir()} == {
        "history.svg", *(f"vehicle-{VAN}.{kind}" for kind in ("html", "pdf", "txt")), f"vehicle-{VAN}-history.svg",
    }  # fmt: skip
    assert "Fault found" in (tmp_path / "history.svg").read_text(encoding="utf-8")


def test_vehicles_are_found(ask) -> None:
    found = json.loads(ask("vehicles", "v0003", "--json", "--limit", "3"))
    assert (found["matching"], len(found["vehicles"])) == (10, 3)
    assert "Open faults" in ask("vehicles", "m118")


def test_one_that_is_not_known(demo_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["vehicle", "V0003", "--in", str(demo_folder)]) == 2
    assert "no vehicle is called 'V0003'" in capsys.readouterr().err
