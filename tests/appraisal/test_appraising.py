"""A vehicle for sale prepared once and asked of as findings come in."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from ruamel.yaml import YAML

from tests.test_cli_appraisal import BELIEF
from tests.trace.family import WHOLE
from wearlore import cli
from wearlore.errors import AppraisalError
from wearlore.trace import Told
from wearlore.workbench import Workbench
from wearlore.workbench.appraisals import asked_for

TODAY = date(2026, 11, 26)
BUILT, KM = date(2021, 5, 1), 40_000.0
SEEN = (Told("clutch-worn"), Told("oil-sump"))


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Workbench:
    folder = tmp_path_factory.mktemp("appraising")
    book = {**WHOLE, "modes": {id_: {**mode, "belief": BELIEF} for id_, mode in WHOLE["modes"].items()}}
    with (folder / "book.yaml").open("w", encoding="utf-8") as file:
        YAML().dump(book, file)
    (folder / "vehicles.csv").write_text("vehicle,variant,built,history\nv1,a,2016-05-01,complete\n")
    assert cli.run(["records", "load", str(folder / "vehicles.csv"), "--in", str(folder)]) == 0
    return Workbench(folder)


@pytest.fixture(scope="module")
def appraising(bench):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("wearlore.appraisal.ages.SETS", 2)
        found = bench.appraising(bench.for_sale("a", BUILT, KM, (), complete=False, today=TODAY))
        assert found.simulated.here.runs
    return found


@pytest.fixture(scope="module")
def asked():
    return asked_for(8000.0, 9000.0, None, None, 5.6, KM)


def test_asked_again_it_answers_as_if_asked_for_the_first_time(bench, appraising, asked):
    """Breaks if what is kept from one answer changes the next."""
    appraising.answer(asked, SEEN)
    again = appraising.answer(asked, SEEN[:1])
    bills = replace(appraising.simulated.bills, _priced={"failed": {}, "worth": {}})
    fresh = replace(appraising)
    vars(fresh)["simulated"] = replace(appraising.simulated, bills=bills)
    assert fresh.answer(asked, SEEN[:1]) == again


def test_at_once_the_price_is_near_that_of_the_full_answer(appraising, asked):
    """A fault found for certain takes off less than while it might have been missed, so a third may be wanting."""
    before, after = appraising.answer(asked, ()), appraising.answer(asked, SEEN)
    near = appraising.at_once(before, SEEN)
    step = abs(after.even.even.value - before.even.even.value)
    assert step > 50
    assert near.value == pytest.approx(after.even.even.value, abs=0.35 * step)
    assert appraising.at_once(after, SEEN) == after.even.even
    assert near.high - near.low == pytest.approx(before.even.even.high - before.even.even.low)


def test_what_findings_did_adds_up_to_the_way_from_none_of_them(appraising, asked):
    found = appraising.answer(asked, SEEN)
    bare = appraising.at_once(found, ())
    assert len(found.moved) == len(found.said) == 2
    assert bare.value + sum(found.moved) == pytest.approx(found.even.even.value)
    assert found.moved[0] < 0


def test_a_look_names_what_it_shows(appraising, asked, bench):
    for look in appraising.answer(asked, ()).looks:
        assert len(look.sights) == len(look.shows)
        assert {finding.about for finding in look.findings} <= set(look.shows)
        observed = set(look.sights) & set(bench.book.observations)
        assert observed <= set(bench.book.inspections[look.inspection].observes)


@pytest.mark.parametrize("wrong", [(0.0, None, None), (8000.0, -1.0, None), (8000.0, None, float("nan"))])
def test_money_and_time_are_above_nothing(wrong):
    price, comparable, minutes = wrong
    with pytest.raises(AppraisalError, match="above 0"):
        asked_for(price, comparable, None, minutes, 5.0, KM)
