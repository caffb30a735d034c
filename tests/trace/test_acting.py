"""The best way to repair, check and stop, against all ways one by one."""

from __future__ import annotations

import random
from itertools import chain, combinations, permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.trace import search_order
from wearlore.trace.acting import Batch, Way, best_way

chances = st.lists(st.floats(0.01, 1), min_size=1, max_size=6)


def subsets(items: set[int]):
    return chain.from_iterable(combinations(sorted(items), size) for size in range(1, len(items) + 1))


def least(states, left, costs, cures, check, unsolved, done=None) -> float:
    """Expected cost of the best of all ways from here on, every one of them tried; ``done`` None: at the beginning."""
    if done is None:
        faulty = {present: p for present, p in states.items() if present}
        checked = check * sum(states.values()) + least(faulty, left, costs, cures, check, unsolved, frozenset())
        return min(checked, least(states, left, costs, cures, check, unsolved, frozenset()))

    def stop(repaired) -> float:
        cured = set().union(*(cures[i] for i in repaired))
        there = [(p, present - cured) for present, p in states.items()]
        return sum(p * (sum(left[f] for f in faults) + unsolved * bool(faults)) for p, faults in there)

    best, mass = stop(done), sum(states.values())
    for batch in subsets(set(range(len(costs))) - done):
        after = done | set(batch)
        cured = set().union(*(cures[i] for i in after))
        still = {present: p for present, p in states.items() if present - cured}
        on = check * mass + least(still, left, costs, cures, check, unsolved, after)
        best = min(best, sum(costs[i] for i in batch) * mass + min(stop(after), on))
    return best


@pytest.mark.parametrize("seed", range(60))
def test_the_best_way_is_the_least_of_all(seed):
    rng = random.Random(seed)
    faults, repairs = rng.randint(1, 4), rng.randint(1, 3)
    states = np.array([rng.random() ** 3 for _ in range(2**faults)]).reshape((2,) * faults)
    states /= states.sum()
    left = np.array([rng.uniform(0, 1000) for _ in range(faults)])
    costs = np.array([rng.uniform(0, 300) for _ in range(repairs)])
    cures = [frozenset(rng.sample(range(faults), rng.randint(1, faults))) for _ in range(repairs)]
    check = rng.choice([0.0, 20.0, 200.0])
    unsolved = rng.choice([0.0, 100.0, 5000.0])
    way = best_way(states, left, costs, cures, check, unsolved)
    by_set = {frozenset(np.flatnonzero(state).tolist()): float(states[state]) for state in np.ndindex(states.shape)}
    assert way.cost == pytest.approx(least(by_set, left, costs, cures, check, unsolved), rel=1e-12)
    assert way.cost == pytest.approx(followed(way, by_set, left, costs, cures, check, unsolved), rel=1e-12)


def followed(way: Way, states, left, costs, cures, check, unsolved) -> float:
    """Expected cost of this way, each combination of faults gone through by itself."""
    total = 0.0
    for present, chance in states.items():
        cost, there = 0.0, set(present)
        for batch in way.batches:
            cost += sum(costs[i] for i in batch.repairs) + (check if batch.check else 0.0)
            there -= set().union(*(cures[i] for i in batch.repairs))
            if not there:
                break
        total += chance * (cost + sum(left[f] for f in there) + unsolved * bool(there))
    return total


def test_several_faults_that_are_likely_and_dear_are_repaired_at_once():
    independent = np.multiply.outer([0.1, 0.9], [0.2, 0.8])
    both = best_way(independent, np.array([900.0, 900.0]), np.array([50.0, 50.0]), [{0}, {1}], 80.0)
    assert both.batches == (Batch((0, 1), False),)
    assert both.cost == 100
    nothing = best_way(independent, np.array([20.0, 20.0]), np.array([50.0, 50.0]), [{0}, {1}], 80.0)
    assert nothing == Way(pytest.approx(0.9 * 20 + 0.8 * 20), ())


def test_a_complaint_that_must_be_solved_is_gone_through_repair_by_repair():
    way = best_way(one_fault([6, 3, 1]), np.zeros(3), np.array([50.0, 50.0, 50.0]), [{0}, {1}, {2}], 10.0, 1e6)
    assert way.batches == (Batch((0,), True), Batch((1,), True), Batch((2,), False))
    assert best_way(one_fault([6, 3, 1]), np.zeros(3), np.full(3, 50.0), [{0}, {1}, {2}], 10.0, 10.0).batches == ()


def test_nothing_to_repair_and_nothing_at_stake():
    assert best_way(np.array(1.0), np.zeros(0), np.zeros(0), [], 5.0) == Way(0.0, ())


@given(chances, st.data())
def test_falling_chance_over_cost_is_the_best_of_all_orders(weights, data):
    costs = data.draw(st.lists(st.floats(0, 100), min_size=len(weights), max_size=len(weights)))
    p = [weight / sum(weights) for weight in weights]
    told = search_order(p, costs)
    every = (
        sum(costs[i] * sum(p[j] for j in order[k:]) for k, i in enumerate(order))
        for order in permutations(range(len(p)))
    )
    assert told.cost == pytest.approx(min(every), rel=1e-9, abs=1e-12)
    assert sorted(told.order) == list(range(len(p)))


@given(chances, st.data())
def test_one_fault_repaired_in_turn_with_a_free_check_costs_what_the_search_order_does(weights, data):
    costs = data.draw(st.lists(st.floats(0.5, 100), min_size=len(weights), max_size=len(weights)))
    way = best_way(one_fault(weights), np.full(len(costs), 1e7), np.array(costs), [{i} for i in range(len(costs))], 0.0)
    assert way.cost == pytest.approx(search_order(np.array(weights) / sum(weights), costs).cost, rel=1e-9)


@given(st.lists(st.floats(0.01, 1), min_size=2, max_size=5), st.data())
def test_a_check_that_costs_is_spared_after_the_last_repair(weights, data):
    costs = data.draw(st.lists(st.floats(0.5, 100), min_size=len(weights), max_size=len(weights)))
    check = data.draw(st.floats(0, 50))
    n, p = len(weights), np.array(weights) / sum(weights)
    way = best_way(one_fault(weights), np.full(n, 1e7), np.array(costs), [{i} for i in range(n)], check)
    in_turn = min(
        sum((costs[i] + check) * p[list(order[k:])].sum() for k, i in enumerate(order)) - check * p[order[-1]]
        for order in permutations(range(n))
    )
    assert way.cost <= in_turn * (1 + 1e-9)
    if all(len(batch.repairs) == 1 for batch in way.batches):
        assert way.cost == pytest.approx(in_turn, rel=1e-9)


def one_fault(weights) -> np.ndarray:
    """Chances of all combinations of faults where there is exactly one."""
    states = np.zeros((2,) * len(weights))
    for i, weight in enumerate(weights):
        states[tuple(int(j == i) for j in range(len(weights)))] = weight / sum(weights)
    return states


def test_a_search_refuses_what_is_below_nothing():
    for p, c in (([0.5], [1, 2]), ([-0.1], [1]), ([1], [-1])):
        with pytest.raises(ValueError, match="one cost for each"):
            search_order(p, c)
