"""An appraisal as a page, a chart and a checklist of one page: what must not wait first, then price and looks."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import date
from math import exp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from wearlore.answers import Appraisal, BuyersLook, Compared, PricedFault, Stop, ToStandard, Withheld, YearsToCome
from wearlore.appraisal import EvenPrice, Finding, Sale, price_model
from wearlore.estimate import Estimate
from wearlore.report.appraisal import appraisal_sheet, decision, money, offer_in_words, verdict
from wearlore.report.charts import appraisal_drawings, to_svg
from wearlore.report.checklist import checklist
from wearlore.report.json import to_json
from wearlore.report.page import to_html
from wearlore.report.pdf import to_pdf
from wearlore.report.plain import to_text
from wearlore.report.sheet import Callout, Paragraph, StepBlock
from wearlore.units import Units

MADE_ON = date(2026, 11, 25)
UNITS = Units()
YEARS = YearsToCome(Estimate(6000.0, 5900.0, 6100.0), (4000.0, 8000.0), 7.25, 0.4, 0.05)
GLANCE = BuyersLook(
    "glance", "Glance with a lamp", 12.0, 80.0, 14.0, 150.0,
    (Finding("Oil on top", 0.2, 7000.0, 8250.0, True), Finding("Oil at the back", 0.1, 7950.0, 8010.0, False)),
    (0.72, 8260.0), ("oil-on-top", "oil-at-back", "hose-soft"), ("Oil on top", "Oil at the back", "Hose soft"),
    ("Take off the engine cover",), ("Lamp",),
    (("Running engine", "WARNING", "Keep clear."),), True,
)  # fmt: skip
GAUGE = replace(
    GLANCE, inspection="gauge", name="Gauge", worth=0.0, findings=(Finding("Low", 0.1, 7900.0, 8010.0, False),)
)
FAULTS = (
    PricedFault("chain", "Chain stretched", "", 0.5, 400.0, 2100.0, True, 0.9, ()),
    PricedFault("carbon@2", "Carbon deposits", "2", 0.6, 200.0, 630.0, False, 0.1, ("Borescope",)),
)
FOUND = Appraisal(
    vehicle="this vehicle", in_store=False, variant="m96", built=date(2016, 5, 1), km=158_000.0, history="not known",
    price=7800.0, furthest=None, stops=(), told=(), said=("Oil loss: there",), moved=(-120.0,),
    even=EvenPrice(Estimate(8000.0, 7700.0, 8300.0), 7500.0, 0.71),
    compared=Compared(Estimate(9000.0, 9000.0, 9000.0), "given", None, None, False, YEARS),
    more=Estimate(1000.0, 700.0, 1300.0), standard=ToStandard(900.0, (200.0, 1600.0), 0.05), years=YEARS,
    together=(6900.0, 4600.0, 9100.0), faults=FAULTS, looks=(GLANCE, GAUGE), withheld=(), minutes=None,
    horizon=100_000.0, per_year=24_000.0, unknown=(),
)  # fmt: skip
STOP = Stop("stop", "No oil pressure", "DANGER", "Stop the engine.", ("Oil lamp",))


def words(found=FOUND, units=UNITS, width=118):
    return " ".join(to_text(appraisal_sheet(found, units, MADE_ON), width).split())


def leads(found):
    return [b.text for b in appraisal_sheet(found, UNITS, MADE_ON).blocks if isinstance(b, Paragraph)]


@pytest.mark.parametrize(
    ("price", "said"),
    [(7400.0, "it is a good buy"), (7800.0, "it is just worth its money"), (8200.0, "it is too dear on the mean")],
)
def test_the_verdict_goes_by_where_the_asking_price_stands(price, said):
    assert said in verdict(replace(FOUND, price=price), UNITS)


def test_the_advice_names_both_prices_and_how_sure_it_is():
    text = leads(FOUND)[0]
    assert "Offer up to EUR 7,500: with that, buying turns out better with a chance of 90 %" in text
    assert "Walk away above EUR 8,000" in text
    assert "with a chance of 71 %" in text
    assert "Look first: Glance with a lamp (12 min)" in leads(FOUND)[1]


def test_a_vehicle_not_worth_anything_is_to_be_left():
    for even, offer, said in ((-200.0, -900.0, "walk away at any price"), (300.0, -100.0, "No offer is 90 % safe")):
        poor = replace(FOUND, even=EvenPrice(Estimate(even, even - 99, even + 99), offer, 0.01))
        assert said in offer_in_words(poor, UNITS)
        assert "−EUR" not in offer_in_words(poor, UNITS)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"looks": ()}, "Nothing is left that a buyer can look at"),
        ({"looks": (replace(GLANCE, worth=5.0),)}, "No look that is left is worth its time"),
        ({"looks": (GAUGE,)}, "No single look that is left turns the decision"),
        ({"looks": (replace(GLANCE, within=False),)}, "No look that is left is worth its time"),
    ],
)
def test_why_no_look_comes_first(changes, said):
    assert said in leads(replace(FOUND, **changes))[1]


@pytest.mark.parametrize(
    ("finding", "even", "said"),
    [
        (Finding("x", 0.1, 7000.0, 8100.0, True), 8000.0, "there: leave it"),
        (Finding("x", 0.9, 7500.0, 8100.0, True), 7600.0, "not there: buy"),
        (Finding("x", 0.9, 7900.0, 8100.0, False), 8000.0, "stays"),
    ],
)
def test_a_finding_says_which_way_it_turns_the_decision(finding, even, said):
    assert decision(finding, even, 7800.0) == said


def test_rules_come_before_any_price_on_both_papers():
    stopped = replace(FOUND, stops=(STOP,))
    for made in (appraisal_sheet(stopped, UNITS, MADE_ON), checklist(stopped, UNITS, MADE_ON)):
        assert isinstance(made.blocks[0], Callout)
        assert made.blocks[0].signal == "DANGER"


def test_what_is_drawn_out_beyond_records_and_market_is_said():
    far = replace(FOUND, furthest=120_000.0, compared=replace(FOUND.compared, beyond=True))
    assert "no vehicle on record has run further than 120,000 km" in words(far)
    assert "market prices hold no vehicle so old" in words(far)
    assert "drawn out" not in words()


def test_known_unknowns_stand_with_chance_and_cost():
    text = words()
    assert "WHAT CANNOT BE SEEN WELL WITHOUT DISMANTLING" in text
    assert "Carbon deposits (2) 60 % EUR 200 Borescope" in text
    assert "Chain stretched" not in text.split("WHAT CANNOT BE SEEN")[1].split("WHAT IT WILL COST")[0]


def test_money_and_its_sources_stand_in_the_sums():
    text = words()
    assert "Together 6,900 4,600 to 9,100" in text
    assert "(as said) 9,000" in text
    assert "Even price 8,000 7,700 to 8,300" in text
    cheaper = replace(FOUND, more=Estimate(-500.0, -600.0, -400.0))
    assert "costs less than that: 6,900 against 6,000 500 400 to 600" in words(cheaper)


def test_what_the_market_says_stands_in_shares_a_year_and_a_distance():
    sales = [
        Sale(20_000 * exp(-0.1 * a - 2e-6 * k), a, k) for a, k in ((1, 2e4), (3, 9e4), (5, 8e4), (7, 2e5), (9, 1e5))
    ]
    model = price_model([replace(sale, price=sale.price * (1 + 0.01 * (-1) ** i)) for i, sale in enumerate(sales)])
    priced = replace(FOUND.compared, source="market", single=Estimate(9e3, 6e3, 13_500.0), market=model)
    text = words(replace(FOUND, compared=priced))
    assert "5 prices of the market: 9." in text
    assert "% less per 10,000 km" in text
    assert "19 in 20 single ones of this age and odometer are priced at 6,000 to 13,500." in text


def test_looks_withheld_stand_with_their_reason():
    held = (Withheld("a", "Run it", "not while this holds: X"), Withheld("b", "Drive", "not while this holds: X"))
    assert "Not while this holds: X: Run it; Drive." in words(replace(FOUND, withheld=held))


def test_miles_are_told_as_miles():
    text = words(units=Units("miles", "lbf·ft", "USD"))
    assert "98,177 miles" in text
    assert "km" not in text.replace("known", "")


def test_it_is_all_there_as_json():
    told = json.loads(to_json(FOUND))
    assert told["even"]["even"]["low"] == 7700.0
    assert told["looks"][0]["findings"][0]["if_there"] == 7000.0
    assert told["faults"][1]["shown"] == 0.1


def test_money_has_its_sign_in_front():
    assert (money(8194.0, UNITS), money(-243.6, UNITS), money(0.2, UNITS)) == ("EUR 8,190", "−EUR 244", "EUR 0")


def test_the_chart_holds_the_price_and_each_finding_once():
    (drawing,) = appraisal_drawings(FOUND, UNITS)
    data = json.dumps(drawing.chart.to_dict())
    for name in ("Oil on top", "Oil at the back", "Low"):
        assert f'"name": "{name}"' in data
    assert "EUR 8,000 (7,700 to 8,300)" in data
    assert "<svg" in to_svg(drawing.chart)
    alone = appraisal_drawings(replace(FOUND, looks=()), UNITS)[0]
    assert "after one finding" not in json.dumps(alone.chart.to_dict())


def pages(found) -> int:
    return len(PdfReader(io.BytesIO(to_pdf([checklist(found, UNITS, MADE_ON)]))).pages)


def test_the_checklist_has_boxes_minutes_findings_and_cautions():
    made = checklist(FOUND, UNITS, MADE_ON)
    steps = [block for block in made.blocks if isinstance(block, StepBlock)]
    assert [(step.number, step.title, step.time) for step in steps] == [
        (1, "Glance with a lamp", "12 min"), (2, "Gauge", "12 min"),
    ]  # fmt: skip
    text = to_text(made)
    assert "[ ]" in text
    assert "Oil on top: 7,000 if there, 8,250 if not" in text
    assert "WARNING, running engine: Keep clear." in text
    assert "Take off the engine cover" in text
    assert 'aria-label="box to tick"' in to_html([made])
    assert pages(FOUND) == 1


def test_what_does_not_fit_into_the_time_stays_off_the_checklist():
    short = replace(FOUND, looks=(GLANCE, replace(GAUGE, within=False)))
    assert "Gauge" not in to_text(checklist(short, UNITS, MADE_ON))


@given(
    st.integers(0, 14),
    st.integers(1, 9),
    st.integers(0, 3),
    st.integers(0, 6),
    st.sampled_from(["word ", "Wm ", "il "]),
)
@settings(max_examples=25)
def test_the_checklist_is_one_page_however_much_there_is_to_say(looks, long, stops, hazards, word):
    text = (word * 12 * long)[: 70 * long].strip()
    name = (word * 12)[: 30 + 8 * long].strip()
    look = replace(
        GLANCE,
        name=name,
        findings=tuple(Finding(f"{name} {k}", 0.2, 7000.0, 8250.0, True) for k in range(4)),
        cautions=tuple((f"hazard {k}", "CAUTION", text[:140]) for k in range(hazards)),
    )
    found = replace(FOUND, looks=(look,) * looks, stops=(replace(STOP, text=text[:300]),) * min(stops, 2))
    assert pages(found) == 1
