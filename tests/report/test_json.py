"""One serializer for every result: exact values, nothing lost, nothing that JSON does not know."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from math import inf, nan
from pathlib import PurePosixPath
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.book.model import Offer
from wearlore.estimate import Estimate
from wearlore.life import kaplan_meier, life_model
from wearlore.lives import Lives
from wearlore.report.json import to_json


class Proof(Enum):
    OPTIMAL = "optimal"


@dataclass(frozen=True)
class Key:
    unit: str


@dataclass(frozen=True)
class Result:
    value: Any
    rule: Callable[[float], float] | None = field(default=abs)
    _hidden: int = 3


def back(result: object) -> Any:
    return json.loads(to_json(result))


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (None, None),
        (True, True),
        (np.bool_(True), True),
        (np.int64(7), 7),
        (np.float64(0.1), 0.1),
        (Proof.OPTIMAL, "optimal"),
        (date(2026, 11, 25), "2026-11-25"),
        (PurePosixPath("a/b"), "a/b"),
        ((1, "two", 3.5), [1, "two", 3.5]),
        (np.array([[1.0, inf], [2.0, -inf]]), [[1.0, None], [2.0, None]]),
        (frozenset({"b", "a"}), ["a", "b"]),
        ({1: "x", "y": date(2026, 1, 1)}, {"1": "x", "y": "2026-01-01"}),
        ({Key("pump"): 1.0}, [{"key": {"unit": "pump"}, "value": 1.0}]),
        (Estimate(1.0, 0.5, 2.0, 0.9), {"value": 1.0, "low": 0.5, "high": 2.0, "level": 0.9}),
        ("N·m “quoted” \n", "N·m “quoted” \n"),
    ],
)
def test_values_keep_their_meaning(value, plain):
    assert back(Result(value)) == {"value": plain}


def test_what_nothing_bounds_is_null_and_named():
    assert back(Estimate(inf, 90_000.0, inf)) == {
        "value": None,
        "low": 90_000.0,
        "high": None,
        "level": 0.95,
        "unbounded": ["value", "high"],
    }
    assert back({"margin": inf, "gap": None}) == {"margin": None, "gap": None, "unbounded": ["margin"]}


def test_entries_of_the_book_are_objects_too():
    plain = back(Offer(number="WP-1", price=90))
    assert (plain["number"], plain["grade"], plain["from_date"]) == ("WP-1", "original", None)


def test_nan_is_refused():
    with pytest.raises(ValueError, match="NaN"):
        to_json(Result(nan))
    with pytest.raises(ValueError, match="NaN"):
        to_json(Result(np.array([nan])))


def test_what_is_no_result_is_refused():
    with pytest.raises(TypeError, match="object is no part of a result"):
        to_json(Result(object()))
    with pytest.raises(TypeError, match="type is no part of a result"):
        to_json(Result(Key))


def test_job_card_tells_all_that_the_documents_show(job):
    plain = back(job)
    assert plain["estimate"]["total"] == 786.08
    assert plain["hours_saved"] == pytest.approx(4.9)
    assert {line["number"]: line["quantity"] for line in plain["parts"]}["B-1"] == 6
    assert plain["steps"][0]["cautions"][0]["signal"] == "WARNING"
    assert plain["items"][0]["title"] == "Renew water pump"
    assert plain["subject"]["built"] == "2019-05-01"


def test_life_model_and_curve_are_results():
    lives = Lives.of(failed=[60e3, 90e3, 120e3], good=[100e3, 150e3])
    plain = back(life_model("pump-leaks", lives))
    assert (plain["mode"], plain["dist"]["name"]) in {("pump-leaks", "Weibull"), ("pump-leaks", "lognormal")}
    assert back(kaplan_meier(lives))["km"] == [60e3, 90e3, 120e3]


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(PLAIN)
def test_plain_values_come_back_as_they_were(value):
    assert back(value) == value
    assert to_json(value) == to_json(value)


@given(st.dictionaries(st.text(), st.floats(allow_nan=False)))
def test_output_is_strict_json(mapping: Mapping[str, float]):
    json.loads(to_json(mapping), parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
