"""The chart of a mode's life shows what the results hold, in the reader's units, and fetches nothing."""

import re
from pathlib import Path

import numpy as np
import pytest

from wearlore.errors import OutputError
from wearlore.life import kaplan_meier, life_model, record_curve
from wearlore.lives import Lives
from wearlore.report import charts
from wearlore.report.charts.look import POINTS
from wearlore.report.charts.survival import BELIEF, CUTS, MODEL, RECORDS
from wearlore.units import Units

LIVES = Lives.of(failed=[40e3, 80e3, 120e3], good=[60e3, 100e3])  # at risk: 5, 3, 1


@pytest.fixture(scope="module")
def model():
    return life_model("pump-leaks", LIVES)


def layers(chart):
    """Rows of each layer by (series, kind of mark)."""
    spec = chart.to_dict()
    kinds = [layer["mark"]["type"] for layer in spec["layer"]]
    rows = [spec["datasets"][layer["data"]["name"]] for layer in spec["layer"]]
    return {(row[0]["series"], kind): row for row, kind in zip(rows, kinds, strict=True) if row}


def legend(chart):
    return chart.to_dict()["layer"][0]["encoding"]["color"]["scale"]["domain"]


def test_steps_are_the_product_limit():
    """(1 - 1/5), times (1 - 1/3), times (1 - 1/1); upright at each failure, up to the last distance seen."""
    chart = charts.life_chart("Pump", Units(), curve=kaplan_meier(LIVES), lives=LIVES)
    rows = layers(chart)[RECORDS, "line"]
    assert [row["x"] for row in rows] == [0, 40e3, 40e3, 80e3, 80e3, 120e3, 120e3, 120e3]
    assert [row["y"] for row in rows] == pytest.approx([1, 1, 4 / 5, 4 / 5, 8 / 15, 8 / 15, 0, 0])
    assert all(row["low"] <= row["y"] <= row["high"] for row in rows)
    assert legend(chart) == [RECORDS]


def test_between_two_looks_the_curve_falls_on_a_slope():
    lives = Lives(*np.array([[0, 0, 0], [20e3, 20e3, 60e3], [40e3, 40e3, np.inf], [1, 1, 2]], float))
    chart = charts.life_chart("Pump", Units(), curve=record_curve(lives), lives=lives)
    rows = layers(chart)[RECORDS, "line"]
    assert [(row["x"], row["y"]) for row in rows] == [(0, 1), (20e3, 1), (40e3, 0.5), (60e3, 0.5)]
    assert "Slopes" in chart.to_dict()["title"]["subtitle"][-1]


def test_ticks_stand_where_lives_were_cut():
    chart = charts.life_chart("Pump", Units(), curve=kaplan_meier(LIVES), lives=LIVES)
    rows = layers(chart)[RECORDS, "tick"]
    assert [(row["x"], row["y"]) for row in rows] == [(60e3, pytest.approx(4 / 5)), (100e3, pytest.approx(8 / 15))]


def test_many_cuts_are_gathered():
    cut = np.linspace(1e3, 200e3, 5_000)
    lives = Lives.of(failed=[100e3], good=list(cut))
    rows = layers(charts.life_chart("Pump", Units(), curve=kaplan_meier(lives), lives=lives))[RECORDS, "tick"]
    assert 50 < len(rows) <= CUTS + 1
    assert max(row["x"] for row in rows) == pytest.approx(200e3, rel=0.01)


def test_model_and_judgement_stand_beside_the_records(model):
    chart = charts.life_chart("Pump", Units(), model=model, curve=kaplan_meier(LIVES), lives=LIVES, belief=model)
    shown = layers(chart)
    for name in (MODEL, BELIEF):
        for row in shown[name, "line"][:: POINTS // 5]:
            km = row["x"]
            assert row["y"] == pytest.approx(float(model.sf(km)))
            band = model.survival(km) if km else None
            assert (row["low"], row["high"]) == pytest.approx((band.low, band.high) if band else (1, 1))
    assert legend(chart) == [RECORDS, MODEL, BELIEF]


def test_axis_is_in_the_readers_units():
    """40,000 km / 1.609344 = 24,854.8 miles."""
    chart = charts.life_chart("Pump", Units("miles"), curve=kaplan_meier(LIVES), lives=LIVES)
    assert layers(chart)[RECORDS, "line"][1]["x"] == pytest.approx(24_854.85, abs=0.01)
    assert chart.to_dict()["layer"][0]["encoding"]["x"]["title"] == "Distance, miles"
    hours = charts.life_chart("Pump", Units("hours"), curve=kaplan_meier(LIVES))
    assert hours.to_dict()["layer"][0]["encoding"]["x"]["title"] == "Age, hours"


def test_late_curve_starts_on_the_model(model):
    late = kaplan_meier(LIVES, since=50e3)
    rows = layers(charts.life_chart("Pump", Units(), model=model, curve=late))[RECORDS, "line"]
    assert (rows[0]["x"], rows[0]["y"]) == (50e3, pytest.approx(float(model.sf(50e3))))


def test_records_without_a_failure_are_a_flat_line():
    lives = Lives.of(good=[50e3, 90e3])
    rows = layers(charts.life_chart("Pump", Units(), curve=kaplan_meier(lives), lives=lives))[RECORDS, "line"]
    assert [(row["x"], row["y"]) for row in rows] == [(0, 1), (90e3, 1)]


def test_nothing_to_draw_is_said():
    with pytest.raises(ValueError, match="a curve or a model"):
        charts.life_chart("Pump", Units())


@pytest.mark.parametrize(
    ("suffix", "head"), [("svg", b"<svg"), ("png", b"\x89PNG"), ("pdf", b"%PDF"), ("html", b"<!doctype")]
)
def test_written_as_the_suffix_says(tmp_path: Path, model, suffix, head):
    chart = charts.life_chart("Pump <b> & co", Units(), model=model)
    path = tmp_path / f"life.{suffix}"
    charts.save(chart, path, "Pump <b> & co")
    assert path.read_bytes().startswith(head)


def test_page_fetches_nothing_and_escapes_its_title(model):
    page = charts.to_html(charts.life_chart("Pump <b> & co", Units(), model=model), "Pump <b> & co")
    assert "<title>Pump &lt;b&gt; &amp; co</title>" in page
    assert "<b>" not in page
    assert "<script" not in page
    assert not re.search(r"https?://(?!www\.w3\.org/)", page)


def test_same_result_same_drawing(model):
    first, second = (charts.to_svg(charts.life_chart("Pump", Units(), model=model)) for _ in range(2))
    assert first == second


def test_what_cannot_be_written_is_said(tmp_path: Path, model):
    chart = charts.life_chart("Pump", Units(), model=model)
    with pytest.raises(OutputError, match=r"not written as '\.gif'.*\.svg, \.png"):
        charts.save(chart, tmp_path / "life.gif")
    with pytest.raises(OutputError, match="suffix"):
        charts.save(chart, tmp_path / "life")
    with pytest.raises(OutputError, match="Choose a place"):
        charts.save(chart, tmp_path / "missing" / "life.svg")
