"""The set-up share that simulation teaches: what is kept and what is not, and that it is the advice's own equation."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from wearlore.outlook import all_in_reach, courses, mean_of, only_failed, simulate
from wearlore.outlook.bound import best_possible
from wearlore.outlook.improve import learn, learn_share, roll_out
from wearlore.renewal.upkeep import savings
from wearlore.report.visit import visit_scope
from wearlore.scope import (
    Fault,
    choose,
    close_calls,
    follow_advice,
    formulate,
    problem,
    renewed,
    solve,
    turned,
    upkeep,
)
from wearlore.workbench import Workbench

from .family import BOOK, TERMS, models, vehicle

MUST = replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}), discount=0.04)


def kept(share: float = 0.0):
    terms = replace(MUST, setup_share=share)
    return upkeep(BOOK, vehicle(seen_good=60e3), models, terms, rng=np.random.default_rng(1))


def test_the_share_that_costs_least_on_the_same_courses_is_kept():
    noise = np.random.default_rng(1).normal(1000, 300, 400)  # the luck that all shares meet
    found = learn(lambda share: noise + 50 * (share - 0.4) ** 2)
    assert found.share == 0.4
    assert found.gain.value == pytest.approx(8.0)
    assert found.gain.low > 0


def test_a_gain_that_the_courses_cannot_tell_is_no_gain():
    rng = np.random.default_rng(2)
    found = learn(lambda share: rng.normal(1000 - share, 300, 400))
    assert (found.share, found.gain.value, found.gain.low, found.gain.high) == (0.0, 0.0, 0.0, 0.0)
    assert learn(lambda share: np.full(10, 5.0)).share == 0.0  # equal: the smallest


def test_the_rule_of_a_share_is_the_advice_built_with_it():
    """The tables between none and all of the share are those of the renewal equation with it."""
    care = kept()
    learned, rule = learn_share(care, seed=3, runs=16, shares=(0.4,))
    told, none = savings(kept(0.4)), savings(care)
    alone = np.flatnonzero(~care.brings.any(axis=1))  # the equation counts a companion's set-up its own way
    assert learned.share == 0.4
    assert np.abs(told.fresh - none.fresh)[alone].max() > 10  # the share matters
    for name in ("fitted", "fresh"):
        assert_allclose(getattr(rule.savings, name)[alone], getattr(told, name)[alone], rtol=1e-9, atol=1e-6)


def test_following_what_was_learned_costs_no_more_and_the_same_seed_teaches_the_same():
    care = kept()
    learned, rule = learn_share(care, seed=3)
    plain, taught = (courses(care, one, runs=4096, seed=11).cost for one in (follow_advice(care), rule))  # other luck
    assert taught.mean() <= plain.mean() + 2 * (taught - plain).std() / 64
    again, same = learn_share(care, seed=3)
    assert again == learned
    assert_array_equal(same.savings.fitted, rule.savings.fitted)


def test_a_choice_now_that_is_better_beyond_doubt_is_found_and_no_other():
    care = kept()
    rule, n = follow_advice(care), len(care.renewables)
    failed, everything = np.zeros(n, bool), np.ones(n, bool)
    best, gain = roll_out(care, rule, failed, [failed, everything], seed=2)
    costs = [courses(care, rule, runs=1024, seed=2, first=first).cost for first in (failed, everything)]
    assert (best, gain) == (1, mean_of(costs[0] - costs[1]))
    assert gain.low > 0
    best, gain = roll_out(care, rule, everything, [everything, failed], seed=2)
    assert (best, gain.value, gain.low, gain.high) == (None, 0.0, 0.0, 0.0)


def test_the_closest_calls_come_first_each_with_the_best_scope_that_answers_it_otherwise():
    case = problem(BOOK, vehicle(seen_good=60e3), models, MUST, rng=np.random.default_rng(1))
    scope = choose(case)
    calls = close_calls(formulate(case), scope, 3)
    margin = {one.unit: one.margin for one in scope.advice}
    assert [margin[call.unit] for call in calls] == sorted(margin.values())[:3]
    for call in calls:
        other = turned(call, scope)
        was, now = (next(a.chosen for a in one.advice if a.unit == call.unit) for one in (scope, other))
        assert now is not was
        assert other.total == pytest.approx(scope.total + margin[call.unit])
        assert (other.only_failed, other.all_in_reach) == (scope.only_failed, scope.all_in_reach)


def test_what_a_scope_renews_is_known_to_the_simulation():
    van = vehicle(seen_good=60e3)
    case, care = problem(BOOK, van, models, MUST, rng=np.random.default_rng(1)), kept()
    chosen = solve(formulate(case)).chosen
    mask = renewed(case, chosen, care)
    named = {case.candidates[case.options[o].unit].name for o in chosen if case.options[o].cures}
    assert {item.unit for item, on in zip(care.renewables, mask, strict=True) if on} == named
    mesh = next(o for o, option in enumerate(case.options) if option.remedy == "mesh")
    assert not renewed(case, (mesh,), care).any()  # a guard renews nothing


@pytest.fixture(scope="module")
def bench(demo_folder):
    return Workbench(demo_folder)


def test_a_sheet_says_what_was_learned_and_how_far_it_is_to_the_best_possible(bench):
    visit = bench.scope("V00003", ["rear-seal-leak"], bound=True)
    assert visit.best.least < visit.long_run.policies["advice"].cost.high
    assert visit.best.within.low <= visit.best.within.value < 0.06
    assert visit.terms.setup_share == visit.learned.share
    assert len(visit.tried.units) == 4

    def said(visit):
        sheet = visit_scope(visit, bench.book.units, date(2026, 1, 1))
        return " ".join(block.text for block in sheet.blocks if hasattr(block, "text"))

    assert "of the best possible" in said(visit)
    assert "of the best possible" not in said(replace(visit, best=None))
    some, none = replace(visit.learned.gain, value=12.0, low=3.0), replace(visit.learned.gain, value=0.0, low=0.0)
    assert "will carry 40 %" in said(replace(visit, learned=replace(visit.learned, share=0.4, gain=some)))
    assert "As the terms say" in said(replace(visit, learned=replace(visit.learned, share=0.4, gain=none)))
    assert "weighed alone" in said(replace(visit, learned=replace(visit.learned, share=0.0, gain=none)))
    other = replace(visit.tried, turned="rear-crank-seal", gain=some)
    assert "for rear-crank-seal. Simulated, with it done now" in said(replace(visit, tried=other))


def test_a_share_that_the_terms_name_is_kept(bench):
    visit = bench.scope("V00003", ["rear-seal-leak"], terms=replace(bench.terms(), setup_share=0.3))
    assert (visit.terms.setup_share, visit.learned.share, visit.best) == (0.3, 0.3, None)


@pytest.mark.slow
def test_the_improved_advice_beats_both_habits_on_vans_of_the_demo(bench):
    """A smaller one of `benchmarks/policies.py`: four vans at a visit, over 150,000 km."""
    found = ("rear-seal-leak", "water-pump-leak", "tensioner-rattle", "clutch-worn")
    cares = []
    for name, mode in zip(("V00003", "V00004", "V00010", "V00020"), found, strict=True):
        vehicle_ = bench.vehicle(name)
        must = frozenset({bench._fault(vehicle_, mode)})
        book, weighable, _ = bench._weighable(vehicle_)
        terms = replace(bench.terms(), horizon=150_000.0, must=must)
        cares.append(upkeep(book, weighable, bench._model_of, terms, rng=np.random.default_rng(1)))
    rules = {"improved": lambda care: learn_share(care, seed=1)[1], "failed": only_failed, "reach": all_in_reach}
    made = simulate(cares, rules, runs=512, rng=np.random.default_rng(2))
    assert made.beyond["failed"].low > 0
    assert made.beyond["reach"].low > 0
    least = np.mean([best_possible(care, rounds=40).cost for care in cares])
    assert 0.85 < least / made.policies["improved"].cost.value < 1
