"""Policies simulated on the same lives: against the renewal equation, against each other, against the exact choice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlore import outlook
from wearlore.renewal.upkeep import Moment, draw_luck, lives, savings
from wearlore.scope import Candidate, Fault, Option, Problem, Step, follow_advice, formulate, problem, solve, upkeep
from wearlore.vehicle import ModeState

from .family import BOOK, KM, TERMS, models, vehicle

MUST = replace(TERMS, must=frozenset({Fault("seal", "seal-leaks")}), discount=0.04)


def kept(van, terms=MUST):
    return upkeep(BOOK, van, models, terms, rng=np.random.default_rng(1))


def test_curing_only_what_failed_costs_one_unit_what_the_renewal_equation_says():
    van, terms = vehicle("clutch", "slave", seen_good=60e3), replace(TERMS, discount=0.04)
    case = problem(BOOK, van, models, replace(terms, refuse=frozenset()), rng=np.random.default_rng(1))
    alone = replace(case, candidates=case.candidates[:1])
    care = kept(van, terms)
    only = replace(care, renewables=care.renewables[:1], brings=care.brings[:1, :1])
    pieces = lives(only, draw_luck(only, 6000, rng=np.random.default_rng(2)))
    found = outlook.simulate([(only, pieces)], {"habit": outlook.only_failed}).policies["habit"].cost
    companion = 60 * 0.3 + 60 + 5  # the slave is not simulated here; the equation counts it in each later visit
    share = float(alone.candidates[0].left.mean()) * (1 - companion / 781)
    assert found.low - 3 < share < found.high + 3
    assert found.high - found.low < 0.06 * share


def test_the_same_policy_twice_differs_by_nothing_and_rivals_share_their_luck():
    care = kept(vehicle())
    pieces = lives(care, draw_luck(care, 40, rng=np.random.default_rng(3)))
    policies = {"a": outlook.only_failed, "b": outlook.only_failed, "reach": outlook.all_in_reach}
    compared = outlook.simulate([(care, pieces)], policies)
    assert (compared.beyond["b"].value, compared.beyond["b"].low, compared.beyond["b"].high) == (0, 0, 0)
    assert compared.policies["reach"].visits < compared.policies["a"].visits
    again = outlook.simulate([(care, pieces)], {"a": outlook.only_failed})
    assert again.policies["a"] == compared.policies["a"]


def test_luck_stays_with_the_piece_when_the_terms_change():
    few, many = kept(vehicle()), kept(vehicle(), replace(MUST, setup_share=0.4, labour_rate=30))
    luck = draw_luck(few, 20, rng=np.random.default_rng(3))
    assert [item.unit for item in few.renewables] == [item.unit for item in many.renewables]
    np.testing.assert_array_equal(lives(few, luck).life[:, :, 0], lives(many, luck).life[:, :, 0])


def test_following_the_advice_beats_both_habits():
    care = kept(vehicle(seen_good=60e3))
    pieces = lives(care, draw_luck(care, 150, rng=np.random.default_rng(5)))
    policies = {
        "advice": follow_advice,
        "only failed": outlook.only_failed,
        "all in reach": outlook.all_in_reach,
    }
    compared = outlook.simulate([(care, pieces)], policies)
    assert compared.beyond["only failed"].low > 0
    assert compared.beyond["all in reach"].value > 0
    assert 0 < compared.policies["advice"].setup_share < 1


def test_the_fast_decision_is_the_one_the_program_makes():
    care = kept(vehicle(seen_good=60e3))
    table = savings(care)
    policy, rng, n = follow_advice(care, table), np.random.default_rng(6), len(care.renewables)
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
        best, chosen = solve(formulate(case)), tuple(int(i) for i in np.flatnonzero(policy(moment)))
        assert case.objective(chosen) == pytest.approx(best.objective, abs=0.02 * n)
        assert set(np.flatnonzero(failed)) <= set(chosen)


def test_what_is_known_to_have_failed_is_cured_in_the_first_visit():
    leaking = ModeState("seal-leaks", KM, KM, present=True)
    care = kept(vehicle("seal", seal_leaks=leaking), replace(TERMS, horizon=10.0))
    pieces = lives(care, draw_luck(care, 5, rng=np.random.default_rng(3)))
    cost = outlook.simulate([(care, pieces)], {"habit": outlook.only_failed}).policies["habit"]
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
    rng = np.random.default_rng(3)
    fleet = [(care, lives(care, draw_luck(care, 30, rng=rng))) for care in cares]
    policies = {"advice": follow_advice, "only failed": outlook.only_failed}
    both = outlook.simulate(fleet, policies)
    each = [outlook.simulate([one], policies) for one in fleet]
    assert (both.vehicles, both.runs) == (2, 30)
    for name in policies:
        found = np.mean([one.policies[name].cost.value for one in each])
        assert both.policies[name].cost.value == pytest.approx(found)
    beyond = np.mean([one.beyond["only failed"].value for one in each])
    assert both.beyond["only failed"].value == pytest.approx(beyond)
