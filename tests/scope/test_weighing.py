"""A visit weighed again and again says what it says when it is weighed afresh, and prices a person's own choices."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlore.errors import NameNotKnown, ScopeError
from wearlore.scope import Builder, Fault, Ground, Scope, Terms, explain, problem, settle
from wearlore.workbench.weighing import Weighing

from .family import BOOK, TERMS, models, vehicle

VAN = vehicle("clutch", "slave", "seal", "gasket", "pump", "mount", age=45e3, seen_good=45e3)
WORN = replace(TERMS, must=frozenset({Fault("clutch", "clutch-worn")}), horizon=60e3, discount=0.04)


@pytest.fixture
def weighing() -> Weighing:
    return Weighing(Ground.of(BOOK, VAN, models, (), rng=np.random.default_rng(1)))


def afresh(terms: Terms) -> Scope:
    return explain(*settle(problem(BOOK, VAN, models, terms, rng=np.random.default_rng(1))))


MOVES = (
    {"labour_rate": 95.0},
    {"horizon": 25e3},
    {"per_year": 8e3},
    {"setup_share": 0.4},
    {"labour_rate": 30.0, "horizon": 90e3},
    {"refuse": frozenset({"seal"})},
    {"probable": {Fault("pump", "pump-leaks"): 0.4}},
    {"include": frozenset({"mount"})},
    {},
)


def test_what_moves_is_weighed_as_if_for_the_first_time(weighing):
    for move in (*MOVES, *MOVES[:3]):
        terms = replace(WORN, **move)
        told, expected = weighing.weigh(terms).outline, afresh(terms)
        assert told.units == {one.unit for one in expected.chosen}
        for name in ("visit_cost", "hours", "hours_alone", "total"):
            assert getattr(told, name) == pytest.approx(getattr(expected, name), rel=1e-12), (move, name)
        assert told.later.low == pytest.approx(expected.later.low, rel=1e-12)
        advice = {one.unit: one for one in expected.advice}
        for one in told.doing:
            other = advice[one.unit]
            assert (one.reason, one.remedy, one.grade, one.because) == (
                other.reason, other.remedy, other.grade, other.because,
            )  # fmt: skip
            assert one.cost_now == pytest.approx(other.cost_now)
            assert one.hours_shared == pytest.approx(other.hours_shared)
            assert one.later_done.high == pytest.approx(other.later_done.high, rel=1e-12)
        for one in told.leaving:
            assert one.later_left.value == pytest.approx(advice[one.unit].later_left.value, rel=1e-12)
            assert one.chance.high == pytest.approx(advice[one.unit].chance.high, rel=1e-12)


@settings(deadline=None, max_examples=15)
@given(st.floats(5e3, 150e3), st.floats(3e3, 60e3), st.floats(10, 200), st.floats(0, 0.8))
def test_no_term_is_remembered_for_another(horizon, per_year, rate, share):
    weighing = Weighing(Ground.of(BOOK, VAN, models, (), rng=np.random.default_rng(1)))
    weighing.weigh(WORN)
    terms = replace(WORN, horizon=horizon, per_year=per_year, labour_rate=rate, setup_share=share)
    weighing.weigh(replace(terms, labour_rate=rate + 10))
    assert weighing.weigh(terms).outline.total == pytest.approx(afresh(terms).total, rel=1e-12)


def test_leaving_out_what_pays_costs_what_the_totals_say(weighing):
    free = afresh(WORN)
    out = next(one.unit for one in free.chosen if one.reason.startswith("pays"))
    terms = replace(WORN, refuse=frozenset({out}))
    own = weighing.weigh(terms).own
    assert own.adds.value == pytest.approx(afresh(terms).total - free.total)
    assert own.adds.value > 0 > own.now
    assert out in own.fewer
    assert own.adds.low == pytest.approx(own.adds.high)  # lives that are known exactly


def test_taking_in_what_does_not_pay_costs_what_the_totals_say(weighing):
    free = afresh(WORN)
    extra = next(one.unit for one in free.advice if not one.chosen and one.remedy)
    terms = replace(WORN, include=frozenset({extra}))
    told, seen = weighing.weigh(terms), afresh(terms)
    assert told.own.adds.value == pytest.approx(seen.total - free.total)
    assert told.own.adds.value >= 0
    assert told.own.more[0] == extra or extra in told.own.more
    assert next(one for one in seen.advice if one.unit == extra).reason == "asked"


def test_each_choice_is_priced_with_the_others_standing(weighing):
    free = afresh(WORN)
    out = next(one.unit for one in free.chosen if one.reason.startswith("pays"))
    extra = next(one.unit for one in free.advice if not one.chosen and one.remedy)
    both = replace(WORN, include=frozenset({extra}), refuse=frozenset({out}))
    for one, rest in zip(
        weighing.own(both),
        (replace(both, include=frozenset()), replace(both, refuse=frozenset())),
        strict=True,
    ):
        assert one.adds.value == pytest.approx(afresh(both).total - afresh(rest).total)


def test_without_own_choices_nothing_is_said_of_them(weighing):
    assert weighing.weigh(WORN).own is None
    assert weighing.own(WORN) == ()


def test_demands_that_collide_are_named(weighing):
    with pytest.raises(ScopeError, match="mount is to be done; the owner says no to mount"):
        weighing.weigh(replace(WORN, include=frozenset({"mount"}), refuse=frozenset({"mount"})))
    assert weighing.weigh(WORN).outline.doing


def test_only_units_of_the_vehicle_are_taken_in(weighing):
    with pytest.raises(NameNotKnown):
        weighing.weigh(replace(WORN, include=frozenset({"mout"})))


def test_the_way_in_holds_each_operation_once_below_what_comes_off_for_it(weighing):
    told = weighing.weigh(WORN)
    assert sum(one.hours for one in told.opened) == pytest.approx(told.outline.hours)
    names = [one.operation for one in told.opened]
    assert len(set(names)) == len(names)
    access = weighing.ground.access
    at: list[str] = []
    for one in told.opened:
        del at[one.level :]
        if one.level:
            assert at[-1] in access.reach(access.operations[one.operation].needs)
            assert set(one.for_units) <= set(next(o.for_units for o in told.opened if o.operation == at[-1]))
        at.append(one.operation)


def test_a_choice_needs_no_curves_to_be_the_same():
    ground = Ground.of(BOOK, VAN, models, (), rng=np.random.default_rng(1))
    quick, full = (Builder(ground, WORN).problem(turns=turns) for turns in (False, True))
    assert settle(quick)[1] == settle(full)[1]
