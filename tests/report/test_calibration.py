"""Calibration of traces as a page and as a chart: words that claim what the result bears, and no more."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from wearlore.answers.calibration import Miss, TraceCalibration
from wearlore.report.calibration import bin_in_words, fullest_in_words, percent, trace_calibration, verdict_in_words
from wearlore.report.charts import calibration_drawings, save, to_svg
from wearlore.report.json import to_json
from wearlore.report.plain import to_text
from wearlore.report.sheet import Figure, Paragraph
from wearlore.trace.calibration import calibration
from wearlore.units import Units

MADE_ON = date(2026, 11, 25)
MISS = Miss(
    "v7", MADE_ON, 99_990.0, "injector-drip@2", "Drips", 0.04, True, MADE_ON, 100_000.0, "wet", "shop/found/a.csv", 3
)  # fmt: skip


def compared(stated, found):
    return calibration(np.asarray(stated), np.asarray(found, bool), rng=np.random.default_rng(1))


def answer(calibrated=None, misses=(), predictions=12, **counts):
    given = {"resolved": 0, "beside": 0, "superseded": 0, "open": 0, "gone": 0} | counts
    if calibrated is not None:
        given["resolved"] = calibrated.count
    return TraceCalibration("Small engine", calibrated, 3, predictions, within=2_000.0, misses=tuple(misses), **given)


def drawn_fleet(power, cases=2_000, seed=4):
    """Causes that are there with the stated chance raised to ``power``."""
    rng = np.random.default_rng(seed)
    stated = rng.random(cases)
    return compared(stated, rng.random(cases) < stated**power)


def words(result, units=Units(), width=118):  # noqa: B008 - a frozen value
    return " ".join(to_text(trace_calibration(result, units, MADE_ON), width).split())


def lead(result):
    blocks = trace_calibration(result, Units(), MADE_ON).blocks
    return next(block.text for block in blocks if isinstance(block, Paragraph) and block.style == "lead")


def test_a_bin_is_said_in_words():
    one = compared([0.65] * 412, [True] * 272 + [False] * 140).bins[0]
    assert bin_in_words(one) == "Of 412 causes given 60 to 70 %, 66 % were there (61 to 70)."


def test_the_fullest_bin_of_likely_causes_leads_and_the_fullest_of_others_follows():
    told = fullest_in_words(compared([0.05] * 9 + [0.25] * 3 + [0.75] * 2 + [0.95] * 4, [False] * 12 + [True] * 6))
    assert told.startswith("Of 4 causes given 90 to 100 %, 100 % were there (")
    assert "Of 9 causes given 0 to 10 %, 0 % were there (0 to " in told


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "0"), (0.0004, "0"), (0.041, "4.1"), (0.04, "4"), (0.0996, "10"), (0.656, "66"), (1, "100")],
)
def test_percentages_have_the_digits_that_tell(share, said):
    assert percent(share) == said


class TestVerdict:
    def test_nothing_is_claimed_against_right_chances(self) -> None:
        told = verdict_in_words(drawn_fleet(1))
        assert "no more than chance alone would make it. Nothing speaks against them; they may be off by up to" in told

    @pytest.mark.parametrize(("power", "said"), [(2, "too much was said"), (0.5, "too little was said")])
    def test_a_bias_says_its_side_and_size(self, power, said) -> None:
        fleet = drawn_fleet(power)
        told = verdict_in_words(fleet)
        assert "more than chance alone, up to" in told
        assert f"{said}, by {percent(abs(fleet.bias.value))} percentage points (" in told
        assert "Nothing speaks against them" not in told

    def test_a_bias_is_told_where_the_bins_alone_would_not_show_it(self) -> None:
        stated = np.repeat(np.arange(10) / 10 + 0.05, 20)
        rng = np.random.default_rng(2)
        some = [compared(stated, rng.random(200) < stated - 0.045) for _ in range(60)]
        told = [verdict_in_words(one) for one in some if one.bias.low > 0 and not one.beyond_chance]
        assert told
        assert all("no more than chance" in one and "too much was said" in one for one in told)

    def test_errors_that_cancel_are_told_without_a_side(self) -> None:
        told = verdict_in_words(compared([0.2] * 200 + [0.8] * 200, ([True] * 100 + [False] * 100) * 2))
        assert "Too much was said of some and too little of others" in told


class TestPage:
    def test_says_first_that_nothing_was_kept_and_what_to_do(self) -> None:
        told = words(answer(predictions=0))
        assert "No trace has been kept yet, so there is nothing to compare" in told
        assert "wearlore trace VEHICLE --saw OBSERVATION --keep" in told
        assert "wearlore found VEHICLE --confirmed MODE --refuted MODE --odometer N" in told
        assert "WHAT IS COUNTED" not in told

    def test_says_what_is_kept_where_nothing_was_found(self) -> None:
        told = words(answer(open=12))
        assert "12 chances of 3 traces kept" in told
        assert "Open: 12" in told
        assert "Jeffreys" not in told

    def test_words_come_first_then_bins_scores_and_counts(self) -> None:
        told = words(answer(drawn_fleet(1), open=7, superseded=2, beside=4, gone=5))
        places = [
            told.index(part)
            for part in (
                "Only what somebody looked at can be counted", "WHAT WAS SAID, AND WHAT WAS THERE", "SCORES",
                "Brier score", "WHAT IS COUNTED", "Open: 7", "2 stated before", "4 that could not",
                "5 of failure modes",
            )
        ]  # fmt: skip
        assert places == sorted(places)
        assert "within 2,000 km of the trace" in told

    def test_bins_add_up_to_all(self) -> None:
        told = to_text(trace_calibration(answer(compared([0.1, 0.1, 0.7], [0, 1, 1])), Units(), MADE_ON), 118)
        rows = [" ".join(row.split()) for row in told.splitlines()]
        assert any(row.startswith("10 to 20 10 2 1 50 (") for row in rows)
        assert any(row.startswith("70 to 80 70 1 1 100 (") for row in rows)
        assert any(row.startswith("All 30 3 2 67 (") for row in rows)

    def test_misses_show_their_evidence(self) -> None:
        told = words(answer(drawn_fleet(1, 50), misses=[MISS]), Units("miles"))
        assert "v7 injector-drip@2 4.0 % there 2026-11-25 62,137 miles wet a.csv:3" in told

    def test_what_has_no_end_and_what_is_not_there_are_said(self) -> None:
        assert "Log score no end (no end to no end)" in words(answer(compared([0.0, 0.0], [True, True])))
        assert "Skill none (all was alike)" in words(answer(compared([0.2, 0.3], [True, True])))


class TestChart:
    def test_none_while_nothing_is_compared(self) -> None:
        assert calibration_drawings(answer(open=12)) == ()

    def test_points_stand_at_mean_chance_and_share_with_their_intervals(self) -> None:
        told = compared([0.11, 0.13, 0.7], [0, 1, 1])
        (drawing,) = calibration_drawings(answer(told))
        rows = [row for rows in drawing.chart.to_dict()["datasets"].values() for row in rows if "low" in row]
        assert [(row["x"], row["y"]) for row in rows] == [(pytest.approx(0.12), 0.5), (pytest.approx(0.7), 1.0)]
        assert [(row["low"], row["high"]) for row in rows] == [(b.share.low, b.share.high) for b in told.bins]

    def test_bars_count_the_causes_from_0_up(self) -> None:
        (drawing,) = calibration_drawings(answer(compared([0.11, 0.13, 0.7], [0, 1, 1])))
        rows = [row for rows in drawing.chart.to_dict()["datasets"].values() for row in rows if "told" in row]
        assert [(row["x"], row["end"], row["y"], row["told"]) for row in rows] == [
            (0.1, 0.2, 2, "2"),
            (0.7, 0.8, 1, "1"),
        ]
        (bar,) = [
            layer for chart in drawing.chart.to_dict()["vconcat"] for layer in chart["layer"]
            if layer["mark"]["type"] == "rect"
        ]  # fmt: skip
        assert bar["encoding"]["y2"] == {"datum": 0}

    @pytest.mark.parametrize("suffix", [".svg", ".html", ".png", ".pdf"])
    def test_is_written_in_every_form(self, suffix, tmp_path: Path) -> None:
        (drawing,) = calibration_drawings(answer(drawn_fleet(1)))
        save(drawing.chart, tmp_path / f"chart{suffix}", drawing.text)
        assert (tmp_path / f"chart{suffix}").stat().st_size > 5_000

    def test_stands_on_the_page_under_its_name(self) -> None:
        result = answer(drawn_fleet(1))
        (drawing,) = calibration_drawings(result)
        figure = Figure(to_svg(drawing.chart), drawing.text)
        assert figure in trace_calibration(result, Units(), MADE_ON, {drawing.name: figure}).blocks


def test_the_whole_result_is_json():
    told = to_json(answer(compared([0.0, 0.4], [True, False]), misses=[MISS]))
    assert '"by_chance"' in told
    assert '"log_score": {\n      "value": null' in told
