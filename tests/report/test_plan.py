"""The plan's sheets and drawings: what they say of a small family, in km and miles, and that nothing is left out."""

from dataclasses import replace
from datetime import date
from math import inf

import numpy as np
import pytest

from tests.plan.family import BOOK, TERMS, VEHICLE, builder, planned, weighed
from wearlore.answers.plan import FluidInterval, MaintenancePlan, PlannedMode
from wearlore.estimate import Estimate
from wearlore.plan import Asked, Measured, calendar, changes, finely, oil_choice
from wearlore.report import plan as pages
from wearlore.report import strategy as details
from wearlore.report.charts import plan as charts
from wearlore.report.charts import to_svg
from wearlore.report.json import to_json
from wearlore.report.page import to_html
from wearlore.report.plain import to_text
from wearlore.units import Units

DAY = date(2024, 5, 1)
KM, MILES = Units(), Units(distance="miles")
NAMES = {
    id_: entry.name
    for kind in (BOOK.modes, BOOK.remedies, BOOK.inspections, BOOK.components)
    for id_, entry in kind.items()
}


def whole(terms=TERMS, **asked) -> MaintenancePlan:
    found = planned(terms, **asked)
    services = calendar(found, VEHICLE, weighed(terms), builder(terms).prices, 200_000)
    return MaintenancePlan(
        "F", "a", "", 0.0, 200_000, terms, found, services, ("unheard",), ("uncured",), ("gone",), NAMES
    )


@pytest.fixture(scope="module")
def plan() -> MaintenancePlan:
    return whole()


@pytest.fixture(scope="module")
def mode() -> PlannedMode:
    one = next(w for w in weighed() if w.subject.mode == "stretches")
    found = next(m for m in planned().modes if m.mode == "stretches")
    curves = tuple(finely(one).curve(*key) for key in (("renew", ""), ("inspect", "read")))
    told = tuple(changes(one, found.options[0].kind))
    return PlannedMode("a", "", TERMS, found, BOOK.modes["stretches"].lead, curves, told, NAMES)


@pytest.fixture(scope="module")
def fluid() -> FluidInterval:
    one = next(w for w in weighed() if w.subject.mode == "stretches")
    effect = Measured("stretches", Estimate(0.7, 0.6, 0.8), 10_000, 20_000)
    every = (10_000, 20_000, 30_000, 40_000)
    choice = oil_choice(
        [(one, next(iter(one.options())), effect)], every, 150, 20_000, (12_000, 30_000), rng=np.random.default_rng(1)
    )
    return FluidInterval("chain", "a", TERMS, choice, 4, NAMES)


def text(sheet) -> str:
    return " ".join(to_text(sheet, 118).split())


def test_every_mode_stands_in_the_plan_with_its_strategy(plan):
    said = text(pages.maintenance_plan(plan, KM, DAY))
    for one in plan.plan.modes:
        assert one.mode in said
        if one.chosen.every < inf:
            assert f"{one.chosen.every:,.0f}" in said
    assert "CALENDAR" in said


def test_what_is_left_out_is_said(plan):
    said = text(pages.maintenance_plan(plan, KM, DAY))
    assert "no longer has it: gone." in said
    assert "nothing in the book cures it with the tools at hand: uncured." in said
    assert "neither record nor judgement: unheard." in said


def test_money_is_told_for_the_reader_s_distance(plan):
    lead = text(pages.maintenance_plan(plan, MILES, DAY))
    money = round(plan.plan.grouped * 1.609344)
    assert f"costs EUR {money:,} per 100,000 miles" in lead
    assert "every 12,400 miles" in lead


def test_a_ceiling_that_nothing_holds_is_a_warning():
    said = text(pages.maintenance_plan(whole(replace(TERMS, ceilings={"engine-damage": 1e-15})), KM, DAY))
    assert "[ WARNING ] No task keeps Chain below its ceiling" in said
    assert "its owner must decide knowing that" in said


def test_what_was_asked_for_is_marked():
    said = text(pages.maintenance_plan(whole(leaks=Asked("renew", 100_000)), KM, DAY))
    assert "leaks (asked)" in said


def test_services_at_which_the_same_is_done_are_told_once(plan):
    groups = pages.alike(plan.services)
    assert sum(len(group) for group in groups) == sum(bool(service.jobs) for service in plan.services)
    for group in groups:
        assert all(service.jobs == group[0].jobs for service in group)


def test_a_mode_in_detail_says_why_and_what_would_change_it(mode):
    said = text(details.planned_mode(mode, KM, DAY))
    assert "40,000 km (20,000 to 80,000)" in said
    assert "would cost less, but the chance of a failure" in said or mode.mode.options[0].held
    for option in mode.mode.options:
        assert f"{round(option.cost.value):,} (" in said
    assert said.count("Were ") == len(mode.changes) > 0


def test_an_interval_says_what_is_proven_and_what_is_beyond(fluid):
    said = text(details.fluid_interval(fluid, KM, DAY))
    assert "Changing the chain every" in said
    assert "40,000, beyond the records" in said
    assert "0.70 (0.60 to 0.80)" in said
    assert ("it saves" in said) == (fluid.choice.saving.low > 0)


def test_drawings_show_what_the_words_say(plan, mode, fluid):
    (calendar_,) = charts.plan_drawings(plan, KM)
    drawn = to_svg(calendar_.chart)
    for service in plan.services:
        for job in service.jobs:
            assert NAMES[job.inspection or job.remedy] in drawn
    (cost,) = charts.mode_drawings(mode, MILES)
    assert "Distance between planned actions, miles" in to_svg(cost.chart)
    (interval,) = charts.fluid_drawings(fluid, KM)
    assert f"{fluid.choice.best.value:,.0f} km" in to_svg(interval.chart)


def test_where_nothing_is_planned_nothing_is_drawn(plan):
    empty = replace(plan, services=())
    assert charts.plan_drawings(empty, KM) == ()
    assert "Nothing is planned over the next 200,000 km." in text(pages.maintenance_plan(empty, KM, DAY))


def test_pages_and_json_are_made_of_it(plan, mode, fluid):
    sheets = [
        pages.maintenance_plan(plan, KM, DAY),
        details.planned_mode(mode, KM, DAY),
        details.fluid_interval(fluid, KM, DAY),
    ]
    assert to_html(sheets).count("<h1") >= 3
    for result in (plan, mode, fluid):
        assert "NaN" not in to_json(result)
