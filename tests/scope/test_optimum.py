"""Following the advice against the exact optimum: three units, all states of their ages, dynamic programming.

Distance runs in cells, failures counting in the middle of theirs: a state holds ages of 1/2, 3/2, … cells, and what is
renewed in a cell is 1/2 old at its end. When something fails there is a visit, at which the others may be renewed too.
The set-up of the visit is paid once.
"""

from __future__ import annotations

from math import log

import numpy as np
import pytest
from numba import njit

from wearlore.renewal import Process, Span, worth_left, worth_new
from wearlore.scope import Candidate, Fault, Option, Problem, Step, formulate, solve

AGES = 26  # cells; the oldest state stands for that age and beyond


class Trio:
    """Three units drawn at random: lives, prices of their own, what a failure costs beyond, the set-up."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.shape = rng.uniform(2.0, 6.0, 3)
        self.scale = rng.uniform(6.0, 14.0, 3)
        self.own = rng.uniform(50, 800, 3)
        self.beyond = rng.uniform(0, 800, 3)
        self.setup = rng.uniform(100, 500)
        self.discount = rng.uniform(0.01, 0.03)  # per cell, continuous
        grid = np.arange(AGES + 1)[:, None] + 0.5
        self.survival = np.exp(-((grid / self.scale) ** self.shape))
        hazard = 1 - self.survival[1:] / np.maximum(self.survival[:-1], 1e-300)
        self.hazard = np.ascontiguousarray(hazard.T)
        owns = [sum(self.own[i] for i in range(3) if done >> i & 1) for done in range(8)]
        self.visit = np.array([self.setup * (done > 0) + own for done, own in enumerate(owns)])

    def saving(self, share: float = 0.0) -> np.ndarray:
        """By the renewal equation of the package: what renewing unit i at each age saves later, shape (3, AGES)."""
        span = Span(400.0, self.discount, 400)
        one, saved = np.ones(1), []
        for i in range(3):
            cost = np.array([(1 - share) * self.setup + self.own[i] + self.beyond[i]])
            p = Process(
                np.array([[log(self.scale[i])]]), np.array([[1 / self.shape[i]]]), np.array([False]), cost, one, one
            )
            new = worth_new(p, np.zeros(1), span)
            age = np.arange(AGES, dtype=float)[:, None]
            saved.append(worth_left(p, age, age, new, span).cost[0] - new[0, -1])
        return np.array(saved)


@njit(cache=False)
def best_decision(saving, visit, failed, a, b, c):  # type: ignore[no-untyped-def]
    """The cheapest set of units that holds the failed ones, by enumeration over the savings."""
    best, least = failed, np.inf
    for done in range(8):
        if done & failed == failed:
            total = visit[done]
            if done & 1 and not failed & 1:
                total -= saving[0, a]
            if done & 2 and not failed & 2:
                total -= saving[1, b]
            if done & 4 and not failed & 4:
                total -= saving[2, c]
            if total < least - 1e-9:
                best, least = done, total
    return best


@njit(cache=False)
def older(age: int) -> int:
    return min(age + 1, AGES - 1)


@njit(cache=False)
def chance_of(failed, hazard, beyond, a, b, c):  # type: ignore[no-untyped-def]
    """Chance that exactly the units in ``failed`` fail in this cell, and what that costs beyond the visit."""
    chance, extra = 1.0, 0.0
    for i, age in enumerate((a, b, c)):
        if failed >> i & 1:
            chance *= hazard[i, age]
            extra += beyond[i]
        else:
            chance *= 1 - hazard[i, age]
    return chance, extra


@njit(cache=False)
def least_after(failed, decided, visit, worth, half, whole, a1, b1, c1):  # type: ignore[no-untyped-def]
    """Cost of the visit and after it: of the decision taken (decided >= 0), or of the best."""
    least = np.inf
    for done in range(8):
        if done & failed == failed and decided in (-1, done):
            after = worth[0 if done & 1 else a1, 0 if done & 2 else b1, 0 if done & 4 else c1]
            least = min(least, half * visit[done] + whole * after)
    return least


@njit(cache=False)
def sweep(worth, hazard, visit, beyond, half, whole, saving, follow):  # type: ignore[no-untyped-def]
    """One pass over all states in place, oldest first, so that it carries costs through whole lives."""
    change = 0.0
    for a in range(AGES - 1, -1, -1):
        for b in range(AGES - 1, -1, -1):
            for c in range(AGES - 1, -1, -1):
                a1, b1, c1 = older(a), older(b), older(c)
                chance, _ = chance_of(0, hazard, beyond, a, b, c)
                total = chance * whole * worth[a1, b1, c1]
                for failed in range(1, 8):
                    chance, extra = chance_of(failed, hazard, beyond, a, b, c)
                    decided = best_decision(saving, visit, failed, a1, b1, c1) if follow else -1
                    total += chance * half * extra
                    total += chance * least_after(failed, decided, visit, worth, half, whole, a1, b1, c1)
                change = max(change, abs(total - worth[a, b, c]))
                worth[a, b, c] = total
    return change


def expected_cost(trio: Trio, saving: np.ndarray | None) -> float:
    """Expected discounted cost from three new units: of following the savings, or (None) the optimum."""
    worth = np.zeros((AGES, AGES, AGES))
    half, whole = np.exp(-0.5 * trio.discount), np.exp(-trio.discount)
    table, follow = (np.zeros((3, AGES)), False) if saving is None else (saving, True)
    for _ in range(2000):
        if sweep(worth, trio.hazard, trio.visit, trio.beyond, half, whole, table, follow) < 1e-6 * worth.max():
            return float(worth[0, 0, 0])
    raise AssertionError("value iteration did not settle")


def trios(count: int) -> list[Trio]:
    return [Trio(np.random.default_rng([2024, k])) for k in range(count)]


def losses(policy_saving, cases: list[Trio]) -> np.ndarray:
    """Share by which the policy costs more than the optimum, from three new units."""
    return np.array([expected_cost(trio, policy_saving(trio)) / expected_cost(trio, None) - 1 for trio in cases])


@pytest.mark.slow
def test_following_the_advice_costs_within_one_per_cent_of_the_optimum():
    cases = trios(50)
    advice = losses(Trio.saving, cases)
    assert advice.min() > -1e-5
    assert advice.mean() < 0.01
    assert advice.max() < 0.025
    # the habits on the same problems: far from it, so the test can tell
    assert losses(lambda trio: np.full((3, AGES), -1e9), cases[:10]).mean() > 5 * advice.mean()
    assert losses(lambda trio: np.full((3, AGES), 1e9), cases[:10]).mean() > 5 * advice.mean()


def test_the_decision_in_each_state_is_the_one_the_scope_gives():
    rng = np.random.default_rng(5)
    for trio in trios(6):
        saving = trio.saving()
        for _ in range(25):
            ages, failed = rng.integers(0, AGES, 3), int(rng.integers(1, 8))
            solution = solve(formulate(as_problem(trio, saving, ages, failed)))
            expected = best_decision(saving, trio.visit, failed, *ages)
            assert {o for o in range(3) if expected >> o & 1} == set(solution.chosen)


def as_problem(trio: Trio, saving: np.ndarray, ages: np.ndarray, failed: int) -> Problem:
    return Problem(
        1.0,
        {"set-up": Step("set-up", 0.0, float(trio.setup))},
        tuple(Candidate(f"u{i}", np.array([saving[i, ages[i]]]), np.zeros(1)) for i in range(3)),
        tuple(Option(i, f"r{i}", "", "", float(trio.own[i]), frozenset({"set-up"}), np.zeros(1)) for i in range(3)),
        {Fault(f"u{i}", "m"): (i,) for i in range(3) if failed >> i & 1},
    )


def test_the_optimum_of_one_lasting_unit_is_plain_renewal():
    """The solver of the test itself: with two units that never fail, the optimum is the renewal equation's cost."""
    trio = Trio(np.random.default_rng(3))
    trio.hazard[1:] = 0.0
    worth, cost = expected_cost(trio, None), trio.visit[1] + trio.beyond[0]
    p = -np.diff(trio.survival[:, 0]) / trio.survival[0, 0]
    step = np.exp(-trio.discount)
    share = sum(p[k] * step ** (k + 1) for k in range(AGES))
    total = sum(p[k] * step ** (k + 0.5) for k in range(AGES)) * cost / (1 - share)
    assert worth == pytest.approx(total, rel=2e-3)
