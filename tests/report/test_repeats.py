"""Repairs that come again as a page and as charts: what the result holds, no more than its tests bear."""

import re
from dataclasses import replace
from datetime import date
from math import inf

import numpy as np
import pytest

from wearlore.answers import RepeatedRepairs
from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life import Histories, compare_means, mean_cumulative, power_law, trend
from wearlore.lifetimes import LeftOut
from wearlore.report.charts import repeats_drawings, to_svg
from wearlore.report.charts.look import DARK
from wearlore.report.charts.repeats import CELLS
from wearlore.report.plain import to_text
from wearlore.report.repeats import repeated_repairs, seen_until
from wearlore.report.sheet import Figure, Paragraph
from wearlore.units import Units

KM, MILES = Units(), Units("miles")


def fleet(seed, vans, mean, power=1.0, start=0.0):
    """Vans seen from ``start`` to 100,000 to 200,000 km; ``mean`` repairs by 200,000 km."""
    rng = np.random.default_rng(seed)
    end = rng.uniform(100e3, 200e3, vans)
    count = rng.poisson(mean * (end / 200e3) ** power)
    van = np.repeat(np.arange(vans), count)
    km = end[van] * rng.random(van.size) ** (1 / power)
    seen = km > start
    return Histories.of(np.full(vans, start), end, van[seen], km[seen])


def joined(groups):
    parts = list(groups.values())
    offset = np.cumsum([0, *(len(part) for part in parts)])
    unit = np.concatenate([part.unit + k for part, k in zip(parts, offset, strict=False)])
    return Histories.of(*(np.concatenate([getattr(p, n) for p in parts]) for n in ("start", "end")), unit,
                        np.concatenate([p.km for p in parts]))  # fmt: skip


def answer(groups, by="", **more):
    """As the workbench answers."""
    whole = joined(groups)
    try:
        law, tendency, untold = power_law(whole), trend(whole), ""
    except FitError as error:
        law, tendency, untold = None, None, str(error)
    pair = tuple(groups)[:2] if len(groups) > 1 else None
    result = RepeatedRepairs(
        component="belt", mode="", name="Belt", by=by, places=len(whole), vehicles=len(whole),
        repairs=int(whole.events), found=int(whole.events) // 2, distance=whole.distance,
        curves={name: mean_cumulative(one) for name, one in groups.items()}, power_law=law, trend=tendency,
        untold=untold, comparison=compare_means(*(groups[name] for name in pair)) if pair else None, compared=pair,
        left_out=LeftOut(), ends_with_repair=0,
    )  # fmt: skip
    return replace(result, **more)


@pytest.fixture(scope="module")
def rising():
    return answer({"all": fleet(1, 200, 4.0, power=2.5)})


@pytest.fixture(scope="module")
def apart():
    return answer({"city": fleet(2, 150, 6.0), "road": fleet(3, 150, 2.0)}, "duty")


@pytest.fixture(scope="module")
def alike():
    return answer({"city": fleet(8, 60, 2.0), "": fleet(9, 60, 2.0)}, "duty")


def sheet(result, units=KM, figures=None):
    return repeated_repairs(result, units, date(2026, 11, 25), figures or {})


def words(result, units=KM):
    return " ".join(to_text(sheet(result, units), 118).split())


def lead(result, units=KM):
    return next(b.text for b in sheet(result, units).blocks if isinstance(b, Paragraph) and b.style == "lead")


def test_the_lead_tells_the_mean_and_the_trend(rising):
    curve = rising.curves["all"]
    mean, beta = curve.at(175e3), rising.power_law.beta
    assert lead(rising) == (
        f"By 175,000 km a vehicle has had {mean.value:.2f} ({mean.low:.2f} to {mean.high:.2f}) repairs on the mean. "
        "Repairs come more often with distance, "
        f"by a power law of exponent {beta.value:.2f} ({beta.low:.2f} to {beta.high:.2f})."
    )
    assert "it does not say that repairs are done badly" in words(rising)


def test_the_table_holds_the_curve_as_far_as_enough_places_are_seen(rising):
    curve, text = rising.curves["all"], words(rising)
    for km in (75e3, 100e3, 150e3, 175e3):
        mean, seen = curve.at(km), curve.histories.at_risk(np.array([km]))[0]
        assert re.search(rf"{km:,.0f} {mean.value:.2f} \({mean.low:.2f} to {mean.high:.2f}\) {seen:.0f}", text), km
    until = seen_until(curve)
    assert curve.histories.at_risk(np.array([until]))[0] == 10 == 0.05 * 200
    assert until < curve.until
    assert seen_until(mean_cumulative(fleet(1, 40, 2.0))) == np.sort(fleet(1, 40, 2.0).end)[-10]
    assert seen_until(mean_cumulative(fleet(1, 4, 2.0))) == np.sort(fleet(1, 4, 2.0).end)[-2]


def test_distances_are_the_readers(rising):
    assert lead(rising, MILES).startswith("By 120,000 miles a vehicle has had ")
    mean = rising.curves["all"].at(193_121.28)
    assert f"{mean.value:.2f} ({mean.low:.2f} to {mean.high:.2f})" in lead(rising, MILES)


def test_a_difference_is_claimed_only_where_the_test_shows_one(apart, alike):
    ratio = apart.comparison.ratio
    said = f"{ratio.value:.2f} times as often ({ratio.low:.2f} to {ratio.high:.2f}), chance if none under 0.001."
    assert lead(apart).startswith(f"Duty “city” is repaired more often than duty “road”: {said}")
    turned = replace(apart.comparison, t=-apart.comparison.t, ratio=Estimate(0.5, 0.4, 0.6))
    assert "less often than duty “road”: 0.50 times as often (0.40 to 0.60)" in lead(replace(apart, comparison=turned))
    assert alike.comparison.p_value > 0.05
    assert "show no difference between duty “city” and duty (not said): " in lead(alike)
    assert f"chance if none {alike.comparison.p_value:.2f}" in lead(alike)
    assert " is repaired " not in words(alike)
    assert "not yet a cause" in words(apart)


def test_each_group_is_told_and_two_of_many_are_said_to_be(apart):
    text = words(apart)
    assert "Duty “city”: 150 places" in text
    assert "Duty “road”: 150 places" in text
    assert "two groups with most repairs" not in text
    third = replace(apart, curves={**apart.curves, "taxi": mean_cumulative(fleet(6, 50, 2.0))})
    assert "The two groups with most repairs are compared." in words(third)


def test_a_ratio_without_repairs_on_one_side_is_said_in_words(apart):
    never = replace(apart.comparison, ratio=Estimate(inf, 0.0, inf))
    assert "more often than duty “road”: the second was never repaired" in lead(replace(apart, comparison=never))
    assert "∞" not in words(replace(apart, comparison=never))


@pytest.mark.parametrize(
    ("dispersion", "said"),
    [
        (0.4, "a new piece goes in"),
        (1.0, "neither for nor against"),
        (2.3, "the intervals of the power law are too narrow"),
    ],
)
def test_what_the_spread_of_counts_says_of_the_power_law(rising, dispersion, said):
    assert said in words(replace(rising, power_law=replace(rising.power_law, dispersion=dispersion)))


def test_the_trend_is_said_as_its_test_says(rising):
    none = replace(rising.trend, verdict="no trend to be seen")
    assert "No trend with distance is to be seen." in lead(replace(rising, trend=none))
    assert "That is not the same as no trend" in words(replace(rising, trend=none))
    assert "more often" not in lead(replace(rising, trend=none))
    less = replace(rising, trend=replace(rising.trend, verdict="less often with distance"))
    assert "Repairs come less often with distance" in lead(less)
    assert "robust test, chance if none under 0.001" in words(rising)
    assert "MIL-HDBK-189 test, chance if none" in words(replace(rising, trend=replace(rising.trend, by="military")))


def test_no_repair_is_bounded_and_says_why_there_is_no_trend():
    """With 40 vehicles seen all the way, -ln(0.025) / 40 = 0.092."""
    none = answer({"all": Histories.of(np.zeros(40), np.full(40, 100_000.0))})
    assert lead(none) == "By 100,000 km a vehicle has had 0 (0 to 0.092) repairs on the mean."
    assert "Nothing can be said: there is no repair" in words(none)


def test_one_history_has_no_limits():
    one = answer({"all": Histories.of([0.0], [90_000.0], [0, 0], [30_000.0, 60_000.0])})
    assert "2.00 (not bounded)" in lead(one)


def test_nothing_seen_is_said():
    nothing = replace(
        answer({"all": Histories.of([0.0], [1e3])}), curves={}, places=0, vehicles=0, power_law=None, trend=None
    )
    assert lead(nothing) == "No vehicle with belt was seen over any distance."
    assert repeats_drawings(nothing, KM) == ()


def test_records_that_begin_late_or_break_off_say_so():
    late = answer({"all": fleet(7, 80, 3.0, start=60e3)})
    assert lead(late).startswith("From 60,000 km to ")
    assert "counted from 60,000 km, the first distance seen" in words(late)
    broken = answer({"all": Histories.of([0, 0, 150e3, 150e3], [90e3, 100e3, 200e3, 210e3], [0, 2], [50e3, 180e3])})
    assert "Between 100,000 km and 150,000 km no place was seen" in words(broken)
    start, end = np.append(np.zeros(100), 300e3), np.append(np.full(100, 100e3), 310e3)
    assert "no place was seen" not in words(answer({"all": Histories.of(start, end, [0], [50e3])})), (
        "beyond what is told"
    )


def test_what_was_left_out_and_who_came_for_repairs_alone(rising):
    left = LeftOut(at_entry=7, no_distance=1, ahead=4, elsewhere=5, open=6)
    text = words(replace(rising, left_out=left, ends_with_repair=101))
    assert "7 repairs made in the very visit" in text
    assert "1 place seen at one distance only" in text
    assert "4 cures made where nobody had found the failure" in text
    assert "5 failures later found good" in text
    assert "6 failures not cured when the records end" in text
    assert "Caution: 101 of 200 places were last seen in a repair" in text
    assert "Left out" not in words(rising)
    assert "Caution" not in words(replace(rising, ends_with_repair=100))


def test_cures_of_one_mode_and_repairs_of_places_are_called_so(rising):
    assert "cures of this failure mode" in words(replace(rising, mode="belt-worn"))
    assert "cured a failure found then or before" in words(rising)
    assert "cured a failure found then or before" not in words(replace(rising, mode="belt-worn"))
    assert "one place (a position on a vehicle) has had" in lead(replace(rising, vehicles=50))


def test_figures_stand_in_their_places_and_leave_no_hole(apart):
    figures = {drawing.name: Figure("<svg/>", drawing.text) for drawing in repeats_drawings(apart, KM)}
    assert set(figures) == {"repairs", "difference"}
    with_, without = sheet(apart, figures=figures).blocks, sheet(apart).blocks
    assert [block for block in with_ if not isinstance(block, Figure)] == list(without)
    assert [block for block in with_ if isinstance(block, Figure)] == list(figures.values())


# charts ---------------------------------------------------------------------------------------------------------------


def lines(chart):
    spec = chart.to_dict()
    shown = (spec["datasets"][layer["data"]["name"]] for layer in spec["layer"] if layer["mark"]["type"] == "line")
    return {rows[0]["series"]: rows for rows in shown}


@pytest.mark.parametrize("units", [KM, MILES])
def test_steps_are_the_mean_cumulative_function(apart, units):
    chart = repeats_drawings(apart, units)[0].chart
    for group, curve in apart.curves.items():
        rows = lines(chart)[f"duty “{group}”"]
        assert len(rows) > 30
        for row in rows[1:-1]:
            mean = curve.at(units.to_km(row["x"]) + 1e-6)
            assert (row["y"], row["low"], row["high"]) == pytest.approx((mean.value, mean.low, mean.high))
        assert rows[0]["y"] == 0
        assert units.to_km(rows[-1]["x"]) == pytest.approx(seen_until(curve))
        xs = [row["x"] for row in rows]
        assert xs == sorted(xs)


def test_of_many_steps_the_last_of_each_cell_is_drawn():
    many = answer({"all": fleet(10, 300, 12.0)})
    rows, curve = lines(repeats_drawings(many, KM)[0].chart)["All"], many.curves["all"]
    until = seen_until(curve)
    steps = curve.km[curve.km <= until]
    assert steps.size > 5 * CELLS > 4 * len(rows)
    assert len(rows) > CELLS / 2
    assert rows[-2]["x"] == steps[-1]
    assert rows[1]["x"] == steps[steps < until / CELLS].max()


def test_the_power_law_stands_beside_all_repairs_only(rising, apart):
    rows = lines(repeats_drawings(rising, KM)[0].chart)["Power law"]
    law = rising.power_law
    assert [row["y"] for row in rows[1::20]] == pytest.approx(
        [(row["x"] / law.eta.value) ** law.beta.value for row in rows[1::20]]
    )
    assert "Power law" not in lines(repeats_drawings(apart, KM)[0].chart)


def test_the_difference_is_the_results(apart):
    rows = lines(repeats_drawings(apart, KM)[1].chart)["duty “city” less duty “road”"]
    found = apart.comparison
    for row in rows[1:-1]:
        k = np.flatnonzero(found.km == row["x"])[0]
        assert (row["y"], row["low"], row["high"]) == (found.difference[k], found.low[k], found.high[k])
    assert rows[-1]["x"] == min(seen_until(curve) for curve in apart.curves.values())


@pytest.mark.parametrize("vans", [1, 40])
def test_limits_without_end_can_be_drawn(vans):
    one = answer({"all": Histories.of(np.zeros(vans), np.full(vans, 90e3), [0], [30e3])})
    none = answer({"all": Histories.of(np.zeros(vans), np.full(vans, 90e3))})
    for result in (one, none):
        assert "NaN" not in to_svg(repeats_drawings(result, KM)[0].chart)


def test_every_colour_has_its_dark_twin(apart, rising):
    for one in (*repeats_drawings(apart, KM), *repeats_drawings(rising, KM)):
        drawn = set(re.findall(r'(?:fill|stroke)="(#\w+)"', to_svg(one.chart).lower()))
        assert drawn
        assert drawn <= set(DARK)
