"""Hindsight as a sheet and as charts: words that claim what the comparison bears, and no more."""

from __future__ import annotations

import json
from datetime import date

import numpy as np
import pytest
from scipy.stats import binom

from wearlore.answers import FamilyHindsight, ModeHindsight, TrackRecord
from wearlore.hindsight import off, tally, verdict
from wearlore.report.charts import hindsight_drawings, to_svg
from wearlore.report.hindsight import family_hindsight, span_in_words, track_record
from wearlore.report.json import to_json
from wearlore.report.plain import to_text
from wearlore.report.sheet import Figure
from wearlore.trace.calibration import calibration
from wearlore.units import Units

MADE_ON = date(2026, 11, 26)
CUT_OFF, END = date(2023, 12, 31), date(2024, 12, 31)


def answer(happened, *, pieces=100, chance=0.1, unknown=0, **changed) -> FamilyHindsight:
    """Modes ``m0``, ``m1`` … of as many pieces, each with the same chance; what ``happened`` of each."""
    pmf = binom.pmf(np.arange(pieces + 1), pieces, chance)
    tallies = [tally(pmf, k) for k in happened]
    rows = [
        ModeHindsight(
            f"m{k}", f"Mode {k} fails", "hidden" if k % 2 else "evident", pieces, 3, one, before=8,
            unknown=unknown, unknown_failed=unknown // 4, beyond_chance=far,
        )
        for k, (one, far) in enumerate(zip(tallies, off(tallies), strict=True))
    ]  # fmt: skip
    failed = np.concatenate([np.arange(pieces) < k for k in happened])
    told = {
        "family": "Small engine", "hold_out": "12m", "cut_off": CUT_OFF, "end": END, "vehicles": 80, "seen": 60,
        "distance": 1_234_567.0, "verdict": verdict(tallies), "modes": tuple(sorted(rows, key=lambda r: r.tally.off)),
        "pieces": calibration(np.full(failed.size, chance), failed, rng=np.random.default_rng(1)),
        "naive_error": float(np.mean([abs(8 - k) for k in happened])), "silent": (), "not_known": (),
    }  # fmt: skip
    return FamilyHindsight(**{**told, **changed})


RIGHT = (10, 9, 11, 8, 12, 10, 13, 7)


def words(result, units=Units(), width=118):  # noqa: B008 - a frozen value
    return " ".join(to_text(family_hindsight(result, units, MADE_ON), width).split())


def test_what_was_right_is_said_and_nothing_is_claimed_against_it():
    told = words(answer(RIGHT))
    assert "80 failures were forecast (66 to 94), 80 happened." in told
    assert "8 of 8 failure modes lay within their 90 % interval; right forecasts would make it 7." in told
    assert "The total is no further off than chance makes it. Nothing speaks against the intervals." in told
    assert "Further off than chance makes it among so many" not in told


@pytest.mark.parametrize(
    ("happened", "said"),
    [
        ((1, 2, 1, 0, 3, 2, 1, 1), "too many were forecast, by 627 % of what happened"),
        ((30, 28, 33, 25, 40, 26, 31, 28), "too few were forecast, by 67 % of what happened"),
    ],
)
def test_a_total_that_is_off_says_its_side_and_size(happened, said):
    told = words(answer(happened))
    assert said in told
    assert "The intervals are too narrow" in told


def test_intervals_that_are_too_wide_are_told():
    assert "wider than they need to be" in words(answer((10,) * 60))


def test_a_mode_far_off_stands_first_with_its_mark_and_in_words():
    told = words(answer((*RIGHT[:-1], 28)))
    assert "Further off than chance makes it among so many: Mode 7 fails." in told
    assert told.index("Mode 7 fails *") < told.index("Mode 0 fails")
    assert "100 looks 10.0 8 to 12 5 to 15 28 +18.0 under 0.001" in told


def test_what_is_taken_as_it_was_and_what_is_left_out_is_said():
    told = words(answer(RIGHT, unknown=8, silent=("pump-leak",), not_known=("belt-torn",)), Units("miles"))
    assert "how far each vehicle ran (767,000 miles in all)" in told
    assert "Left out: 64 pieces and looks at pieces of unknown age; 16 of them failed." in told
    assert "Nothing was at risk of: pump-leak" in told
    assert "Neither a record nor a judgement at the cut-off: belt-torn" in told


def test_a_forecast_that_is_no_better_than_the_year_before_is_owned_up_to():
    assert "would have missed by 2.2." in words(answer(RIGHT))
    assert "the forecasts add nothing here" in words(answer((8,) * 8))


@pytest.mark.parametrize(("asked", "told"), [("12m", "12 months"), ("1y", "1 year"), (" 2y", "2 years")])
def test_spans_in_words(asked, told):
    assert span_in_words(asked) == told


def test_the_track_record_is_one_line_and_owns_up_to_short_records():
    whole = answer(RIGHT).verdict
    record = TrackRecord("12m", CUT_OFF, END, 8, whole.half, whole.most, whole.sum)
    assert track_record(record).text.startswith("Held against the last 12 months: 80 failures were forecast (66 to 94)")
    assert "too short" in track_record(None).text


def test_the_charts_show_every_mode_and_the_fifths():
    result = answer((*RIGHT[:-1], 28))
    forecasts, pit = hindsight_drawings(result)
    assert (forecasts.name, pit.name) == ("forecasts", "pit")
    drawn = to_svg(forecasts.chart)
    assert all(row.name in drawn for row in result.modes)
    assert "Happened, outside" in drawn
    assert "lowest fifth" in to_svg(pit.chart)


def test_drawn_the_fifths_are_no_table():
    figure = {"pit": Figure("<svg/>", "x"), "forecasts": Figure("<svg/>", "y")}
    tables = [str(block) for block in family_hindsight(answer(RIGHT), Units(), MADE_ON, figure).blocks]
    assert not any("lowest fifth" in block for block in tables)
    assert any("lowest fifth" in str(block) for block in family_hindsight(answer(RIGHT), Units(), MADE_ON).blocks)


def test_json_has_every_figure_and_no_distribution():
    told = json.loads(to_json(answer(RIGHT)))
    assert told["cut_off"] == "2023-12-31"
    assert told["verdict"]["sum"]["happened"] == 80
    assert "pmf" not in told["modes"][0]["tally"]
    assert told["modes"][0]["tally"]["most"] == [5, 15]
