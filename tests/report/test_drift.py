"""The page and charts of a drifting reading say what the result holds, and no more."""

import re
from dataclasses import replace
from datetime import date
from math import inf

import numpy as np
import pytest

from wearlore.answers import DriftingReading, PieceReading, VehicleDrift
from wearlore.estimate import Estimate
from wearlore.life import Paths, fit_drift, piece_path
from wearlore.report import charts
from wearlore.report.charts.drift import KIND, READ, SPOTS, TYPICAL
from wearlore.report.charts.look import DARK
from wearlore.report.drift import drifting_reading
from wearlore.report.plain import to_text
from wearlore.report.sheet import Callout, Figure, Table
from wearlore.units import Units

MADE_ON = date(2026, 11, 25)
NAME = "Piece on V1"


def result_of(up=True, vans=400):
    """An invented fleet: from 0.4 by 5.6 at the life of the piece, or down from 12.4 as fast."""
    rng = np.random.default_rng(11)
    piece = np.repeat(np.arange(vans), 3)
    age = rng.uniform(5_000, 140_000, piece.size)
    slope = rng.normal(5.0, 1.2, vans)[piece]
    value = 0.4 + slope * (age / 140_000) + 0.12 * rng.standard_normal(piece.size)
    value = value if up else 12.8 - value
    drift = fit_drift(Paths(piece, age, value), kappa=1.0)
    return DriftingReading(
        reading="cam-phase", name="Cam phase", unit="deg", mode="chain-stretch", limit=6.0 if up else 7.2,
        worse="higher" if up else "lower",
        elongation_at_limit=0.0071 if up else None, usual_elongation=0.03 if up else None, drift=drift,
        typical=drift.typical(np.linspace(0, drift.unit, 60)), ages=age, values=value, left_out=7, vehicle=None,
    )  # fmt: skip


def on_vehicle(result, read=((40e3, 1.8), (80e3, 3.3)), now=90e3, side="upper"):
    path = piece_path(result.drift, *np.array(read).reshape(-1, 2).T, rng=np.random.default_rng(1))
    left = path.distance_left(result.limit, now, side)
    longer = Estimate(0.0043, 0.0040, 0.0046) if result.elongation_at_limit else None
    piece = VehicleDrift("V1", now + 30e3, now, tuple(PieceReading(*one) for one in read), left, longer)
    return replace(result, vehicle=piece)


def with_left(result, **changes):
    """The same with other numbers of what is left."""
    return replace(result, vehicle=replace(result.vehicle, left=replace(result.vehicle.left, **changes)))


@pytest.fixture(scope="module")
def kind():
    return result_of()


@pytest.fixture(scope="module")
def falling():
    return result_of(up=False)


@pytest.fixture(scope="module")
def one(kind):
    return on_vehicle(kind)


def page(result, units=Units(), figures=None):  # noqa: B008 - a frozen value
    return drifting_reading(result, units, MADE_ON, figures or {})


def lead(result, units=Units()):  # noqa: B008 - a frozen value
    return page(result, units).blocks[0].text


def words(result, units=Units()):  # noqa: B008 - a frozen value
    return " ".join(to_text(page(result, units), 118).split())


def table(result, head, units=Units()):  # noqa: B008 - a frozen value
    (found,) = (b for b in page(result, units).blocks if isinstance(b, Table) and b.columns[0].label.startswith(head))
    return found.rows


def callouts(result):
    return [block for block in page(result).blocks if isinstance(block, Callout)]


# words: one vehicle --------------------------------------------------------------------------------------------------


def test_the_lead_says_the_last_reading_and_what_is_left(one):
    result = with_left(one, distance=Estimate(41_234, 18_012, 80_456), chance_beyond_now=0.0)
    assert lead(result) == (
        "V1: cam phase 3.3 deg at 80,000 km (last reading); to the limit of 6.0 deg about 41,200 km are left "
        "(18,000 to 80,500) from now, 120,000 km on the odometer."
    )
    assert "49,700 miles (last reading)" in lead(result, Units("miles"))
    assert "about 25,600 miles are left (11,200 to 50,000)" in lead(result, Units("miles"))
    assert not callouts(result)


def test_ends_that_nothing_bounds_are_said_in_words(one):
    assert "about 90,000 km are left (over 60,000)" in lead(with_left(one, distance=Estimate(90e3, 60e3, inf)))
    assert "to the limit of 6.0 deg over 60,000 km are left from now" in lead(
        with_left(one, distance=Estimate(inf, 60e3, inf))
    )
    assert "nothing can be said of what is left" in lead(with_left(one, distance=Estimate(inf, 0.0, inf)))
    assert "∞" not in words(with_left(one, distance=Estimate(inf, 0.0, inf)))


def test_a_typical_piece_beyond_the_limit_when_new_is_told(kind, falling):
    """Breaks if the side on which things are bad is taken from where the path goes."""
    assert lead(replace(kind, limit=0.2)).endswith("when new: beyond the limit of 0.2 deg.")
    assert "stays within" in lead(replace(kind, limit=0.2, worse="lower"))
    assert lead(replace(falling, limit=13.0)).endswith("when new: beyond the limit of 13.0 deg.")


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.0, "about"),
        (0.05, "about"),
        (0.06, "may be beyond the limit of 6.0 deg already (chance 6.0 %); at most 9,000 km are left"),
        (0.94, "may be beyond the limit of 6.0 deg already (chance 94 %)"),
        (0.95, "is beyond the limit of 6.0 deg already (chance 95 %)"),
        (1.0, "is beyond the limit of 6.0 deg already (chance over 99.9 %)"),
    ],
)
def test_what_may_be_beyond_is_told_no_surer_than_it_is(one, chance, said):
    result = with_left(one, chance_beyond_now=chance, distance=Estimate(4e3, 0.0, 9e3))
    assert said in lead(result)
    assert ("may be" in lead(result)) == (0.05 < chance < 0.95)
    assert ("WHAT IS LEFT" in to_text(page(result))) == (chance < 0.95)


def test_beyond_the_limit_the_makers_procedure_comes_first(kind, one):
    (caution,) = callouts(on_vehicle(kind, ((40e3, 3.9), (80e3, 7.4))))
    assert (caution.signal, caution.name) == ("WARNING", "A timing chain at its limit")
    assert "last reading is at or beyond the limit of 6.0 deg" in caution.text
    assert "the maker's procedure: follow it" in caution.text
    (caution,) = callouts(with_left(one, chance_beyond_now=0.3))
    assert "was not read beyond the limit, but by its path it may be there: chance 30 %" in caution.text
    unchained = replace(on_vehicle(kind, ((80e3, 7.4),)), elongation_at_limit=None)
    assert callouts(unchained)[0].signal == "CAUTION"
    assert "chain at its limit" not in words(unchained)


def test_where_less_is_worse_beyond_is_below(falling):
    near = on_vehicle(falling, ((40e3, 11.0), (80e3, 9.4)), side="lower")
    assert not callouts(near)
    assert "to the limit of 7.2 deg about" in lead(near)
    assert [row[-1] for row in table(near, "Age of the piece")] == ["within", "within"]
    past = on_vehicle(falling, ((40e3, 9.2), (80e3, 6.5)), side="lower")
    assert "is beyond the limit of 7.2 deg already" in lead(past)
    assert [row[-1] for row in table(past, "Age of the piece")] == ["within", "at or beyond the limit"]


def test_the_readings_of_the_piece_stand_with_age_and_odometer(one):
    """The piece was new at odometer 30,000 km."""
    assert table(one, "Age of the piece") == (
        ("40,000", "70,000 km", "1.80", "within"),
        ("80,000", "110,000 km", "3.30", "within"),
    )
    assert table(one, "Age of the piece", Units("miles"))[0][:2] == ("24,855", "43,496 miles")


def test_without_a_reading_only_the_kind_speaks(kind):
    bare = on_vehicle(kind, ())
    assert lead(bare).startswith("V1: no cam phase of the piece in place is on record, so only its kind speaks; to the")
    assert "None. A reading would narrow" in words(bare)


def test_at_round_distances_stand_value_and_chance_of_the_result(one):
    left = one.vehicle.left
    rows = table(one, "From now")
    assert rows[0][:2] == ("0", "120,000 km")
    steps = [float(row[0].replace(",", "")) for row in rows]
    assert len(set(np.diff(steps))) == 1
    for step, row in zip(steps, rows, strict=True):
        assert float(row[2]) == pytest.approx(np.interp(left.now + step, left.km, left.path), abs=0.051)
        assert row[1] == f"{120e3 + step:,.0f} km"
    chances = [row[-1] for row in rows]
    assert chances[0] == "under 0.1 %"
    assert chances[-1] != chances[0]
    assert "over 99.9 %" not in chances, "rows that tell nothing more"
    assert table(with_left(one, chance_beyond_now=0.04), "From now")[0][-1] == "4.0 %"


def test_elongation_stands_beside_what_is_usual_and_the_maker_comes_first(one, falling):
    text = words(one)
    assert "At the limit of the book the chain is longer by 0.71 % than new" in text
    assert "This chain, by its path, is now longer by 0.43 % (0.40 % to 0.46 %)" in text
    assert "usually renewed at 3 % (common practice, no source). Makers of engines set tighter limits" in text
    shorter = replace(one, vehicle=replace(one.vehicle, elongation=Estimate(0.0001, -0.0002, 0.0004)))
    assert "0.01 % (0.00 % to 0.04 %)" in words(shorter)
    assert "chain is longer" not in words(falling)


# words: pieces of its kind --------------------------------------------------------------------------------------------


def test_without_a_vehicle_the_lead_reads_the_crossing_off_the_typical_path(kind):
    """A straight path from 0 to 10 over 200,000 km; its limits and the fast and slow ends at 5 % and half of it."""
    km = np.linspace(0, 200e3, 5)
    value = km / 20e3
    straight = replace(
        kind.typical, km=km, value=value, low=value / 1.05, high=value * 1.05, piece_low=value / 2, piece_high=2 * value
    )
    result = replace(kind, typical=straight)
    assert lead(result) == (
        "A typical piece reaches the limit of 6.0 deg at about 120,000 km (114,000 to 126,000); 95 % of pieces reach "
        "it between about 60,000 km and an age beyond those read."
    )
    assert "about 74,600 miles (71,000 to 78,300)" in lead(result, Units("miles"))
    assert "Up to 200,000 km a typical piece stays within 20.0 deg" in lead(replace(result, limit=20.0))
    assert "between about 20,000 km and 80,000 km" in lead(replace(result, limit=2.0))
    assert lead(replace(result, limit=None)) == "A typical piece reads 0.0 deg when new and 10.0 deg at 200,000 km."


def test_a_path_that_falls_reaches_its_limit_too(falling):
    crossing = (12.4 - 7.2) / 5.0 * 140e3
    assert crossing > falling.drift.unit
    assert "stays within 7.2 deg" in lead(falling)
    reached = float(re.search(r"at about ([\d,]+) km", lead(replace(falling, limit=9.4)))[1].replace(",", ""))
    assert reached == pytest.approx(3.0 / 5.0 * 140e3, rel=0.05)


def test_the_limit_is_never_told_with_fewer_digits_than_the_book(kind):
    assert "limit of 5.255 deg" in lead(replace(kind, limit=5.255))
    assert "limit of 5.0 deg" in lead(replace(kind, limit=5.0))


def test_the_typical_path_stands_at_round_ages(kind):
    rows = table(kind, "Age, km")
    path = kind.typical
    for row in rows:
        age = float(row[0].replace(",", ""))
        assert age % 10_000 == 0
        assert float(row[1]) == pytest.approx(np.interp(age, path.km, path.value), abs=0.0051)
    assert sum(int(row[-1]) for row in rows) <= len(kind.ages)
    in_miles = table(kind, "Age, miles", Units("miles"))
    assert all(float(row[0].replace(",", "")) % 5_000 == 0 for row in in_miles)


def test_the_slow_end_that_runs_backwards_is_explained(kind):
    note = "slow end of their range may run backwards"
    assert note not in words(kind)
    turned = replace(kind.typical, piece_low=kind.typical.piece_low[0] - kind.typical.km / 1e5)
    assert note in words(replace(kind, typical=turned))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Pieces start alike and differ in how fast they change"),
        ({"differ": "not at all", "sd_slope": None}, "do not differ by more than the noise"),
        (
            {
                "differ": "in both", "sd_intercept": Estimate(0.3, 0.2, 0.4),
                "correlation": Estimate(-0.25, -0.5, 0.02),
            },
            "when new (standard deviation 0.30 deg (0.20 to 0.40)) and in how fast they change",
        ),
        ({"differ": "in both", "correlation": Estimate(-0.25, -0.5, 0.02)}, "is -0.25 (-0.50 to 0.02)"),
        ({"curved": True, "kappa": Estimate(1.2, 1.1, 1.3)}, "speeds up with age: it goes as age to the power 1.20"),
        ({"curved": True, "kappa": Estimate(0.8, 0.7, 0.9)}, "slows down with age"),
        ({"kappa": Estimate(1.0, 0.0, inf)}, "too few to tell whether the change speeds up or slows down"),
        ({"kappa": Estimate(1.0, 0.8, 1.4)}, "leave the power of age open between 0.80 and 1.40"),
        ({"slope": Estimate(-4.0, -4.5, -3.5)}, "4.0 deg (3.5 to 4.5) less"),
    ],
)  # fmt: skip
def test_parameters_are_said_in_words(kind, changes, said):
    assert said in words(replace(kind, drift=replace(kind.drift, **changes)))


def test_what_it_rests_on_is_counted(kind):
    text = words(kind)
    assert "1,200 readings of 400 pieces, 400 of them read at two ages or more" in text
    assert "Left out: 7 readings of pieces of unknown age" in text
    assert "Left out" not in words(replace(kind, left_out=0))
    off = np.where(np.arange(1200) < 240, 3.0, 0.0)
    assert "20 % of the readings lie farther" in words(replace(kind, drift=replace(kind.drift, conditional=off)))


# figures -------------------------------------------------------------------------------------------------------------


def test_figures_stand_where_they_belong_and_leave_no_hole(one, kind):
    figures = {"path": Figure("<svg/>", "path"), "chance": Figure("<svg/>", "chance")}
    bare, full = page(one).blocks, page(one, figures=figures).blocks
    assert tuple(block for block in full if not isinstance(block, Figure)) == bare
    assert full[1] is figures["path"]
    assert full[full.index(figures["chance"]) - 1].text == "What is left"
    assert figures["chance"] not in page(kind, figures=figures).blocks


def layers(chart):
    """Rows of each layer by (series, kind of mark), several of a kind together."""
    spec, found = chart.to_dict(), {}
    for layer in spec["layer"]:
        rows = spec["datasets"][layer.get("data", spec.get("data"))["name"]]
        kind = layer["mark"]["type"]
        for row in rows:
            found.setdefault((row.get("series", ""), kind), []).append(row)
    return found


def columns(rows, *names):
    return [[row[name] for row in rows] for name in names]


def test_all_readings_are_thinned_and_the_typical_path_is_the_results(kind):
    (drawing,) = charts.drift_drawings(kind, Units())
    shown = layers(drawing.chart)
    spots = {(row["x"], row["y"]) for row in shown[READ, "point"]}
    assert len(spots) == SPOTS
    assert spots <= set(zip(kind.ages.tolist(), kind.values.tolist(), strict=True))
    path = kind.typical
    drawn = columns(shown[TYPICAL, "area"], "x", "y", "low", "high")
    assert drawn == [c.tolist() for c in (path.km, path.value, path.low, path.high)]
    drawn = columns(shown[KIND, "area"], "low", "high")
    assert drawn == [c.tolist() for c in (path.piece_low, path.piece_high)]
    assert {"y": 6.0, "label": "limit 6 deg"} in shown["", "text"]
    said = drawing.chart.to_dict()["title"]["subtitle"]
    assert said[0] == "1,200 readings of 400 pieces, 400 of them read at two ages or more."
    assert "600 of 1,200 readings are drawn" in said[1]


def test_few_readings_are_all_drawn_and_no_limit_no_line(kind):
    few = replace(kind, ages=kind.ages[:50], values=kind.values[:50], limit=None)
    (drawing,) = charts.drift_drawings(few, Units())
    shown = layers(drawing.chart)
    assert len(shown[READ, "point"]) == 50
    assert ("", "rule") not in shown
    assert "are drawn" not in str(drawing.chart.to_dict()["title"])


def test_the_piece_is_drawn_with_readings_path_and_limit_in_the_readers_units(one):
    path, chance = charts.drift_drawings(one, Units("miles"))
    assert (path.name, chance.name) == ("path", "chance")
    shown, left = layers(path.chart), one.vehicle.left
    at, y = columns(shown[NAME, "point"], "x", "y")
    assert at == pytest.approx([40e3 / 1.609344, 80e3 / 1.609344])
    assert y == [1.8, 3.3]
    at, low, high = columns(shown[NAME, "area"], "x", "low", "high")
    assert at == pytest.approx((left.km / 1.609344).tolist())
    assert (low, high) == (left.low.tolist(), left.high.tolist())
    now = next(row for row in shown["", "text"] if row["label"] == "now")
    assert now["x"] == pytest.approx(90e3 / 1.609344)
    assert path.chart.to_dict()["layer"][0]["encoding"]["x"]["title"] == "Age of the piece, miles"
    assert "74,565 miles on the odometer" in str(path.chart.to_dict()["title"])


def test_the_chance_begins_now_and_is_the_results(one):
    result = with_left(one, chance_beyond_now=0.02)
    left = result.vehicle.left
    chart = charts.drift_drawings(result, Units())[1].chart
    at, y = columns(layers(chart)[NAME, "line"], "x", "y")
    ahead = left.km > left.now
    assert (at[0], y[0]) == (0.0, 0.02)
    assert at[1:] == (left.km[ahead] - left.now).tolist()
    assert y[1:] == left.reached[ahead].tolist()
    (even,) = layers(chart)[NAME, "point"]
    assert (even["x"], even["y"]) == (left.distance.value, 0.5)


def test_the_chance_is_drawn_until_it_is_certain(kind):
    """Near the limit, with the distance far beyond it in the result."""
    near = on_vehicle(kind, ((40e3, 2.9), (80e3, 5.4), (85e3, 5.7)), now=86e3)
    left = near.vehicle.left
    end = charts.drift_drawings(near, Units())[1].chart.to_dict()["layer"][0]["encoding"]["x"]["scale"]["domain"][1]
    assert np.interp(left.now + end, left.km, left.reached) > 0.999
    assert left.distance.high < end < 0.7 * (left.km[-1] - left.now)


def test_beyond_already_there_is_no_chance_to_draw(one):
    assert [d.name for d in charts.drift_drawings(with_left(one, chance_beyond_now=0.95), Units())] == ["path"]


def test_without_an_even_chance_none_is_marked(one):
    never = with_left(one, distance=Estimate(inf, 60e3, inf))
    chart = charts.drift_drawings(never, Units())[1].chart
    assert (NAME, "point") not in layers(chart)
    assert "over 60,000 km from now" in chart.to_dict()["title"]["subtitle"][0]


def test_what_changes_fills_the_height_however_far_from_zero(falling):
    high = replace(falling, values=falling.values + 100, limit=107.2, typical=shifted(falling.typical, 100))
    (drawing,) = charts.drift_drawings(high, Units())
    bottom, top = drawing.chart.to_dict()["layer"][0]["encoding"]["y"]["scale"]["domain"]
    assert 90 < bottom < 107.2 < 112 < top < 120


def shifted(path, by):
    return replace(
        path, **{name: getattr(path, name) + by for name in ("value", "low", "high", "piece_low", "piece_high")}
    )


def test_every_colour_has_its_dark_twin(kind, one):
    for drawing in (*charts.drift_drawings(kind, Units()), *charts.drift_drawings(one, Units())):
        drawn = {c.lower() for c in re.findall(r'(?:fill|stroke)="(#\w+)"', charts.to_svg(drawing.chart))}
        assert drawn
        assert drawn <= set(DARK)
