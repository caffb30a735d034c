"""The access graph: closure of the union, and what it takes."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.access import Access
from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, ScopeError

BUILT = date(2015, 6, 1)


def book_of(operations: dict, **rest) -> Book:
    return Book.model_validate(
        {
            "wearlore": 1,
            "family": {"id": "f", "name": "F"},
            "economics": {"labour_rate": 100},
            "variants": {"a": {"name": "A"}, "b": {"name": "B"}},
            "zones": {"z": {"name": "Z"}},
            "components": {"c": {"name": "C", "system": "S", "zone": "z"}},
            "modes": {
                "m": {"name": "M", "component": "c", "noticed": "evident", "consequence": {"severity": "nuisance"}}
            },
            "operations": {id_: {"name": id_, "hours": 1.0} | op for id_, op in operations.items()},
            **rest,
        }
    )


def access(operations: dict, variant: str = "a", missing_tools=(), **rest) -> Access:
    return Access.of(book_of(operations, **rest), variant, BUILT, missing_tools)


GEARBOX = {
    "cover-off": {"hours": 0.3, "refit": {"name": "cover on", "hours": 0.2}},
    "gearbox-out": {"hours": 2.0, "refit": {"name": "gearbox in", "hours": 2.5}, "needs": ["cover-off"]},
    "seal": {"hours": 0.5, "needs": ["gearbox-out"], "then": ["leak-test"]},
    "clutch": {"hours": 0.7, "needs": ["gearbox-out"]},
    "leak-test": {"hours": 0.2, "closing": True},
}


def test_the_union_holds_what_is_needed_and_what_follows():
    a = access(GEARBOX)
    assert a.reach(["seal"]) == {"cover-off", "gearbox-out", "seal", "leak-test"}
    assert a.reach(["seal", "clutch"]) == set(GEARBOX)


def test_what_the_variant_does_not_have_falls_out_with_all_that_only_it_needs():
    ops = {
        "hood": {"variants": ["b"], "needs": ["clips"]},
        "clips": {},
        "job": {"needs": ["hood"]},
    }
    assert access(ops, "a").reach(["job"]) == {"job"}
    assert access(ops, "b").reach(["job"]) == {"job", "hood", "clips"}


def test_what_the_union_spoils_consumes_and_hires():
    ops = {
        "open": {
            "spoils": {"gasket": 1},
            "tools": ["lock"],
            "consumables": {"oil": 2},
            "refit": {"name": "close", "hours": 0, "tools": ["puller"], "consumables": {"oil": 1}},
            "fasteners": [
                {"name": "bolt", "count": 6, "one_time_use": True, "part": "bolt"},
                {"name": "nut", "count": 9},
            ],
        },
        "job": {"needs": ["open"], "tools": ["lock", "own"]},
    }
    a = access(
        ops,
        parts={
            "gasket": {
                "name": "G",
                "offers": [
                    {"number": "1", "price": 20, "to_date": "2014-12-31"},
                    {"number": "2", "price": 30},
                    {"number": "3", "price": 40, "supersedes": "2"},
                    {"number": "4", "price": 5, "grade": "economy"},
                ],
            },
            "bolt": {"name": "B", "offers": [{"number": "5", "price": 1.5}]},
        },
        tools={
            "lock": {"name": "L", "owned": False, "hire": 25},
            "puller": {"name": "P", "owned": False},
            "own": {"name": "O"},
        },
        consumables={"oil": {"name": "O", "unit": "l", "price": 8}},
    )
    assert a.spoiled(["job"]) == {"gasket": 1, "bolt": 6}
    assert (a.price("gasket"), a.price("bolt")) == (40, 1.5)
    assert a.consumed_by("open") == pytest.approx(3 * 8)
    assert {tool: a.hire(tool) for tool in a.tools(["job"])} == {"lock": 25, "puller": 0, "own": 0}
    assert a.missing(["job"]) == {"puller"}
    assert access(ops, missing_tools=["own"], tools={t: {"name": t} for t in ("lock", "puller", "own")}).missing(
        ["job"]
    ) == {"own"}
    assert a.offer("gasket", "economy").number == "4"


def test_no_fitting_offer_is_said():
    part = {"p": {"name": "P", "offers": [{"number": "1", "price": 1, "variants": ["b"]}]}}
    with pytest.raises(ScopeError, match=r"'p' fits variant 'a' built 2015-06-01"):
        access({"job": {"spoils": {"p": 1}}}, parts=part).price("p")


def test_unknown_names_are_refused():
    with pytest.raises(NameNotKnown, match="seal"):
        access(GEARBOX).reach(["sael"])
    with pytest.raises(NameNotKnown, match="variant"):
        access(GEARBOX, "x")
    with pytest.raises(NameNotKnown, match="tool"):
        access(GEARBOX, missing_tools=["spanner"])


@st.composite
def operation_graphs(draw):
    n = draw(st.integers(1, 9))
    shuffled = draw(st.permutations(range(n)))
    ops = {}
    for rank, i in enumerate(shuffled):  # an operation needs only what stands earlier in the shuffle: no circles
        earlier, later = shuffled[:rank], shuffled[rank + 1 :]
        ops[f"o{i}"] = {
            "needs": [f"o{j}" for j in earlier if draw(st.booleans())],
            "then": [f"o{j}" for j in later if draw(st.integers(0, 4)) == 0],
        }
    return dict(sorted(ops.items())), draw(st.sets(st.sampled_from(sorted(ops)), min_size=1))


@given(operation_graphs())
def test_the_union_is_the_least_that_lacks_nothing(graph):
    ops, asked = graph
    reached = access(ops).reach(asked)
    wanted = asked | {other for id_ in reached for other in (*ops[id_]["needs"], *ops[id_]["then"])}
    assert reached == wanted  # nothing missing, and nothing in it that nobody wants


@given(operation_graphs(), operation_graphs())
def test_the_union_of_two_jobs_is_their_union(graph, other):
    ops, asked = graph
    a, more = access(ops), other[1] & ops.keys()
    assert a.reach(asked | more) == a.reach(asked) | a.reach(more)
