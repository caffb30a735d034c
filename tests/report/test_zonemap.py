"""The engine map: laws of its layout for any zones, and that what is drawn is sound."""

from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.book.model import Zone
from wearlore.report.zonemap import Place, Way, ZoneMap, lane_svg, strip_svg, thickness, zone_map

ENGINE = {
    "top": Zone(name="Top", runs_to={"left": 0.2, "right": 0.3, "front": 0.2, "rear": 0.25}),
    "left": Zone(name="Left side", runs_to={"sump": 0.5}),
    "right": Zone(name="Right side", runs_to={"sump": 0.4}),
    "front": Zone(name="Front", runs_to={"sump": 0.5}),
    "rear": Zone(name="Rear", runs_to={"housing": 0.6}),
    "housing": Zone(name="Housing", runs_to={"sump": 0.3}),
    "cab": Zone(name="Cab"),
    "sump": Zone(name="Sump"),
}


@st.composite
def zones(draw: st.DrawFn) -> dict[str, Zone]:
    """Up to nine zones, of which any may run to any that is named after it."""
    number = draw(st.integers(1, 9))
    chances = st.floats(0.01, 1.0)
    return {
        f"z{i}": Zone(
            name=f"Zone {i}",
            runs_to={f"z{j}": draw(chances) for j in range(i + 1, number) if draw(st.integers(0, 2)) == 0},
        )
        for i in range(number)
    }


def boxes(drawn: ZoneMap) -> dict[str, int]:
    return {place.zone: row for row, places in enumerate(drawn.rows) for place in places if not place.lane}


def reached(drawn: ZoneMap, upper: str, lower: str) -> list[Way]:
    """The pieces by which one gets from a zone to another that it runs to, each beginning where the last one ended."""
    row = boxes(drawn)[upper]
    at = next(place for place in drawn.rows[row] if place.zone == upper and not place.lane)
    pieces: list[Way] = []
    while at.zone != lower or at.lane:
        way = next(w for w in drawn.strips[row] if w.lower == lower and upper in w.uppers and inside(w.start, at))
        row += 1
        at = next(place for place in drawn.rows[row] if inside(way.end, place))
        assert at.zone == lower
        assert not at.lane or upper in at.sources
        assert way.arrives is not at.lane
        pieces.append(way)
    return pieces


def inside(x: float, place: Place) -> bool:
    return place.left - 1e-9 < x < place.right + 1e-9


@given(zones(), st.integers(1, 5))
def test_every_zone_stands_once_below_all_that_run_to_it(found: dict[str, Zone], across: int) -> None:
    drawn = zone_map(found, across)
    rows = boxes(drawn)
    placed = [place.zone for row in drawn.rows for place in row if not place.lane]
    assert sorted([*placed, *drawn.apart]) == sorted(found)
    assert all(rows[upper] < rows[lower] for upper, zone in found.items() for lower in zone.runs_to)
    for row in drawn.rows:
        assert 1 <= sum(not place.lane for place in row) <= across
        assert row[0].left == 0
        assert row[-1].right == pytest.approx(1)
        assert all(one.right == pytest.approx(other.left) for one, other in pairwise(row))


@given(zones(), st.integers(1, 5))
def test_every_way_can_be_followed_and_its_chance_is_told_once(found: dict[str, Zone], across: int) -> None:
    drawn = zone_map(found, across)
    for upper, zone in found.items():
        for lower, chance in zone.runs_to.items():
            pieces = reached(drawn, upper, lower)
            told = [piece for piece in pieces if piece.told]
            assert len(told) == 1
            assert told[0].uppers == (upper,)
            assert told[0].chance == chance
            assert all(piece.chance >= chance for piece in pieces)


@given(zones(), st.sets(st.sampled_from([f"z{i}" for i in range(9)])), st.integers(1, 4))
def test_what_is_drawn_is_well_formed(found: dict[str, Zone], wet: set[str], across: int) -> None:
    drawn = zone_map(found, across)
    for strip in drawn.strips:
        ElementTree.fromstring(strip_svg(strip, wet, {"z0"}))
    for place in (place for row in drawn.rows for place in row if place.lane):
        ElementTree.fromstring(lane_svg(found, place, wet))


def test_ways_of_a_common_engine_fall_straight_where_there_is_room() -> None:
    drawn = zone_map(ENGINE, 4)
    assert [{place.zone for place in row if not place.lane} for row in drawn.rows] == [
        {"top"}, {"left", "right", "front", "rear"}, {"housing"}, {"sump"},
    ]  # fmt: skip
    assert all(way.start == pytest.approx(way.end) for strip in drawn.strips for way in strip)
    assert drawn.apart == ("cab",)


def test_a_narrow_map_has_two_boxes_in_a_row_and_narrow_lanes() -> None:
    drawn = zone_map(ENGINE, 2)
    assert max(sum(not place.lane for place in row) for row in drawn.rows) == 2
    crowded = [row for row in drawn.rows if len(row) > 2]
    assert crowded
    assert all(place.wide < 0.1 for row in crowded for place in row if place.lane)


def test_likelier_ways_are_thicker_and_wet_below_marks_what_may_have_fed_it() -> None:
    assert thickness(0.1) < thickness(0.5) < thickness(1.0)
    first, *_ = zone_map(ENGINE, 4).strips
    assert strip_svg(first).count('"fed"') == 0
    assert strip_svg(first, wet={"rear"}).count('class="fed"') == 1
    assert 'class="fed"' not in strip_svg(first, wet={"rear"}, dry={"top"})
    assert strip_svg(first, dry={"top"}).count('path class="shut"') == len(first)


def test_no_zones_make_no_map() -> None:
    assert zone_map({}, 4) == ZoneMap((), (), ())
