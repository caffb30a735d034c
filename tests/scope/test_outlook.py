"""Policies simulated on the same lives: against the renewal equation, against each other, against the exact choice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numba import get_num_threads, set_num_threads

from wearlore import outlook
from wearlore.renewal.decision import decide
from wearlore.renewal.upkeep import Moment, PlannedLook, Rule, Schedule, savings
from wearlore.scope import Candidate, Fault, Option, Problem, Step, follow_advice, formulate, problem, solve, upkeep
from wearlore.scope.build import VISIT
from wearlore.vehicle import ModeState

from .family import BOOK, KM, TERMS, models, vehicle

MUST = replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}), discount=0.04)


def simulated(care, rules, runs=200, seed=3):
    return outlook.simulate([care], rules, runs=runs, rng=np.random.default_rng(seed))


def kept(van, terms=MUST):
    return upkeep(BOOK, van, models, terms, rng=np.random.default_rng(1))


def test_curing_only_what_failed_costs_one_unit_what_the_renewal_equation_says():
    van, terms = vehicle("clutch", "slave", seen_good=60e3), replace(TERMS, discount=0.04)
    case = problem(BOOK, van, models, replace(terms, refuse=frozenset()), rng=np.random.default_rng(1))
    alone = replace(case, candidates=case.candidates[:1])
    care = kept(van, terms)
    only = replace(care, renewables=care.renewables[:1], brings=care.brings[:1, :1])
    found = simulated(only, {"habit": outlook.only_failed}, runs=50_000).policies["habit"].cost
    companion = 60 * 0.3 + 60 + 5  # the slave is not simulated here; the equation counts it in each later visit
    share = float(alone.candidates[0].left.mean()) * (1 - companion / 781)
    assert found.low - 1 < share < found.high + 1
    assert found.high - found.low < 0.03 * share


def test_the_same_policy_twice_differs_by_nothing_and_rivals_share_their_luck():
    care = kept(vehicle())
    policies = {"a": outlook.only_failed, "b": outlook.only_failed, "reach": outlook.all_in_reach}
    compared = simulated(care, policies)
    assert (compared.beyond["b"].value, compared.beyond["b"].low, compared.beyond["b"].high) == (0, 0, 0)
    assert compared.policies["reach"].visits < compared.policies["a"].visits
    again = simulated(care, {"a": outlook.only_failed})
    assert again.policies["a"] == compared.policies["a"]


def test_luck_stays_with_the_piece_when_the_terms_change():
    few, many = kept(vehicle()), kept(vehicle(), replace(MUST, setup_share=0.4, labour_rate=30))
    assert [item.unit for item in few.renewables] == [item.unit for item in many.renewables]
    first, second = (outlook.courses(care, outlook.only_failed(care), runs=200, seed=3) for care in (few, many))
    np.testing.assert_array_equal(first.failures, second.failures)
    assert first.cost.sum() != second.cost.sum()


def test_runs_can_be_made_in_parts_and_the_number_of_threads_changes_nothing():
    care = kept(vehicle(seen_good=60e3))
    rule = follow_advice(care)
    whole = outlook.courses(care, rule, runs=300, seed=7)
    parts = [outlook.courses(care, rule, runs=100, seed=7, start=start) for start in (0, 100, 200)]
    np.testing.assert_array_equal(whole.cost, np.concatenate([part.cost for part in parts]))
    threads = get_num_threads()
    try:
        set_num_threads(1)
        alone = outlook.courses(care, rule, runs=300, seed=7)
    finally:
        set_num_threads(threads)
    for name in ("cost", "paid", "visits", "stranded", "damage", "spent", "failures"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(alone, name))
    assert outlook.courses(care, rule, runs=300, seed=8).cost.sum() != whole.cost.sum()


def test_every_sum_of_a_course_adds_up():
    care = kept(vehicle(seen_good=60e3))
    per_year = np.full(400, 20e3)
    for rule in (follow_advice(care), outlook.only_failed(care), outlook.all_in_reach(care)):
        told = outlook.courses(care, rule, runs=400, seed=1, per_year=per_year, years=5)
        np.testing.assert_allclose(told.paid.sum(axis=1), told.spent.sum(axis=1))
        assert (told.cost <= told.paid.sum(axis=1) + 1e-9).all()
        assert (told.setup <= told.setup_alone + 1e-9).all()
        assert told.paid.shape == (400, 5)
        assert ((told.stranded >= 0) & (told.stranded <= 1)).all()


def test_a_course_that_is_driven_further_costs_no_less():
    care = kept(vehicle(seen_good=60e3))
    rule = outlook.only_failed(care)
    near, far = (outlook.courses(care, rule, runs=300, seed=1, end=np.full(300, km)) for km in (40e3, 90e3))
    assert (near.cost <= far.cost).all()
    assert (near.failures <= far.failures).all()


def planned(care, **changes):
    nothing = {"every": 20e3, "first": 5e3, "renew_at": np.full(len(care.renewables), np.inf)}
    return Rule("failed", schedule=Schedule(**(nothing | changes)))


def test_what_is_renewed_at_every_planned_visit_hardly_ever_fails():
    care = kept(vehicle("clutch", seen_good=KM), TERMS)
    often = planned(care, every=5e3, renew_at=np.full(len(care.renewables), 5e3))
    told = outlook.courses(care, often, runs=500, seed=1)
    left = outlook.courses(care, planned(care), runs=500, seed=1)
    assert told.failures.sum() < 0.2 * left.failures.sum()
    assert (told.visits.sum(axis=1) >= 19).all()
    np.testing.assert_array_equal(left.cost, outlook.courses(care, Rule("failed"), runs=500, seed=1).cost)


def test_a_planned_visit_does_not_pay_for_what_is_open_anyway():
    care = kept(vehicle("clutch", seen_good=KM), TERMS)
    often = {"every": 5e3, "renew_at": np.full(len(care.renewables), 5e3)}
    full = outlook.courses(care, planned(care, **often), runs=50, seed=1)
    within = outlook.courses(care, planned(care, **often, opens=frozenset({VISIT})), runs=50, seed=1)
    fixed = care.price[VISIT]
    assert fixed > 0
    by_plan = full.visits.sum(axis=1) - full.failures.sum(axis=1)
    np.testing.assert_allclose(full.paid - within.paid, fixed * by_plan[:, None])


def test_looks_find_what_can_be_seen_and_nothing_else():
    """A look that sees all, often enough for the lead, leaves no failure; without a lead it finds nothing."""
    care = kept(vehicle("clutch", seen_good=KM), TERMS)
    item = replace(care.renewables[0], lead=np.array([[30e3, 0.1]] * len(care.renewables[0].modes)))
    seen = replace(care, renewables=(item, *care.renewables[1:]))
    looks = tuple(PlannedLook(0, m, 1, 0, 7.0, 1.0) for m in range(len(item.modes)))
    rule = planned(care, every=10e3, looks=looks)
    found, blind = (outlook.courses(each, rule, runs=500, seed=1) for each in (seen, care))
    of_item = slice(0, len(item.modes))
    assert found.failures[:, of_item].sum() == 0
    plain = outlook.courses(care, Rule("failed"), runs=500, seed=1)
    np.testing.assert_array_equal(blind.failures, plain.failures)
    looked = len(looks) * 10 * 7.0  # at 5,000 km and every 10,000 km from there
    np.testing.assert_allclose(blind.paid[:, 0] - plain.paid[:, 0], looked)
    half = tuple(replace(look, sensitivity=0.5) for look in looks)
    some = outlook.courses(seen, planned(care, every=10e3, looks=half), runs=500, seed=1)
    assert 0 < some.failures[:, of_item].sum() < plain.failures[:, of_item].sum()


def test_a_hidden_mode_with_a_lead_makes_itself_known_later():
    care = kept(vehicle("clutch", seen_good=KM), TERMS)
    later = replace(care.renewables[0], lead=np.array([[30e3, 0.1]] * len(care.renewables[0].modes)))
    assert later.hidden.all()
    seen = replace(care, renewables=(later, *care.renewables[1:]))
    rule = Rule("failed")
    at_once, put_off = (outlook.courses(each, rule, runs=500, seed=1).failures.sum() for each in (care, seen))
    assert put_off < at_once


def test_the_first_choice_can_be_forced():
    care = kept(vehicle(seen_good=60e3))
    rule = follow_advice(care)
    everything = np.ones(len(care.renewables), np.bool_)
    forced = outlook.courses(care, rule, runs=100, seed=1, first=everything, end=np.full(100, 1.0))
    steps = frozenset().union(*(item.needs for item in care.renewables))
    whole = sum(care.price[step] for step in steps) + sum(item.money for item in care.renewables)
    np.testing.assert_allclose(forced.cost, whole)
    nothing = outlook.courses(care, rule, runs=100, seed=1, first=~everything, end=np.full(100, 1.0))
    habit = outlook.courses(care, Rule("failed"), runs=100, seed=1, end=np.full(100, 1.0))
    np.testing.assert_array_equal(nothing.cost, habit.cost)


def test_following_the_advice_beats_both_habits():
    care = kept(vehicle(seen_good=60e3))
    policies = {
        "advice": follow_advice,
        "only failed": outlook.only_failed,
        "all in reach": outlook.all_in_reach,
    }
    compared = simulated(care, policies, runs=2000)
    assert compared.beyond["only failed"].low > 0
    assert compared.beyond["all in reach"].low > 0
    assert 0 < compared.policies["advice"].setup_share < 1


def test_the_fast_decision_is_the_one_the_program_makes():
    care = kept(vehicle(seen_good=60e3))
    table = savings(care)
    rule, rng, n = follow_advice(care, table), np.random.default_rng(6), len(care.renewables)
    for _ in range(60):
        failed = rng.random(n) < 0.2
        moment = Moment(failed, rng.uniform(0, 100e3, n), rng.random(n) < 0.5, float(rng.uniform(5e3, 100e3)))
        saving = table.at(moment.since, moment.ahead, moment.first)
        case = Problem(
            1.0,
            {name: Step(name, 0.0, price) for name, price in care.price.items()},
            tuple(Candidate(f"{i}", np.array([saving[i]]), np.zeros(1)) for i in range(n)),
            tuple(
                Option(
                    i,
                    f"{i}",
                    "",
                    "",
                    item.money,
                    item.needs,
                    np.zeros(1),
                    companions=tuple((int(j),) for j in np.flatnonzero(care.brings[i])),
                )
                for i, item in enumerate(care.renewables)
            ),
            {Fault(f"{i}", "m"): (int(i),) for i in np.flatnonzero(failed)},
        )
        best, chosen = solve(formulate(case)), tuple(int(i) for i in np.flatnonzero(decide(care, rule, moment)))
        assert case.objective(chosen) == pytest.approx(best.objective, abs=1e-4)
        assert set(np.flatnonzero(failed)) <= set(chosen)


def test_what_is_known_to_have_failed_is_cured_in_the_first_visit():
    leaking = ModeState("seal-leaks", KM, KM, present=True)
    care = kept(vehicle("seal", seal_leaks=leaking), replace(TERMS, horizon=10.0))
    cost = simulated(care, {"habit": outlook.only_failed}, runs=5).policies["habit"]
    assert cost.visits == 1
    assert cost.cost.value == pytest.approx(50 + 60 * 5.7 + 30)  # the fault was found: nothing beyond its cure


def test_the_policy_knows_the_savings_that_the_scope_knows():
    """Now, with the whole span ahead and no set-up to share out, both come from the same equation."""
    van = vehicle("mount", "seal", "pump", seen_good=60e3)
    case = problem(BOOK, van, models, TERMS, rng=np.random.default_rng(1))
    care = kept(van, TERMS)
    n = len(care.renewables)
    now = savings(care).at(np.zeros(n), TERMS.horizon, np.ones(n, bool))
    for item, saving in zip(care.renewables, now, strict=True):
        if item.unit != "pump":
            o = next(o for o, option in enumerate(case.options) if option.remedy == item.remedy)
            assert saving == pytest.approx(case.saving(o), rel=1e-6)
    nothing_ahead = savings(care).at(np.full(n, 50e3), 0.0, np.zeros(n, bool))
    np.testing.assert_allclose(nothing_ahead, 0.0, atol=1e-9)
    fresh = savings(care).at(np.zeros(n), TERMS.horizon, np.zeros(n, bool))
    np.testing.assert_allclose(fresh, 0.0, atol=1e-6)


def test_a_fleet_costs_what_its_vehicles_cost_on_the_mean():
    cares = [kept(vehicle()), kept(vehicle(age=60e3))]
    policies = {"advice": follow_advice, "only failed": outlook.only_failed}
    both = outlook.simulate(cares, policies, runs=30, rng=np.random.default_rng(3))
    rng = np.random.default_rng(3)
    each = [outlook.simulate([care], policies, runs=30, rng=rng) for care in cares]
    assert (both.vehicles, both.runs) == (2, 30)
    for name in policies:
        found = np.mean([one.policies[name].cost.value for one in each])
        assert both.policies[name].cost.value == pytest.approx(found)
    beyond = np.mean([one.beyond["only failed"].value for one in each])
    assert both.beyond["only failed"].value == pytest.approx(beyond)
