"""Comparison and acceleration: the page says what the result holds and no more, the charts draw its numbers."""

import json
import re
from dataclasses import replace
from datetime import date
from math import exp, inf, log

import numpy as np
import pytest

from wearlore.answers import AcceleratedLives, ComparedLives
from wearlore.estimate import Estimate
from wearlore.life import Factor, Measure, acceleration, record_curve
from wearlore.life.compare.verdict import compare, joined, sentence
from wearlore.lives import Exposure, Lives
from wearlore.report import charts
from wearlore.report.charts.comparison import MANY, TOGETHER
from wearlore.report.charts.look import DARK
from wearlore.report.charts.survival import BELIEF, RECORDS
from wearlore.report.comparison import accelerated_lives, compared_lives, ratio_shown
from wearlore.report.plain import to_text
from wearlore.report.sheet import Figure, Paragraph, Table
from wearlore.units import Units, show_share
from wearlore.workbench import Workbench

MADE_ON = date(2026, 11, 25)
LEVELS = {
    "A": Lives.of([60e3, 90e3, 120e3, 80e3], [100e3] * 5),
    "B": Lives.of(good=[130e3, 90e3, 160e3]),
    "C": Lives.of([50e3], [70e3] * 8),
}
KM = 1.609344
NAMES = "curves", "ratios", "residuals", "factor"
FIGURES = {name: Figure(f"<svg>{name}</svg>", name) for name in NAMES}


def compared(groups, **more):
    found = compare(*joined("revision", groups, reference="A"), **more)
    said = tuple(sentence(found, each) for each in found.contrasts)
    curves = {name: record_curve(lives) for name, lives in groups.items() if lives.failures}
    return ComparedLives("leak", "Pump leaks", "revision", found, said, curves, 3)


def weibull(rng, n, scale, shape=3.0):
    life, stop = scale * rng.weibull(shape, n), rng.uniform(60e3, 250e3, n)
    return Lives(np.zeros(n), np.minimum(life, stop), np.where(life < stop, life, np.inf), np.ones(n))


@pytest.fixture(scope="module")
def few():
    return compared(LEVELS)


@pytest.fixture(scope="module")
def differing():
    rng = np.random.default_rng(5)
    return compared({"A": weibull(rng, 300, 120e3), "B": weibull(rng, 300, 190e3)})


@pytest.fixture(scope="module")
def step():
    rng = np.random.default_rng(6)
    oil = rng.uniform(10e3, 30e3, 600)
    lives = weibull(rng, 600, 150e3 * np.exp(-0.4 * (oil - 20e3) / 1e4))
    found = compare(lives, Measure("interval:engine-oil", oil, "km", 10e3, 20e3))
    said = tuple(sentence(found, each) for each in found.contrasts)
    return ComparedLives("wear", "Bearing wears", "interval:engine-oil", found, said, {}, 0)


@pytest.fixture(scope="module")
def leaked():
    """Half of the mounts meet a leak and then age twice as fast; the book says 1.5."""
    rng = np.random.default_rng(4)
    n, factor = 160, 2.0
    onset = np.where(rng.random(n) < 0.5, rng.uniform(20e3, 120e3, n), 1e9)
    ripe = 120e3 * rng.standard_exponential(n) ** 0.35
    fails = np.where(ripe <= onset, ripe, onset + (ripe - onset) / factor)
    seen = rng.uniform(60e3, 200e3, n)
    km, failed = np.minimum(fails, seen), fails <= seen
    run = np.maximum(km - onset, 0)
    exposure = Exposure(np.zeros(n), run, run, failed & (run > 0))
    found = acceleration(Lives(np.zeros(n), km, np.where(failed, km, np.inf), np.ones(n)), exposure, 1.5)
    return AcceleratedLives("swells", "Mount swells", "seal-leak", "Seal leaks", found, 7)


@pytest.fixture(scope="module")
def unmet():
    nowhere = Exposure(*np.zeros((3, 2)), np.zeros(2, bool))
    found = acceleration(Lives.of([90e3], [120e3]), nowhere, 1.5)
    return AcceleratedLives("swells", "Mount swells", "seal-leak", "Seal leaks", found, 0)


def tables(sheet):
    """Tables by the label of their first column, each as rows of dicts."""
    return {
        block.columns[0].label: [dict(zip([c.label for c in block.columns], row, strict=True)) for row in block.rows]
        for block in sheet.blocks
        if isinstance(block, Table)
    }


def said(result, units=Units(), page=compared_lives):  # noqa: B008 - a frozen value
    return " ".join(to_text(page(result, units, MADE_ON), 200).split())


def leads(sheet):
    return [b.text for b in sheet.blocks if isinstance(b, Paragraph) and b.style == "lead"]


# the page of a comparison ------------------------------------------------------------------------------------------


def test_the_sentences_lead_word_for_word(few):
    assert leads(compared_lives(few, Units(), MADE_ON)) == list(few.sentences)


def test_levels_stand_with_their_own_records(few):
    rows = tables(compared_lives(few, Units(), MADE_ON))["Revision"]
    assert [(r["Revision"], r["Lives"], r["Failed"], r["At risk, km"]) for r in rows] == [
        ("A", "9", "4", "850,000"),
        ("B", "3", "0", "380,000"),
        ("C", "9", "1", "610,000"),
    ]
    assert rows[1]["1 in 10 failed by, km"] == rows[1]["Half failed by, km"] == "not determined"
    b10 = few.comparison.levels[0].b10
    assert rows[0]["1 in 10 failed by, km"].startswith(Units().show_number(b10.value))


def test_distances_are_in_the_readers_units_and_ratios_in_none(few):
    km, miles = (tables(compared_lives(few, units, MADE_ON)) for units in (Units(), Units("miles")))
    assert miles["Revision"][0]["At risk, miles"] == f"{round(850e3 / KM, -3):,.0f}"
    assert miles["Beside A"] == km["Beside A"]


def test_ends_without_a_bound_are_said_in_words(few):
    rows = {row["Beside A"]: row for row in tables(compared_lives(few, Units(), MADE_ON))["Beside A"]}
    low = few.comparison.contrast("B").ratio.estimate.low
    assert rows["B"]["By Weibull"] == f"over {low:.2f}"
    assert not re.search(r"\b(inf|nan)\b|∞", said(few))
    half = tables(compared_lives(few, Units(), MADE_ON))["Revision"][2]["Half failed by, km"]
    assert re.fullmatch(r"[\d,]+ \(over [\d,]+\)", half)


@pytest.mark.parametrize(
    ("ends", "shown"),
    [
        ((1.684, 1.56, 1.83), "1.68 (1.56 to 1.83)"),
        ((1.3, 1.0004, 1.7), "1.30 (1.0004 to 1.70)"),
        ((0.9, 0.8, 0.9996), "0.90 (0.80 to 0.9996)"),
        ((1.5, 0.7, inf), "1.50 (over 0.70)"),
        ((0.7, 0.0, 1.4), "0.70 (under 1.40)"),
        ((1.2, 0.0, inf), "1.20 (no limits)"),
        ((inf, 1.9, inf), "over 1.90"),
        ((0.0, 0.0, 0.5), "under 0.50"),
        ((inf, 0.0, inf), "any"),
        ((0.0123, 0.001, 12.3), "0.012 (0.0010 to 12)"),
    ],
)
def test_ratios_are_shown_with_sensible_digits_and_what_is_not_1_not_as_1(ends, shown):
    assert ratio_shown(Estimate(*ends)) == shown


def test_words_are_never_stronger_than_the_verdict(few, differing):
    assert {each.verdict for each in few.comparison.contrasts} == {"open"}
    assert not re.search(
        r"\b(lasts longer|does not last as long|a difference\b)(?! or)", said(few).split("ON THEIR")[1]
    )
    assert "As a whole no difference is shown, so no single one is claimed" in said(few)
    assert [row["Verdict"] for row in tables(compared_lives(differing, Units(), MADE_ON))["Beside A"]] == [
        "lasts longer"
    ]
    assert "As a whole the lives differ" in said(differing)


@pytest.mark.parametrize(
    ("verdict", "words"),
    [("longer", "lasts longer"), ("shorter", "does not last as long"), ("alike", "no difference that matters")],
)
def test_the_verdict_column_follows_the_verdict(differing, verdict, words):
    (contrast,) = differing.comparison.contrasts
    other = replace(
        differing, comparison=replace(differing.comparison, contrasts=(replace(contrast, verdict=verdict),))
    )
    assert tables(compared_lives(other, Units(), MADE_ON))["Beside A"][0]["Verdict"] == words


def test_a_test_below_5_percent_claims_nothing_where_the_whole_does_not(differing):
    doubted = replace(differing, comparison=replace(differing.comparison, different=False))
    says = {row["It says"] for row in tables(compared_lives(doubted, Units(), MADE_ON))["Test"]}
    assert "not enough by itself" in says
    assert "a difference" not in says


def test_more_failures_are_asked_for_only_where_it_is_open(few, differing):
    rows = tables(compared_lives(few, Units(), MADE_ON))["Beside A"]
    assert [row["More failures"] for row in rows] == [f"about {c.more_failures}" for c in few.comparison.contrasts]
    assert "More failures" not in tables(compared_lives(differing, Units(), MADE_ON))["Beside A"][0]


def test_tests_stand_with_their_chances(differing):
    rows = {row["Test"]: row for row in tables(compared_lives(differing, Units(), MADE_ON))["Test"]}
    found = differing.comparison
    assert rows["Log-rank, all failures alike"]["Statistic"] == f"{found.log_rank.chi2:.1f} on 1"
    assert rows["Likelihood ratio, Weibull"]["Chance if none"] == "under 0.001"
    assert rows["One ratio, early and late"]["Chance if none"] == f"{found.common_sigma.p:.3f}"
    assert rows["Cox, a check: B beside A"]["It says"] == f"hazard ratio {ratio_shown(found.cox.ratios[0].estimate)}"


def test_cox_is_absent_with_its_reason(few):
    assert few.comparison.cox is None
    assert f"is not given: {few.comparison.cox_absent}." in said(few)


def test_different_spreads_are_warned_of():
    rng = np.random.default_rng(8)
    spread = compared({"A": weibull(rng, 300, 120e3, 6.0), "B": weibull(rng, 300, 120e3, 1.5)})
    assert spread.comparison.caution
    assert "One ratio does not hold early and late" in said(spread)
    assert "not fair: the lives spread differently" in said(spread)


def test_what_was_left_out_and_what_never_failed_is_said(few, differing):
    assert "Left out: 3 lives of which the covariates are not known" in said(few)
    assert "None has failed yet: B;" in said(few)
    assert "None has failed" not in said(differing)
    assert "Left out" not in said(replace(differing, unknown=0))


def test_a_measure_is_told_per_step(step):
    sheet = compared_lives(step, Units(), MADE_ON)
    row = tables(sheet)["Engine-oil interval"][0]
    assert row["Engine-oil interval"] == "10,000 km longer"
    assert row["Verdict"] == "lives are shorter"
    assert sheet.title == "Bearing wears (wear), by engine-oil interval"
    assert "On their own records" not in to_text(sheet)
    assert not any(row["Test"].startswith(("Log-rank", "One ratio")) for row in tables(sheet)["Test"])


def test_what_is_held_equal_is_named():
    rng = np.random.default_rng(9)
    lives = weibull(rng, 400, 150e3)
    grade = Factor("grade", ("x", "y"), rng.integers(0, 2, 400))
    found = compare(lives, Factor("duty", ("soft", "hard"), rng.integers(0, 2, 400)), beside=[grade])
    result = ComparedLives("leak", "Pump leaks", "duty", found, ("Said.",), {}, 0)
    assert ("Held equal", "grade") in compared_lives(result, Units(), MADE_ON).facts
    assert "no log-rank test stands beside it" in said(result)


def test_one_family_alone_is_no_hole(differing):
    alone = replace(
        differing, comparison=replace(differing.comparison, regressions=differing.comparison.regressions[:1])
    )
    assert "By lognormal" not in tables(compared_lives(alone, Units(), MADE_ON))["Beside A"][0]
    assert "Only Weibull lives are determined" in said(alone)
    drawing = {d.name: d for d in charts.comparison_drawings(alone, Units())}["ratios"]
    assert "lognormal" not in json.dumps(drawing.chart.to_dict())


def test_figures_stand_where_they_belong_and_their_absence_leaves_no_hole(few, leaked):
    for page, result, names in (
        (compared_lives, few, ["curves", "ratios", "residuals"]),
        (accelerated_lives, leaked, ["factor"]),
    ):
        with_figures, without = page(result, Units(), MADE_ON, FIGURES), page(result, Units(), MADE_ON)
        assert [b.text for b in with_figures.blocks if isinstance(b, Figure)] == names
        words = [b for b in with_figures.blocks if not isinstance(b, Figure)]
        assert len(words) == len(without.blocks)


# the page of an acceleration ---------------------------------------------------------------------------------------


def test_the_verdict_leads_and_the_factor_is_explained(leaked):
    found = leaked.acceleration
    assert found.verdict == "shortens"
    sheet = accelerated_lives(leaked, Units(), MADE_ON)
    question = f"Does “{leaked.by_name}” shorten the life to “{leaked.name}”?"
    assert leads(sheet) == [f"{question} I{found.sentence[1:]}."]
    factor = found.record.value
    shown = Units().show_distance(1e4 * factor, 2)
    assert f"10,000 km use up as much of its life as {shown} without" in said(leaked, page=accelerated_lives)
    assert f"ages {factor:.2g} times as fast" in said(leaked, page=accelerated_lives)
    assert "10,000 miles use up" in said(leaked, Units("miles"), accelerated_lives)
    assert "100 hours use up" in said(leaked, Units("hours"), accelerated_lives)


@pytest.mark.parametrize("verdict", ["open", "no sign"])
def test_without_a_finding_the_factor_is_only_an_example(leaked, verdict):
    other = replace(leaked, acceleration=replace(leaked.acceleration, verdict=verdict))
    text = said(other, page=accelerated_lives)
    assert "What a factor of 2 would mean" in text
    assert "That means" not in text
    assert "It shortens" not in text


def test_factors_on_each_basis(leaked):
    found = leaked.acceleration
    rows = tables(accelerated_lives(leaked, Units(), MADE_ON))["Basis"]
    assert [row["Basis"] for row in rows] == ["judgement alone", "records alone", "records alone", "together"]
    column = "Ages so many times as fast"
    wanted = [found.judged, *(family.factor for family in found.families), found.together]
    assert [row[column] for row in rows] == [ratio_shown(each) for each in wanted]
    assert rows[-1]["Record"] == f"{100 * found.record_share:.0f} %"


def test_exposure_is_counted_in_the_readers_units(leaked):
    found = leaked.acceleration
    rows = tables(accelerated_lives(leaked, Units("miles"), MADE_ON))["Distance run"]
    assert rows[0]["miles"] == Units("miles").show_number(found.exposed)
    assert [row["Failed"] for row in rows] == [f"{found.exposed_failures:.0f}", f"{found.unexposed_failures:.0f}"]
    assert "Left out: 7 lives of which it is not known" in said(leaked, page=accelerated_lives)
    assert "Left out: 1 life of" in said(replace(leaked, left_out=1), page=accelerated_lives)


def test_mute_records_say_why(unmet):
    text = said(unmet, page=accelerated_lives)
    assert text.count("no distance was run with the other fault present") == 2
    assert "Left out" not in text
    assert [row["Basis"] for row in tables(accelerated_lives(unmet, Units(), MADE_ON))["Basis"]] == [
        "judgement alone",
        "together",
    ]


# charts ------------------------------------------------------------------------------------------------------------


def rows_of(chart):
    """(kind of mark, rows) of every layer."""
    spec = chart.to_dict()
    return [(layer["mark"]["type"], spec["datasets"][layer["data"]["name"]]) for layer in spec["layer"]]


def named(drawings):
    return {drawing.name: drawing.chart for drawing in drawings}


def test_curves_are_the_records_of_each_level_by_colour_and_dash(few):
    chart = named(charts.comparison_drawings(few, Units("miles")))["curves"]
    lines = [rows for kind, rows in rows_of(chart) if kind == "line"]
    assert [rows[0]["series"] for rows in lines] == ["A (4 failed)", "C (1 failed)"]
    for rows, curve in zip(lines, few.curves.values(), strict=True):
        at = pytest.approx(curve.km[0] / KM)
        assert [row["y"] for row in rows if row["x"] == at][:2] == pytest.approx([1, curve.survival[0]])
    dashes = [
        layer["encoding"]["strokeDash"]["scale"]["range"]
        for layer in chart.to_dict()["layer"]
        if "strokeDash" in layer["encoding"]
    ]
    assert len({tuple(dash) for dash in dashes[0]}) == len(few.curves)
    assert "none has failed: B" in " ".join(chart.to_dict()["title"]["subtitle"])


def test_of_many_levels_those_with_most_failures_are_drawn():
    groups = {name: Lives.of([60e3 + 1e3 * k] * (9 - k), [100e3] * 3) for k, name in enumerate("ABCDEFGH")}
    chart = named(charts.comparison_drawings(compared(groups), Units()))["curves"]
    drawn = [rows[0]["series"] for kind, rows in rows_of(chart) if kind == "line"]
    assert drawn == [f"{name} ({9 - k} failed)" for k, name in enumerate("ABCDEF")]
    assert "The 6 of 8 levels with most failures." in chart.to_dict()["title"]["subtitle"]


def test_ratios_are_the_estimates_and_an_open_end_runs_to_the_edge(few):
    chart = named(charts.comparison_drawings(few, Units()))["ratios"]
    layers = rows_of(chart)
    bars = next(rows for kind, rows in layers[2:] if kind == "rule")
    estimates = [each.ratio.estimate for each in few.comparison.contrasts]
    low, high = chart.to_dict()["layer"][0]["encoding"]["x"]["scale"]["domain"]
    assert [row["x"] for row in bars] == pytest.approx([e.low for e in estimates])
    assert [row["x2"] for row in bars] == pytest.approx([min(e.high, high) for e in estimates])
    assert bars[0]["x2"] == high  # B, of which none has failed
    zone = layers[0][1][0]
    assert (zone["x"], zone["x2"]) == pytest.approx((0.8, 1.25))
    assert low < 0.8
    shapes = [layer["mark"].get("shape") for layer in chart.to_dict()["layer"]]
    beyond = layers[shapes.index("triangle-right")][1]
    assert [row["place"] for row in beyond] == [bars[0]["place"]]
    words = next(rows for kind, rows in layers if kind == "text")
    assert [(row["name"], row["told"]) for row in words] == [
        (c.ratio.level, ratio_shown(c.ratio.estimate)) for c in few.comparison.contrasts
    ]


def test_far_ends_do_not_stretch_the_axis(few):
    (first, second), found = few.comparison.contrasts, few.comparison
    wide = replace(second, ratio=replace(second.ratio, estimate=Estimate(1.1, 1e-6, 1e9)))
    result = replace(few, comparison=replace(found, contrasts=(first, wide), regressions=found.regressions[:1]))
    low, high = named(charts.comparison_drawings(result, Units()))["ratios"].to_dict()["layer"][0]["encoding"]["x"][
        "scale"
    ]["domain"]
    assert 0.01 < low < high < 100


def test_a_measure_has_no_curves_so_its_ratio_comes_first(step, few):
    assert [d.name for d in charts.comparison_drawings(step, Units())] == ["ratios", "residuals"]
    assert [d.name for d in charts.comparison_drawings(few, Units())] == ["curves", "ratios", "residuals"]


def test_residuals_are_drawn_with_their_limits_and_the_unit_line(differing):
    residuals = differing.comparison.better.residuals
    chart = named(charts.comparison_drawings(differing, Units()))["residuals"]
    record, line = (rows for kind, rows in rows_of(chart) if kind == "line")
    assert [(row["x"], row["y"]) for row in line] == [(row["x"], row["x"]) for row in line]
    assert 0 < len(record) - 1 <= min(MANY, residuals.at.size)
    by_place = dict(zip(residuals.at.tolist(), residuals.hazard.tolist(), strict=True))
    assert all(row["y"] == pytest.approx(by_place[row["x"]]) for row in record[1:-1])
    assert f"leaves them at {show_share(residuals.outside)}" in " ".join(chart.to_dict()["title"]["subtitle"])


def test_the_density_is_the_results_and_the_records_stand_below(leaked):
    found = leaked.acceleration
    (drawing,) = charts.acceleration_drawings(leaked, Units())
    layers = {(kind, rows[0].get("series")): rows for kind, rows in rows_of(drawing.chart) if rows}
    together = layers["line", TOGETHER]
    at = np.log([row["x"] for row in together])
    assert [row["y"] for row in together] == pytest.approx(np.interp(at, found.ln_factor, found.density))
    bar = layers["rule", RECORDS][0]
    assert (bar["x"], bar["x2"]) == pytest.approx((found.record.low, found.record.high))
    judged = layers["line", BELIEF]
    at, y = np.log([row["x"] for row in judged]), np.array([row["y"] for row in judged])
    assert np.trapezoid(y, at) == pytest.approx(1, abs=1e-3)  # a density of ln factor
    below = np.trapezoid(np.where(at <= log(found.judged.low), y, 0), at)
    assert below == pytest.approx(0.025, abs=0.005)
    assert exp(at[y.argmax()]) == pytest.approx(1.5, rel=0.02)
    assert any(rows[0].get("x") == 1.0 for kind, rows in rows_of(drawing.chart) if kind == "rule")


def test_where_records_are_mute_only_the_judgement_is_drawn(unmet):
    (drawing,) = charts.acceleration_drawings(unmet, Units())
    assert {row.get("series") for _, rows in rows_of(drawing.chart) for row in rows} == {None, BELIEF}
    assert "determine no factor" in " ".join(drawing.chart.to_dict()["title"]["subtitle"])


def test_every_colour_has_its_dark_twin_and_no_number_is_infinite(few, step, leaked, unmet):
    made = [
        *charts.comparison_drawings(few, Units()),
        *charts.comparison_drawings(step, Units()),
        *charts.acceleration_drawings(leaked, Units()),
        *charts.acceleration_drawings(unmet, Units()),
    ]
    for drawing in made:
        json.dumps(drawing.chart.to_dict(), allow_nan=False)
        svg = charts.to_svg(drawing.chart)
        drawn = {colour.lower() for colour in re.findall(r'(?:fill|stroke)="(#\w+)"', svg)}
        assert drawn
        assert drawn <= set(DARK), drawing.name


def test_the_demo_is_told_from_its_records(demo_folder):
    bench = Workbench(demo_folder)
    by_grade = bench.compare("water-pump-leak", "grade")
    assert by_grade.sentences[0] in said(by_grade)
    assert "original" in [level.name for level in by_grade.comparison.levels]
    beside = bench.while_present("belt-cracks", "front-seal-leak")
    assert said(beside, page=accelerated_lives).count(beside.name) >= 2
