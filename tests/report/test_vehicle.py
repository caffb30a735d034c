"""A vehicle in words, and its history in lanes."""

from __future__ import annotations

import re
from datetime import date
from xml.etree import ElementTree

import pytest

from wearlore.answers import LikelyNow, OpenFault, UnitNow, VehicleHistory
from wearlore.records.of_vehicle import LineOnRecord, ReadingOnRecord, VisitOnRecord
from wearlore.report.charts import history_drawings
from wearlore.report.timeline import timeline
from wearlore.report.vehicle import age_told, lanes, line_told, standing, told_of
from wearlore.units import Units


def line(component="", position="", finding="", mode="", action="", revision="", grade="", text="") -> LineOnRecord:
    return LineOnRecord(component, position, finding, mode, action, revision, grade, text, "/far/away/lines.csv", 7)


FAULT, PIECE = "Fault found", "Pump (revision B, economy)"
VISITS = (
    VisitOnRecord(date(2020, 1, 1), 20_000.0, (line(text="odometer read"),), ()),
    VisitOnRecord(
        date(2021, 1, 1),
        50_000.0,
        (
            line("pump", finding="failed", mode="leak", text="weeps <b>"),
            line("pump", action="renewed", grade="economy"),
        ),
        (ReadingOnRecord("phase", 1.5, "/far/readings.csv", 3),),
    ),
    VisitOnRecord(date(2022, 1, 1), 100_000.0, (line("plug", "2", finding="good"),), ()),
)


def history(visits=VISITS, complete=True) -> VehicleHistory:
    return VehicleHistory(
        "v<1>", "strong", date(2019, 5, 1), complete, "", 100_000.0, visits, (),
        (OpenFault("leak", "Pump leaks", "pump", "", "stop", date(2021, 1, 1), 50_000.0),),
        {"pump": "Pump", "plug": "Plug", "leak": "Pump leaks", "phase": "Phase"},
        {"plug": "electrics", "pump": "cooling"}, {"phase": (6.0, "deg")}, "v",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (line("pump", finding="failed", mode="leak", text="weeps"), [("fault", FAULT, "Pump: Pump leaks: weeps")]),
        (line("pump", finding="failed", mode="leak", text="Pump leaks"), [("fault", FAULT, "Pump: Pump leaks")]),
        (line("plug", "2", finding="good"), [("good", "Looked at, good", "Plug (2)")]),
        (line("pump", finding="good", mode="leak"), [("good", "Looked at, good", "Pump: no “Pump leaks”")]),
        (line("pump", action="renewed", revision="B", grade="economy"), [("renewed", "Renewed", PIECE)]),
        (line("pump", finding="failed", mode="leak", action="repaired"),
         [("fault", "Fault found", "Pump: Pump leaks"), ("repaired", "Repaired", "Pump: Pump leaks")]),
        (line(text="delivered new"), [(None, "Noted", "delivered new")]),
        (line("gone", finding="original"), [("original", "Maker's own piece", "gone")]),
    ],
)  # fmt: skip
def test_a_line_in_words(said, told) -> None:
    assert line_told(history(), said) == told


def test_each_thing_with_the_file_and_line_it_came_from() -> None:
    assert [source for _, _, source in told_of(history(), VISITS[1])] == [
        "lines.csv:7",
        "lines.csv:7",
        "readings.csv:3",
    ]
    assert told_of(history(), VISITS[1])[-1][:2] == ("Reading", "Phase: 1.5 deg")


def test_an_age_is_known_bounded_or_not_known() -> None:
    def unit(age, at_least):
        return UnitNow("pump", "", "Pump", "cooling", "", "original", age, at_least, ())

    told = [age_told(unit(*ages), Units()) for ages in ((50_000.0, 50_000.0), (None, 30_000.0), (None, 0.0))]
    assert told == ["50,000 km", "over 30,000 km", "not known"]


def test_what_is_open_is_told_when_nothing_is_likely() -> None:
    said = standing(history(), LikelyNow("v", 1.0, 1.0, ()), Units())
    assert said == "On record and not cured: Pump leaks. Nothing else is likely now."


def test_a_lane_for_each_unit_and_reading_pieces_between_renewals() -> None:
    plug, pump, phase = lanes(history())
    assert (plug.name, pump.name, phase.name) == ("Plug (2)", "Pump", "Phase")
    assert pump.pieces == ((0.0, 50_000.0), (50_000.0, 100_000.0))
    assert [mark.kind for mark in pump.marks] == ["fault", "renewed"]
    (pump,) = [lane for lane in lanes(history(complete=False)) if lane.name == "Pump"]
    assert pump.pieces[0][0] == 20_000.0


def test_the_timeline_is_well_formed_escaped_and_in_the_units_of_the_reader() -> None:
    made = timeline(history(), Units(), 1)
    ElementTree.fromstring(f"<div>{made}</div>")
    assert "weeps &lt;b&gt;" in made
    assert "<b>" not in made
    assert "v&lt;1&gt;" in made
    assert "100,000" in made
    assert "60,000" in timeline(history(), Units("miles"), 1)
    assert "100,000" not in timeline(history(), Units("miles"), 1)


def test_marks_lie_where_their_odometer_is_and_name_their_visit() -> None:
    made = timeline(history(), Units(), 1)
    places = {
        (float(x), int(visit)) for x, visit in re.findall(r'class="mark" x="([\d.]+)%".*?data-visit="(\d)"', made)
    }
    by_visit = {visit: x for x, visit in places}
    assert by_visit[2] - by_visit[1] == pytest.approx(97.0 * 50_000 / 100_000)


def test_a_history_without_anything_is_no_drawing() -> None:
    assert history_drawings(history(VISITS[:1]), Units()) == ()
    assert [drawing.name for drawing in history_drawings(history(), Units())] == ["history"]
