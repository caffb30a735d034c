"""The access graph: closure, hours and cost of the union, working order."""

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


def test_shared_access_is_counted_once():
    a = access(GEARBOX)
    assert a.reach(["seal"]) == {"cover-off", "gearbox-out", "seal", "leak-test"}
    assert a.hours(["seal"]) == pytest.approx(5.7)
    assert a.hours(["clutch"]) == pytest.approx(5.7)
    assert a.hours(["seal", "clutch"]) == pytest.approx(6.4)


def test_what_the_variant_does_not_have_falls_out_with_all_that_only_it_needs():
    ops = {
        "hood": {"variants": ["b"], "needs": ["clips"]},
        "clips": {},
        "job": {"needs": ["hood"]},
    }
    assert access(ops, "a").reach(["job"]) == {"job"}
    assert access(ops, "b").reach(["job"]) == {"job", "hood", "clips"}


def test_cost_of_the_union_hires_each_tool_once_and_buys_what_is_spoiled():
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
    assert a.cost(["job"]) == pytest.approx(40 + 6 * 1.5 + 3 * 8 + 25)
    assert a.missing(["job"]) == {"puller"}
    assert access(ops, missing_tools=["own"], tools={t: {"name": t} for t in ("lock", "puller", "own")}).missing(
        ["job"]
    ) == {"own"}
    assert a.offer("gasket", "economy").number == "4"


def test_no_fitting_offer_is_said():
    part = {"p": {"name": "P", "offers": [{"number": "1", "price": 1, "variants": ["b"]}]}}
    with pytest.raises(ScopeError, match=r"'p' fits variant 'a' built 2015-06-01"):
        access({"job": {"spoils": {"p": 1}}}, parts=part).cost(["job"])


def test_warm_work_comes_before_cold_work_where_the_graph_permits():
    ops = {
        "idle": {},
        "drain": {"state": "drained"},
        "plug-cover": {},
        "plug": {"state": "warm", "needs": ["plug-cover"]},
        "other": {},
        "pump": {"state": "cold", "needs": ["drain", "other"]},
        "bleed": {"closing": True},
        "late-warm": {"state": "warm", "needs": ["other"]},
    }
    order = access(ops).order(ops)
    assert order == ("plug-cover", "plug", "other", "late-warm", "idle", "drain", "pump", "bleed")


def test_a_circle_is_named():
    ops = {"a": {"needs": ["b"]}, "b": {"needs": ["c"]}, "c": {"needs": ["a"]}, "d": {"needs": ["a"]}, "e": {}}
    with pytest.raises(ScopeError, match=r"wait for each other: (a -> c -> b -> a|c -> b -> a -> c|b -> a -> c -> b)"):
        access(ops).order(["d", "e"])


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
            "hours": draw(st.sampled_from([0.25, 0.5, 1.0])),
            "needs": [f"o{j}" for j in earlier if draw(st.booleans())],
            "then": [f"o{j}" for j in later if draw(st.integers(0, 4)) == 0],
            "state": draw(st.sampled_from(["any", "warm", "cold", "drained"])),
            "closing": draw(st.booleans()),
        }
    return dict(sorted(ops.items())), draw(st.sets(st.sampled_from(sorted(ops)), min_size=1))


@given(operation_graphs())
def test_order_holds_each_operation_of_the_union_once_and_no_step_before_what_it_needs(graph):
    ops, asked = graph
    a = access(ops)
    order = a.order(asked)
    assert len(order) == len(set(order))
    assert set(order) == a.reach(asked) >= asked
    place = {id_: k for k, id_ in enumerate(order)}
    for id_ in order:
        assert all(place[need] < place[id_] for need in ops[id_]["needs"])
        assert all(place[id_] < place[later] for later in ops[id_]["then"])
    assert a.hours(asked) == pytest.approx(sum(ops[id_]["hours"] for id_ in order))
    assert order == a.order(sorted(asked, reverse=True))


@given(operation_graphs(), operation_graphs())
def test_the_union_never_takes_longer_than_its_parts_one_by_one(graph, other):
    ops, asked = graph
    a = access(ops)
    more = other[1] & ops.keys()
    assert max(a.hours(asked), a.hours(more)) <= a.hours(asked | more) <= a.hours(asked) + a.hours(more) + 1e-12
