"""Each check of the review: the starter with one thing made wrong yields that finding, at its line, and no other."""

from __future__ import annotations

from pathlib import Path

import pytest
from ruamel.yaml import YAML

from wearlore.book import load
from wearlore.book.model import TROUBLE_CODE, Book
from wearlore.book.review import review
from wearlore.book.source import Source
from wearlore.errors import BookErrors

CASES = YAML(typ="safe").load(Path(__file__).with_name("review-cases.yaml"))
NO_BELIEF = CASES["mode with no belief"]["change"]
# a mistyped name leaves the right one unused, or a mode without remedy: told as well, and rightly
ECHOES = (
    "something that",
    "a remedy that cures",
    "that this closing check follows",
    "a failure mode of this component",
    "an inspection that can find",
)


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_one_thing_wrong_is_one_finding(findings, book_file, case):
    found = findings(case["change"])
    hits = [f for f in found if f.severity == case["severity"] and f.path.startswith(case["path"])]
    hits = [f for f in hits if case["says"] in str(f)]
    assert len(hits) == 1, [*map(str, found)]
    others = [f for f in found if f not in hits and not any(echo in f.expected for echo in ECHOES)]
    assert not others, [*map(str, others)]
    assert hits[0].file == str(book_file(case["change"]))


@pytest.mark.parametrize(
    ("name", "line_says"),
    [
        ("cured mode", "cures: [front-seal-leek]"),
        ("torque that breaks", "torque: {stages: [85]}"),
        ("oil", "sae: 5W-25"),
        ("hazard with no caution", "hot-turbo:"),
        ("quantiles that cross", "at: 70000"),
        ("superseded revision", "supersedes: a"),
    ],
)
def test_a_finding_names_the_line(findings, book_file, name, line_says):
    case = CASES[name]
    text = book_file(case["change"]).read_text(encoding="utf-8").splitlines()
    (finding,) = (f for f in findings(case["change"]) if f.path.startswith(case["path"]))
    assert line_says in text[finding.line - 1]


def test_findings_come_by_severity_then_line(findings):
    changes = {"5W-30": "5W-25", "code: BRD": "code: BRK", **NO_BELIEF, "stages: [21]": "stages: [85]"}
    found = findings(changes)
    assert [f.severity for f in found] == ["error", "error", "warning", "note"]
    assert found[0].line < found[1].line
    assert str(found[0]).startswith(f"{found[0].file}:{found[0].line}: error: operations.belt-off.")


def test_every_knot_of_several_is_told(findings):
    found = findings(
        {
            "name: front of the sump}": "name: front of the sump, runs_to: {sump-front: 0.5}}",
            "runs_to: {belt-side: 0.6}": "runs_to: {head-front: 0.1, belt-side: 0.6}",
        }
    )
    assert sorted(f.path for f in found) == ["zones.head-front.runs_to", "zones.sump-front.runs_to"]


def test_wetness_that_comes_by_two_ways_is_told_once(findings):
    sump = "  wet-sump-oil: {name: oil on it, kind: wet, zone: sump-front, fluid: oil}\n  wet-head-front-oil: {name"
    twice = "wet-belt-side-oil: 0.9\n      wet-sump-oil: 0.2\n      wet-head-front-oil: 0.1"
    found = findings({"  wet-head-front-oil: {name": sump, "wet-belt-side-oil: 0.9": twice})
    assert [(f.path.rpartition(".")[2], f.mend.partition(":")[0]) for f in found] == [
        ("wet-belt-side-oil", "It runs there by itself from head-front"),
        ("wet-sump-oil", "It runs there by itself from belt-side and head-front"),
    ]


def test_a_warm_closing_check_may_follow_cold_work(findings):
    assert not findings({"hours: 0.4\n    closing: true": "hours: 0.4\n    needs: [belt-off]\n    closing: true"})


@pytest.mark.parametrize(
    ("unit", "typed", "meant"),
    [  # M8 of class 8.8 is loose below 8.5 N·m and carries 42 N·m
        ("N·m", "7", "Did you mean 7 lbf·ft? This book is written in N·m."),
        ("lbf·ft", "40", "Did you mean 40 N·m? This book is written in lbf·ft."),
        ("N·m", "2", "Look at the size, the property class and the torque."),
        ("lbf·ft", "50", "Look at the size, the property class and the torque."),
    ],
)
def test_a_torque_that_fits_in_the_other_unit_asks_for_it(findings, unit, typed, meant):
    (finding,) = findings({"torque: N·m ": f"torque: {unit} ", "stages: [21]": f"stages: [{typed}]"})
    assert finding.path == "operations.belt-off.fasteners[1].torque.stages[0]"
    assert finding.mend == meant


def test_an_error_of_the_review_stops_whoever_wants_to_compute(book_file):
    path = book_file({"5W-30": "5W-25", "cures: [front-seal-leak]": "cures: [front-seal-leek]"})
    book, _ = load.read(path)
    assert isinstance(book, Book)
    with pytest.raises(BookErrors) as refused:
        load.load(path)
    assert [error.args[2] for error in refused.value.errors] == [
        "remedies.renew-front-seal.cures[0]",
        "consumables.engine-oil.sae",
    ]
    assert all(error.args[0] == str(path) and error.args[1] > 1 for error in refused.value.errors)


def test_warnings_and_notes_stop_nobody(book_file):
    changes = {"code: BRD": "code: BRK", **NO_BELIEF}
    assert load.load(book_file(changes)).modes["timing-belt-breaks"].code == "BRK"


def test_a_book_made_in_python_is_reviewed_too(book_file):
    book, _ = load.read(book_file({"5W-30": "5W-25"}))
    (finding,) = review(book, Source())
    assert (finding.file, finding.line, finding.path) == ("<book>", 0, "consumables.engine-oil.sae")


def test_form_of_trouble_codes(reference):  # check 8.05
    for row in (row for row in reference("book_codes.csv") if row["what"] == "trouble"):
        assert bool(TROUBLE_CODE.fullmatch(row["code"])) == (row["valid"] == "yes"), row


@pytest.mark.parametrize(
    "changes",
    [
        {
            "noticed: evident": "noticed: evident\n    variants: [turbo]",
            "parts: {belt: 1}": "parts: {belt: 1}\n    variants: [turbo]",
        },
        {"price: 0.9}": "price: 0.9, variants: [turbo]}"},
        {"at: 80000, between: [60000, 105000]": "at: 80000, between: [80000, 105000]"},
        {"at: 80000, between: [60000, 105000]": "at: 80000, between: [60000, 80000]"},
        {"        torque: {stages: [21]}\n": ""},
        {'        property_class: "8.8"\n        torque: {stages: [21]}': "        torque: {stages: [900]}"},
        {"A: {note: plastic impeller}": "A: {note: plastic impeller, from_date: 2014-06-01}"},
        {
            "  stops-on-the-road: {name": "  smoke: {name: smoke, kind: smoke}\n  stops-on-the-road: {name",
            "when: [stops-on-the-road]": "when: [stops-on-the-road, smoke]",
        },
        {"    observes:\n      wet-head-front-oil: {sensitivity: 0.8, specificity: 0.95}\n": ""},
        {"wet-head-front-oil: 0.85": "wet-head-front-oil: 0.85\n      wet-belt-side-coolant: 0.1"},
        {"hazards: [moving-belt]\n    observes": "observes", "bars: [moving-belt]": "bars: []"},
        {
            "    refit: {name: Put the upper": "    hazards: [hot-turbo]\n    refit: {name: Put the upper",
            "bars: [moving-belt]": "bars: [hot-turbo]",
        },
        {
            "stops and does not turn over as usual, kind: behaviour}": (
                "stops and does not turn over as usual, kind: reading, unit: bar, worse: lower, limit: 1, "
                "sound: [0.8, 3], faulty: [0.2, 1.2]}"
            )
        },
    ],
    ids=[
        "mode of one variant",
        "part for one variant",
        "at the low end",
        "at the high end",
        "no torque",
        "no class",
        "same day",
        "seen only for a rule",
        "hidden mode told, not observed",
        "another fluid further down",
        "rule that withholds nothing",
        "hazard on the way to an inspection",
        "ranges that overlap",
    ],
)
def test_what_is_right_though_near_to_what_is_wrong(findings, changes):
    assert findings(changes) == ()
