"""The years to come on the command line: the whole answer as JSON, its files, and what is refused."""

from __future__ import annotations

import json

import pytest

from wearlore import cli

FEW = ("--paths", "1000")


@pytest.fixture
def said(capsys, demo_folder):
    """Runs `outlook` in the demo's folder; gives its exit code, what it printed and what it complained of."""

    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.run(["outlook", *(str(one) for one in arguments), "--in", str(demo_folder)])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return run


@pytest.mark.slow
def test_the_answer_as_json_holds_every_figure(said):
    code, text, _ = said("V00003", "--years", 3, *FEW, "--json")
    assert code == 0
    found = json.loads(text)
    assert found["told"] == "advice"
    assert set(found["policies"]) == {"advice", "only failed", "all in reach", "plan"}
    assert (found["years"], found["by_distance"], found["paths"], found["draws"]) == (3, False, 1000, 64)
    assert found["yearly"]["on_record"] > 0
    assert found["seen_to"] > found["vehicle"]["km"]
    for one in found["policies"].values():
        assert 0 <= one["cost"]["low"] < one["cost"]["value"] < one["cost"]["high"]
        assert one["spread"] == sorted(one["spread"])
        assert 0 <= one["stranded"]["value"] <= 1
        assert len(one["years"]) == 3
        parts = one["looks"]["value"] + sum(driver["cost"]["value"] for driver in one["drivers"])
        assert parts == pytest.approx(one["cost"]["value"])
        assert all(mode in found["modes"] for driver in one["drivers"] for mode in driver["modes"])
    assert found["apart"]["cost"]["value"] > 0
    assert found["policies"]["plan"]["looks"]["value"] > 0


@pytest.mark.slow
def test_a_distance_a_fault_and_a_policy_of_ones_own(said, tmp_path):
    code, text, _ = said(
        "V00003", "--horizon", 30_000, "--per-year", 15_000, "--policy", "only-failed", "--fault", "chain-stretch",
        *FEW, "--units", "uk", "--out", tmp_path, "--chart", tmp_path / "fan.png",
    )  # fmt: skip
    assert code == 0
    text = " ".join(text.split())
    assert "Curing only what failed, the next 30,000 miles are expected to cost" in text
    assert "Ahead 30,000 miles, in 2.0 years" in text
    assert "Cured first Timing chain stretched (timing-chain)" in text
    assert "Against" not in text  # nothing to hold it against
    names = {"outlook-V00003", *(f"outlook-V00003-{name}" for name in ("fan", "years", "policies", "drivers"))}
    assert {path.stem for path in tmp_path.iterdir()} == names | {"fan"}


@pytest.mark.slow
def test_an_odometer_beyond_all_records_is_answered_and_said_to_extrapolate(said):
    code, text, _ = said("V00003", "--odometer", 900_000, "--policy", "only-failed", "--years", 1, *FEW)
    assert code == 0
    assert "What is said here extrapolates" in " ".join(text.split())


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("V00003", "--years", 0), "0 years ahead. Ask for 1 to 40 years"),
        (("V00003", "--years", -1), "-1 years ahead"),
        (("V00003", "--horizon", 0), "the distance ahead is 0. It must be above 0"),
        (("V00003", "--horizon", -10), "the distance ahead is -10"),
        (("V00003", "--horizon", "nan"), "the distance ahead is nan. Give a number"),
        (("V00003", "--horizon", 1e9), "no more than 40 years"),
        (("V00003", "--years", 2, "--horizon", 10_000), "two ways to say how far"),
        (("V00003", "--per-year", 0), "the distance a year is 0"),
        (("V00003", "--spread", -1), "spread of the distance a year is -1"),
        (("V00003", "--odometer", 10), "at least 147,022 km, read at the last visit"),
        (("V00003", "--odometer", "inf"), "the odometer is inf"),
        (("V00003", "--paths", 0), "0 paths. Ask for 128"),
        (("V00003", "--rate", -5), "labour rate is -5"),
        (("V00003", "--policy", "advise"), "no policy is called 'advise'. Did you mean advice?"),
        (("V99999",), "no vehicle is called 'V99999'"),
        (("V00003", "--fault", "rust"), "no mode is called 'rust'"),
        (("V00003", "--probable", "chain-stretch"), "names no chance"),
    ],
)
def test_what_a_person_can_mend_is_said_at_once(said, arguments, complaint):
    code, text, error = said(*arguments)
    assert (code, text) == (2, "")
    assert complaint in error
    assert "Traceback" not in error
