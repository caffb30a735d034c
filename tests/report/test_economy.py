"""False economy as a page and as charts: what the result holds, never more than its verdicts bear."""

import re
from dataclasses import replace
from datetime import date
from math import inf

import numpy as np
import pytest

from wearlore.answers import ComponentEconomy
from wearlore.economy import Behind, Breakdown, Choice, Economy, Verdict
from wearlore.estimate import Estimate
from wearlore.report.charts import economy_drawings, to_svg
from wearlore.report.charts.look import DARK
from wearlore.report.economy import NO_END, component_economy
from wearlore.report.plain import to_text
from wearlore.report.sheet import Bullets, Figure, Paragraph
from wearlore.units import Units

KM, MILES = Units(), Units("miles")


def choice(grade, cost, cheapest, ahead, early=None, length=120_000.0):
    return Choice(
        remedy="pump", grade=grade, revision="B", price=40.0, visit_cost=300.0,
        length=Estimate(length, 0.9 * length, 1.1 * length),
        per_distance=Estimate(cost, cost - 20, cost + 30),
        breakdown=Breakdown(0.2 * cost, 0.3 * cost, 0.1 * cost, 0.4 * cost, 0.0),
        ahead=Estimate(ahead, ahead - 15, ahead + 25), behind=(Behind("pump-leak", 128, 409, 0.97, early),),
        missing_tools=(), cheapest=cheapest, cheapest_ahead=cheapest,
    )  # fmt: skip


def verdict(chance, more=190.0, chance_ahead=None):
    return Verdict(
        "pump", "economy", "original", Estimate(more, more - 50, more + 40), chance,
        Estimate(7.0, -10.0, 20.0), chance if chance_ahead is None else chance_ahead,
    )  # fmt: skip


def answer(choices=None, verdicts=(), unknown=(), cheaper=None):
    shown = choices or (
        choice("original", 486.0, 0.9, 590.0),
        choice("economy", 676.0, 0.1, 780.0, Estimate(0.076, 0.05, 0.1)),
    )
    n = len(shown)
    odds = np.full((n, n), 0.5) if cheaper is None else cheaper
    economy = Economy(
        "water-pump", "", "m96", date(2023, 6, 29), 100_000.0, tuple(shown), tuple(verdicts), unknown, odds, odds
    )
    return ComponentEconomy("Coolant pump", economy, {"pump": "Renew the pump"})


def sheet(result, units=KM, figures=None):
    return component_economy(result, units, date(2026, 11, 25), figures or {})


def words(result, units=KM):
    return " ".join(to_text(sheet(result, units), 118).split())


def lead(result, units=KM):
    return next(
        block.text for block in sheet(result, units).blocks if isinstance(block, Paragraph) and block.style == "lead"
    )


@pytest.mark.parametrize(
    ("chance", "more", "said"),
    [
        (
            0.0,
            190.0,
            "the economy part is a false economy against the original part: it costs EUR 190 more (140 to 230)",
        ),
        (1.0, -190.0, "the economy part pays against the original part: it costs EUR 190 less (150 to 240)"),
    ],
)
def test_a_sure_verdict_leads(chance, more, said):
    assert said in lead(answer(verdicts=[verdict(chance, more)]))
    assert "with a chance of over 99 %" in lead(answer(verdicts=[verdict(chance, more)]))


@pytest.mark.parametrize("chance", [0.06, 0.5, 0.94])
def test_an_open_verdict_is_never_called_anything_else(chance):
    result = answer(verdicts=[verdict(chance)])
    bullets = next(block for block in sheet(result).blocks if isinstance(block, Bullets))
    assert "it is open whether the economy part pays" in bullets.items[0]
    assert f"less with a chance of {100 * chance:.0f} %" in bullets.items[0]
    assert "false economy" not in lead(result).lower()
    assert "is open what costs least; with a chance of 90 %" in lead(result)


def test_none_is_called_cheapest_below_95_percent():
    near, sure = (
        answer((choice("original", 486.0, c, 590.0), choice("economy", 676.0, 1 - c, 780.0))) for c in (0.94, 0.96)
    )
    assert "costs least:" not in lead(near)
    assert "In the long run Renew the pump (original) costs least: EUR 486 (466 to 516) per 100,000 km." in lead(sure)


def test_the_other_way_round_ahead_is_said():
    assert "it is the other way round" in words(answer(verdicts=[verdict(0.02, chance_ahead=0.9)]))
    assert "it is the other way round" not in words(answer(verdicts=[verdict(0.02, chance_ahead=0.1)]))


def test_an_interval_on_both_sides_says_which_is_which():
    crossing = replace(verdict(0.3), more=Estimate(16.0, -11.0, 39.0))
    assert "EUR 16 more (11 less to 39 more) per 100,000 km" in words(answer(verdicts=[crossing]))


def test_money_per_distance_is_told_in_the_readers_unit():
    """EUR 486 per 100,000 km are 486 x 1.609344 = EUR 782 per 100,000 miles; money ahead stays."""
    assert "782 (750 to 830)" in words(answer(), MILES)
    assert "EUR per 100,000 miles" in words(answer(), MILES)
    assert "590 (575 to 615)" in words(answer(), MILES)
    assert "EUR over 62,100 miles" in words(answer(), MILES)
    assert "74,600 (67,100 to 82,000)" in words(answer(), MILES)


def test_a_family_without_odometers_is_told_per_1000_hours():
    assert "EUR 5 (5 to 5) per 1,000 hours" in words(answer(), Units("hours"))


def test_the_break_down_adds_up_and_other_modes_are_told_only_where_there_are_any():
    text = words(answer())
    assert "Renew the pump (original) 97 146 49 194 486" in text
    assert "Other modes" not in text
    first, second = answer().economy.choices
    split = replace(first.breakdown, others=33.0)
    assert "Other modes" in words(answer((replace(first, breakdown=split), second)))


def test_what_it_rests_on_and_what_is_left_out():
    text = words(answer(unknown=("pump-noise",)))
    assert "pump-leak 128 409 97 % no sign" in text
    assert "pump-leak 128 409 97 % 7.6 % (5.0 % to 10 %)" in text
    assert "Left out, of neither record nor judgement: pump-noise" in text
    first, second = answer().economy.choices
    tool = answer((replace(first, missing_tools=("puller",)), second))
    assert "Renew the pump (original) needs tools that are not to be had here: puller" in words(tool)
    assert "judgement more than on records" not in text
    judged = replace(first, behind=(Behind("pump-leak", 0, 0, 0.1, None),))
    assert "judgement more than on records: Renew the pump (original)." in words(answer((judged, second)))


def test_pairs_are_told_from_three_choices_on():
    assert "Chance that one costs less" not in words(answer())
    odds = np.array([[0.5, 0.88, 0.999], [0.12, 0.5, 0.7], [0.001, 0.3, 0.5]])
    three = (*answer().economy.choices, choice("upgrade", 700.0, 0.0, 800.0))
    text = words(answer(three, cheaper=odds))
    assert "1 Renew the pump (original) 88 % over 99 %" in text
    assert "3 Renew the pump (upgrade) under 1 % 30 %" in text


def test_one_way_only_is_no_contest():
    result = answer((choice(None, 129.0, 1.0, 405.0),))
    assert lead(result) == (
        "The book has one way: Renew the pump. It costs EUR 405 (390 to 430) over the next 100,000 km, "
        "EUR 129 (109 to 159) per 100,000 km in the long run."
    )
    assert "Cheapest" not in to_text(sheet(result), 118)


def endless():
    first, second = answer().economy.choices
    nothing = Breakdown(0.0, 0.0, 0.0, 0.0, 0.0)
    never = replace(
        second, length=Estimate(inf, inf, inf), per_distance=Estimate(0.0, 0.0, 0.0), breakdown=nothing, cheapest=1.0
    )
    return answer((never, replace(first, cheapest=0.0)), [verdict(1.0, -486.0)])


def test_pieces_that_never_fail_are_no_proof_of_money_saved():
    text = words(endless())
    assert "pays" not in text
    assert "no answer for the long run on the economy part against the original part" in text
    assert "Caution: by their records some pieces of Renew the pump (economy) never fail" in text
    assert NO_END in text
    assert "In the long run" not in lead(endless())
    assert "EUR 0" not in text


def test_a_length_without_upper_end_is_said_in_words():
    first, second = answer().economy.choices
    assert "120,000 (over 90,000)" in words(answer((replace(first, length=Estimate(120e3, 90e3, inf)), second)))


def test_a_figure_stands_in_its_place_and_leaves_no_hole():
    figures = {drawing.name: Figure("<svg/>", drawing.text) for drawing in economy_drawings(answer(), KM)}
    with_, without = sheet(answer(), figures=figures).blocks, sheet(answer()).blocks
    assert [block for block in with_ if not isinstance(block, Figure)] == list(without)
    assert [block for block in with_ if isinstance(block, Figure)] == list(figures.values())


# charts --------------------------------------------------------------------------------------------------------------


def rows(chart, kind):
    spec = chart.to_dict()
    layers = [layer for layer in spec["layer"] if layer["mark"]["type"] == kind]
    return [spec["datasets"][layer["data"]["name"]] for layer in layers]


def drawing(result, name, units=KM):
    return next(one.chart for one in economy_drawings(result, units) if one.name == name)


@pytest.mark.parametrize(("units", "factor"), [(KM, 1.0), (MILES, 1.609344)])
def test_bars_are_the_break_down_and_whiskers_the_interval(units, factor):
    chart = drawing(answer(), "long-run", units)
    for k, one in enumerate(answer().economy.choices):
        bars = [bar for bar in rows(chart, "bar")[0] if bar["row"] == k]
        split = one.breakdown
        spans = [bar["end"] - bar["x"] for bar in bars]
        assert spans == pytest.approx([factor * m for m in (split.part, split.labour, split.visit, split.consequence)])
        assert bars[-1]["end"] == pytest.approx(factor * one.per_distance.value)
        whisker = rows(chart, "rule")[0][k]
        limits = one.per_distance.low, one.per_distance.high
        assert (whisker["low"], whisker["high"]) == pytest.approx([factor * end for end in limits])
        assert whisker["told"] == f"EUR {factor * one.per_distance.value:,.0f}"


def test_points_are_the_money_ahead_in_the_same_order():
    shown = rows(drawing(answer(), "ahead", MILES), "point")[0]
    assert [(row["row"], row["x"], row["low"], row["high"]) for row in shown] == [
        (0, 590, 575, 615),
        (1, 780, 765, 805),
    ]
    assert shown[1]["name"] == "Renew the pump (economy), cheapest: 10 %"


def test_what_never_ends_has_no_bar_and_no_whisker():
    chart = drawing(endless(), "long-run")
    assert {bar["row"] for bar in rows(chart, "bar")[0]} == {row["row"] for row in rows(chart, "rule")[0]} == {1}
    assert [row["told"] for row in rows(chart, "text")[1]] == [NO_END, "EUR 486"]
    assert "cheapest" not in to_svg(chart)
    first = endless().economy.choices[0]
    assert [one.name for one in economy_drawings(answer((first,)), KM)] == ["ahead"]


def test_every_colour_has_its_dark_twin():
    for one in economy_drawings(answer(), KM):
        drawn = set(re.findall(r'(?:fill|stroke)="(#\w+)"', to_svg(one.chart).lower()))
        assert drawn
        assert drawn <= set(DARK)
