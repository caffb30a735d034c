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

from wearlore.outlook.improve import SHARES, learn
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
def decisions_by(saving, visit):  # type: ignore[no-untyped-def]
    """What is done in each state when each set of units has failed, by the savings: (8, AGES, AGES, AGES)."""
    done = np.empty((8, AGES, AGES, AGES), np.int8)
    for failed in range(8):
        for a in range(AGES):
            for b in range(AGES):
                for c in range(AGES):
                    done[failed, a, b, c] = best_decision(saving, visit, failed, a, b, c)
    return done


@njit(cache=False)
def decisions_after(worth, visit, half, whole):  # type: ignore[no-untyped-def]
    """The same by the cost of this visit and ``worth``, the expected cost later in each state."""
    done = np.empty((8, AGES, AGES, AGES), np.int8)
    for failed in range(8):
        for a in range(AGES):
            for b in range(AGES):
                for c in range(AGES):
                    least = np.inf
                    for d in range(8):
                        cost = after(d, visit, worth, half, whole, a, b, c)
                        if d & failed == failed and cost < least:
                            least, done[failed, a, b, c] = cost, d
    return done


@njit(cache=False)
def after(done, visit, worth, half, whole, a, b, c):  # type: ignore[no-untyped-def]
    """Cost of a visit in the middle of a cell, and of all that comes after the cell."""
    later = worth[0 if done & 1 else a, 0 if done & 2 else b, 0 if done & 4 else c]
    return half * visit[done] + whole * later


@njit(cache=False)
def sweep(worth, hazard, visit, beyond, half, whole, decisions):  # type: ignore[no-untyped-def]
    """One pass over all states in place, oldest first, so that it carries costs through whole lives."""
    change = 0.0
    for a in range(AGES - 1, -1, -1):
        for b in range(AGES - 1, -1, -1):
            for c in range(AGES - 1, -1, -1):
                a1, b1, c1 = older(a), older(b), older(c)
                total = 0.0
                for failed in range(8):
                    chance, extra = chance_of(failed, hazard, beyond, a, b, c)
                    done = decisions[failed, a1, b1, c1]
                    total += chance * (half * extra + after(done, visit, worth, half, whole, a1, b1, c1))
                change = max(change, abs(total - worth[a, b, c]))
                worth[a, b, c] = total
    return change


def factors(trio: Trio) -> tuple[float, float]:
    """What half a cell and a whole one discount."""
    return float(np.exp(-0.5 * trio.discount)), float(np.exp(-trio.discount))


def worth_of(trio: Trio, decisions: np.ndarray, start: np.ndarray | None = None) -> np.ndarray:
    """Expected discounted cost of following ``decisions`` from every state; no visit unless something fails."""
    worth = np.zeros((AGES, AGES, AGES)) if start is None else start.copy()
    decisions[0] = 0
    half, whole = factors(trio)
    for _ in range(2000):
        if sweep(worth, trio.hazard, trio.visit, trio.beyond, half, whole, decisions) < 1e-6 * worth.max():
            return worth
    raise AssertionError("value iteration did not settle")


def improved(trio: Trio, worth: np.ndarray) -> np.ndarray:
    """Of following, at each visit, the choice that is best if the rule worth ``worth`` is followed from then on."""
    return worth_of(trio, decisions_after(worth, trio.visit, *factors(trio)), worth)


def optimum(trio: Trio, start: np.ndarray | None = None) -> np.ndarray:
    """By policy iteration (Howard 1960), from the worth of a good rule if there is one."""
    worth = worth_of(trio, decisions_by(trio.saving(), trio.visit)) if start is None else start
    for _ in range(50):
        better = improved(trio, worth)
        if (worth - better).max() < 1e-5 * worth.max():
            return better
        worth = better
    raise AssertionError("policy iteration did not settle")


@njit(cache=False)
def simulated(decisions, hazard, visit, beyond, discount, luck):  # type: ignore[no-untyped-def]
    """Discounted cost (R,) of courses of events from three new units; ``luck`` (R, cells, 3), uniform."""
    cost = np.zeros(luck.shape[0])
    for r in range(luck.shape[0]):
        age = np.zeros(3, np.int64)
        for cell in range(luck.shape[1]):
            failed, extra = 0, 0.0
            for i in range(3):
                if luck[r, cell, i] < hazard[i, age[i]]:
                    failed |= 1 << i
                    extra += beyond[i]
                age[i] = older(age[i])
            if failed:
                done = decisions[failed, age[0], age[1], age[2]]
                cost[r] += np.exp(-discount * (cell + 0.5)) * (visit[done] + extra)
                for i in range(3):
                    if done >> i & 1:
                        age[i] = 0
    return cost


def learned(trio: Trio, rng: np.random.Generator) -> np.ndarray:
    """What the advice does in every state, with the set-up share that simulating it teaches."""
    luck = rng.random((1000, 150, 3))
    none, most = trio.saving(), trio.saving(0.9)
    tables = {s: decisions_by(none + s / 0.9 * (most - none), trio.visit) for s in SHARES}
    facts = (trio.hazard, trio.visit, trio.beyond, trio.discount, luck)
    return tables[learn(lambda share: simulated(tables[share], *facts)).share]


def trios(count: int) -> list[Trio]:
    return [Trio(np.random.default_rng([2024, k])) for k in range(count)]


@pytest.mark.slow
def test_the_improved_advice_costs_little_more_than_the_optimum():
    """Three rules on 50 problems, each evaluated exactly: the advice with no share, with the share that simulation
    teaches on each, and one step better: at each visit the choice that is best if the second is followed later (a
    rollout).

    Found: 0.76 %, 0.26 % and 0.003 % above the optimum on the mean, 2.1 %, 1.4 % and 0.07 % at worst.
    """
    rng = np.random.default_rng(7)
    loss = {"no share": [], "learned": [], "rolled out": []}
    for trio in trios(50):
        plain = worth_of(trio, decisions_by(trio.saving(), trio.visit))
        taught = worth_of(trio, learned(trio, rng), plain)
        ahead = improved(trio, taught)
        best = optimum(trio, ahead)[0, 0, 0]
        for name, worth in zip(loss, (plain, taught, ahead), strict=True):
            loss[name].append(worth[0, 0, 0] / best - 1)
    told = {name: (float(np.mean(each)), max(each), min(each)) for name, each in loss.items()}
    assert min(low for _, _, low in told.values()) > -1e-5
    assert told["no share"][0] < 0.01
    assert told["no share"][1] < 0.025
    assert told["learned"][0] < 0.004
    assert told["learned"][1] < 0.02
    assert told["rolled out"][0] < 0.0005
    assert told["rolled out"][1] < 0.012


def test_the_habits_are_far_from_the_optimum():
    """So that the comparison can tell."""
    for value in (-1e9, 1e9):
        losses = [
            worth_of(trio, decisions_by(np.full((3, AGES), value), trio.visit))[0, 0, 0] / optimum(trio)[0, 0, 0] - 1
            for trio in trios(4)
        ]
        assert np.mean(losses) > 0.04


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
    worth, cost = optimum(trio)[0, 0, 0], trio.visit[1] + trio.beyond[0]
    p = -np.diff(trio.survival[:, 0]) / trio.survival[0, 0]
    step = np.exp(-trio.discount)
    share = sum(p[k] * step ** (k + 1) for k in range(AGES))
    total = sum(p[k] * step ** (k + 0.5) for k in range(AGES)) * cost / (1 - share)
    assert worth == pytest.approx(total, rel=2e-3)
