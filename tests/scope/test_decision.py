"""The compiled decision of a visit against enumeration, and the luck that simulation draws."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtri_exp

from wearlore.outlook.luck import key_of, normal_at, uniform
from wearlore.renewal.decision import KINDS, Wiring, choose


def rows(sets):
    return np.cumsum([0, *map(len, sets)]), np.array([k for one in sets for k in sorted(one)], np.int64)


class Case:
    """Up to eight units, eight steps, who brings whom (closed), what each is worth, what has failed; at random."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.n, self.steps = (int(k) for k in rng.integers(1, 9, 2))
        self.own = [frozenset(np.flatnonzero(rng.random(self.steps) < 0.4).tolist()) for _ in range(self.n)]
        self.brings = rng.random((self.n, self.n)) < 0.1
        for k in range(self.n):
            self.brings |= self.brings[:, k : k + 1] & self.brings[k]
        np.fill_diagonal(self.brings, False)
        self.price = rng.uniform(0, 10, self.steps) * (rng.random(self.steps) < 0.9)
        self.worth, self.failed = rng.uniform(-6, 18, self.n), rng.random(self.n) < 0.2

    def chosen(self, kind: str = "worth", open_: frozenset[int] = frozenset()) -> np.ndarray:
        nodes = []
        for i in range(self.n):
            brought = np.flatnonzero(self.brings[i]).tolist()
            nodes.append(self.own[i].union(*(self.own[j] for j in brought), [self.steps + j for j in brought]))
        (ends, node), (own_ends, own) = rows(nodes), rows(self.own)
        wired = Wiring(ends, node, own_ends, own, own_ends, own, self.price, self.price, np.zeros(self.n))
        due = np.concatenate([self.price, np.zeros(self.n)])
        due[list(open_)] = 0.0
        return choose(wired, KINDS[kind], self.failed, self.worth, due)

    def value(self, done: np.ndarray, open_: frozenset[int] = frozenset()) -> float:
        steps = frozenset().union(*(self.own[i] for i in np.flatnonzero(done).tolist())) - open_
        return float(self.worth[done].sum() - self.price[sorted(steps)].sum())

    def allowed(self):
        for bits in product([False, True], repeat=self.n):
            done = np.array(bits)
            if not (self.failed & ~done).any() and not (self.brings[done].any(axis=0) & ~done).any():
                yield done


@pytest.mark.parametrize("block", range(8))
def test_the_choice_is_the_best_there_is(block):
    for seed in range(100 * block, 100 * (block + 1)):
        case = Case(seed)
        open_ = frozenset(range(seed % 3)) & frozenset(range(case.steps))
        done = case.chosen(open_=open_)
        best = max(case.value(other, open_) for other in case.allowed())
        assert any((done == other).all() for other in case.allowed()), seed
        assert case.value(done, open_) == pytest.approx(best, abs=1e-6), seed


def test_the_habits_do_what_their_names_say():
    for seed in range(200):
        case = Case(seed)
        failed = min(case.allowed(), key=lambda done: int(done.sum()))
        np.testing.assert_array_equal(case.chosen("failed"), failed)
        reach = case.chosen("reach")
        if not failed.any():
            assert not reach.any()
            continue
        opened = frozenset().union(*(case.own[i] for i in np.flatnonzero(failed).tolist()))
        opened |= {s for s in range(case.steps) if case.price[s] == 0}
        reached = np.array([needs <= opened for needs in case.own])
        expected = failed | (reached & ~(case.brings & ~reached).any(axis=1))
        np.testing.assert_array_equal(reach, expected)


def test_the_normal_quantile_of_a_hazard():
    hazard = np.exp(np.linspace(-30, 5, 400))
    np.testing.assert_allclose([normal_at(h) for h in hazard], -ndtri_exp(-hazard), rtol=1e-6, atol=1e-5)
    assert np.isfinite([normal_at(h) for h in (0.0, 1e-300, 1e4)]).all()


def test_luck_is_even_and_independent_of_its_neighbours():
    keys = [key_of("pump", "leaks"), key_of("pump", "cracks"), key_of("pump/1", "leaks")]
    assert len(set(keys)) == 3
    seed = np.uint64(1)
    table = np.array(
        [[[uniform(seed, np.uint64(r), k, np.uint64(p)) for p in range(4)] for k in keys] for r in range(4000)]
    )
    assert ((table > 0) & (table < 1)).all()
    assert stats.kstest(table.ravel(), "uniform").pvalue > 0.001
    flat = table.reshape(4000, -1)
    beside = np.column_stack([flat, np.roll(flat, 1, axis=0)])  # the run before
    correlation = np.corrcoef(beside.T) - np.eye(beside.shape[1])
    assert np.abs(correlation).max() < 5 / np.sqrt(4000)
