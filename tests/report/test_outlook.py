"""The outlook as a page and as charts: owner's words that claim no more than the intervals bear."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from wearlore.answers import ModeBehind, NothingShared, TrackRecord, VehicleOutlook
from wearlore.estimate import Estimate
from wearlore.hindsight import Coverage, Tally
from wearlore.lives import Evidence
from wearlore.outlook.forecast import Driver, Forecast, Saving, Year, Yearly
from wearlore.report.charts import outlook_drawings, to_svg
from wearlore.report.json import to_json
from wearlore.report.outlook import listed, saving_in_words, saving_of, vehicle_outlook
from wearlore.report.plain import to_text
from wearlore.scope import Terms
from wearlore.units import Units
from wearlore.vehicle import Vehicle

KM, MILES = Units(), Units("miles")
NOTHING = Estimate(0.0, 0.0, 0.0)


def about(value, part=0.1):
    return Estimate(value, value * (1 - part), value * (1 + part))


def cost_of(total, years=2, looks=NOTHING):
    each = total / years
    told = tuple(
        Year(
            y, about(each), (0.4 * each, 0.9 * each, 1.7 * each), about(1.5),
            tuple(each * y * share for share in (0.6, 0.8, 0.95, 1.1, 1.4)), each * y,
        )
        for y in range(1, years + 1)
    )  # fmt: skip
    drivers = (
        Driver(("pump",), ("pump-leak",), about(0.6 * total), 0.6, about(0.8)),
        Driver(("plug/1", "plug/2"), ("plug-open",), about(0.392 * total), 0.392, about(2.4)),
        Driver(("hose",), ("hose-split",), about(0.008 * total), 0.008, about(0.002)),
    )
    return Forecast(
        about(total), (0.7 * total, 0.97 * total, 1.4 * total), about(1.5 * years), (1.0, 3.0, 6.0),
        about(0.3), about(0.02), told, drivers, looks,
    )  # fmt: skip


def outlook(**changes):
    evidence = Evidence(exact=30, good=170)
    known = VehicleOutlook(
        vehicle=Vehicle("v1", "m96", date(2016, 5, 1), 120_000.0),
        terms=Terms(70.0, 40.0, 0.04, 40_000.0, 20_000.0),
        yearly=Yearly(20_000.0, 0.1, 19_000.0, 5.25),
        ahead=40_000.0,
        years=2,
        by_distance=False,
        paths=20_000,
        draws=64,
        told="advice",
        policies={"advice": cost_of(2_000.0), "only failed": cost_of(2_600.0), "all in reach": cost_of(2_050.0)},
        savings=(
            Saving("advice", "only failed", Estimate(600.0, 450.0, 780.0), 0.8, 0.02),
            Saving("advice", "all in reach", Estimate(50.0, -90.0, 180.0), 0.55, 0.05),
            Saving("only failed", "all in reach", Estimate(-550.0, -700.0, -400.0), 0.2, 0.0),
        ),
        apart=NothingShared(40_000.0, about(2_700.0), (1_500.0, 2_650.0, 4_000.0)),
        modes={
            "pump-leak": ModeBehind("Pump weeps", "pump", evidence, 0.9),
            "plug-open": ModeBehind("Plug open", "plug", evidence, 0.3),
            "hose-split": ModeBehind("Hose split", "hose", evidence, 0.8),
        },
        found=(),
        probable=(),
        seen_to=400_000.0,
    )
    return replace(known, **changes)


def words(result, units=KM):
    return " ".join(to_text(vehicle_outlook(result, units, date(2026, 11, 25)), 118).split())


def test_it_leads_with_what_it_comes_to_and_the_range_of_vehicles():
    said = words(outlook())
    assert (
        "Following the advice at each visit, the next 2 years are expected to cost EUR 2,000, EUR 1,000 a year;" in said
    )
    assert "8 in 10 vehicles like this one pay between 1,400 and 2,800." in said
    assert "3.0 visits are expected, 1 to 6 in 8 of 10. EUR 1,000 falls in the first year." in said
    assert "stranded at least once is 30 % (27 % to 33 %)" in said


def test_a_saving_is_claimed_only_when_its_interval_excludes_none():
    said = words(outlook())
    assert "Against curing only what failed: EUR 600 less (450 to 780); less in 80 % of courses." in said
    assert (
        "Against renewing all within reach: EUR 50 less (from 90 more to 180 less), so it is open which costs less"
        in said
    )


def test_told_the_other_way_round_a_saving_is_its_own_negative():
    turned = saving_of(outlook(), "only failed", "advice")
    assert (turned.money.value, turned.money.low, turned.money.high) == (-600.0, -780.0, -450.0)
    assert turned.cheaper == pytest.approx(0.18)
    assert "Against following the advice at each visit: EUR 600 more (450 to 780)" in saving_in_words(turned, KM)
    assert "Curing only what failed, the next 2 years" in words(outlook(told="only failed"))
    same = Saving("a", "only failed", Estimate(0.0, 0.0, 0.0), 0.0, 1.0)
    assert saving_in_words(same, KM) == "Against curing only what failed: the same in every course."


def test_every_policy_has_its_line_and_the_exact_one_says_over_what():
    said = words(outlook())
    for line in ("Cure only what failed 2,600 (2,340 to 2,860)", "Each failure by itself, 2,700", "over 40,000 km"):
        assert line in said


def test_an_odometer_beyond_all_records_is_said_to_extrapolate():
    assert "extrapolates" not in words(outlook())
    beyond = words(outlook(seen_to=100_000.0))
    assert "NOTICE" in beyond
    assert "No vehicle on record stands beyond 100,000 km. What is said here extrapolates" in beyond
    passing = words(outlook(seen_to=150_000.0))
    assert "NOTICE" not in passing
    assert "It ends at about 160,000 km; records reach to 150,000 km: beyond, lives are extrapolated." in passing


def test_a_distance_ahead_is_told_by_distance():
    said = words(outlook(by_distance=True))
    assert "the next 40,000 km are expected to cost EUR 2,000; 8 in 10" in said
    assert "to 20,000 km" in said
    assert "give or take" not in said
    assert "give or take 10 %; 19,000 km by its own record of 5.2 years" in words(outlook())


def test_distances_are_in_the_readers_units():
    said = words(outlook(by_distance=True), MILES)
    assert "the next 24,900 miles" in said
    assert "74,565 miles" in said


def test_what_is_found_or_may_be_there_or_unknown_stands_at_the_head():
    said = words(outlook(found=("Seal leaks (seal)",), probable=("Clutch worn (clutch)",), unknown=("stone",)))
    assert "Cured first Seal leaks (seal)" in said
    assert "May be there Clutch worn (clutch)" in said
    assert "Left out stone: neither record nor judgement" in said


def test_drivers_are_listed_from_one_percent_and_say_what_they_rest_on():
    told = outlook().policies["advice"]
    assert [driver.modes for driver in listed(told)] == [("pump-leak",), ("plug-open",)]
    said = words(outlook())
    assert "Plug open (2 of them) 784 (706 to 862) 39 % 2.4 30 30 %" in said
    assert "1 other 16 0.8 %" in said
    assert "90 failures in 600 lives of 3 failure modes. 61 % of the expected cost comes from failures known" in said


def test_what_planned_looks_cost_stands_beside_the_drivers():
    assert "Planned looks" not in words(outlook())
    planned = outlook(policies={"plan": cost_of(2_000.0, looks=about(100.0))}, told="plan", savings=())
    assert "Keeping to the plan, the next 2 years" in words(planned)
    assert "Planned looks 100 (90 to 110) 5.0 %" in words(planned)


def test_how_forecasts_held_is_said_beside_this_one():
    assert "The records are too short to hold forecasts against what happened." in words(outlook())
    half, most = (Coverage(level, about(level), 19, 18.0, 20) for level in (0.5, 0.9))
    held = Tally(550.0, (534, 567), (511, 591), 548, (0.4, 0.5), 1.0, 5.0, np.ones(1))
    record = TrackRecord("12m", date(2023, 12, 31), date(2024, 12, 31), 20, half, most, held)
    said = words(outlook(track_record=record))
    assert "Held against the last 12 months: 550 failures were forecast (511 to 591), 548 happened." in said


def test_a_vehicle_that_nothing_can_fail_on_has_a_page():
    none = NOTHING
    nothing = Forecast(
        none, (0.0, 0.0, 0.0), none, (0.0, 0.0, 0.0), none, none,
        (Year(1, none, (0.0,) * 3, none, (0.0,) * 5, 0.0),), (), NOTHING,
    )  # fmt: skip
    empty = outlook(policies={"advice": nothing}, savings=(), apart=None, modes={}, years=1)
    assert "the next year is expected to cost EUR 0" in words(empty)
    assert "Nothing is known that can fail." in words(empty)
    assert [drawing.name for drawing in outlook_drawings(empty, KM)] == ["fan", "years", "policies"]
    for drawing in outlook_drawings(empty, KM):
        to_svg(drawing.chart)


@pytest.mark.parametrize("by_distance", [False, True])
def test_the_charts_hold_what_the_page_says(by_distance):
    result = outlook(by_distance=by_distance)
    drawings = {drawing.name: to_svg(drawing.chart) for drawing in outlook_drawings(result, KM)}
    assert list(drawings) == ["fan", "years", "policies", "drivers"]
    assert ("Years from now" in drawings["fan"]) is not by_distance
    for told in ("EUR 2,000", "EUR 2,600, 600 more", "EUR 2,050, open", "EUR 2,700"):
        assert told in drawings["policies"]
    assert "Plug open (2 of them)" in drawings["drivers"]
    assert "Not drawn: 1 other, together 0.8 %" in drawings["drivers"]
    assert "NaN" not in "".join(drawings.values())


def test_every_figure_is_in_the_json():
    plain = json.loads(to_json(outlook()))
    assert plain["policies"]["advice"]["cost"] == {"value": 2000.0, "low": 1800.0, "high": 2200.0, "level": 0.95}
    assert plain["savings"][0]["money"]["low"] == 450.0
    assert [year["number"] for year in plain["policies"]["advice"]["years"]] == [1, 2]
    assert plain["apart"]["spread"] == [1500.0, 2650.0, 4000.0]
