"""How many of some pieces fail: against enumeration, closed forms, and an independent route."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from wearlore.hindsight import Pieces, Renewed, counted, poisson_binomial, total
from wearlore.hindsight import counts as module
from wearlore.life import EXPONENTIAL, WEIBULL, LogLife


@dataclass(frozen=True)
class Known:
    """A life model whose posterior is these nodes."""

    dist: LogLife
    nodes: tuple[np.ndarray, np.ndarray, np.ndarray]

    @classmethod
    def of(cls, *lives: tuple[float, float], weight=None, dist=WEIBULL) -> Known:
        scale, sigma = np.array(lives, float).T
        each = np.full(len(lives), 1 / len(lives)) if weight is None else np.array(weight)
        return cls(dist, (np.log(scale), sigma, each))


@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_the_number_of_successes_is_that_of_every_way_they_can_fall(chances):
    expected = np.zeros(len(chances) + 1)
    for way in product((0, 1), repeat=len(chances)):
        expected[sum(way)] += np.prod([p if hit else 1 - p for p, hit in zip(chances, way, strict=True)])
    told = poisson_binomial(np.array(chances))
    assert told == pytest.approx(expected[: told.size], abs=1e-12)
    assert expected[told.size :].sum() < 1e-12


@pytest.mark.parametrize("convolve", [module._convolved, module._convolved.py_func], ids=["compiled", "plain"])
def test_equal_chances_are_binomial(convolve):
    told = convolve(np.full((1, 60), 0.3), np.ones(1), 60)
    assert told == pytest.approx(binom.pmf(np.arange(61), 60, 0.3), abs=1e-13)


def test_many_pieces_are_told_nearly_by_the_corrected_normal(monkeypatch):
    """Where it begins. Breaks if the correction for skewness is left out: the error is then fifty times as large."""
    chance = np.random.default_rng(1).uniform(0, 0.4, 1_050)
    assert module.EXACT < (chance * (1 - chance)).sum() < 1.1 * module.EXACT
    near = poisson_binomial(chance)
    monkeypatch.setattr(module, "EXACT", 1e9)
    exact = poisson_binomial(chance)
    assert np.abs(np.cumsum(near) - np.cumsum(exact)).max() < 1e-4


def test_what_is_not_known_of_the_life_widens_the_count():
    """Var N = E Var(N | life) + Var E(N | life); a plug-in has the first part only."""
    since, until = np.full(80, 50e3), np.full(80, 80e3)
    model = Known.of((100e3, 0.3), (140e3, 0.3))
    told = counted([Pieces(model, since, until)])
    each = [counted([Pieces(Known.of(life), since, until)]) for life in ((100e3, 0.3), (140e3, 0.3))]
    means, variances = np.array([_moments(one.pmf) for one in each]).T
    mean, variance = _moments(told.pmf)
    assert mean == pytest.approx(means.mean()) == pytest.approx(told.chance.sum())
    assert variance == pytest.approx(variances.mean() + means.var())
    assert variance > 3 * variances.mean()


def test_pieces_of_a_scaled_model_share_what_is_not_known():
    """Counted apart and added up as independent, the sum would be too sure."""
    model, twice = Known.of((100e3, 0.3), (140e3, 0.3)), Known.of((200e3, 0.3), (280e3, 0.3))
    parts = [Pieces(model, np.full(40, 50e3), np.full(40, 80e3)), Pieces(twice, np.full(40, 100e3), np.full(40, 160e3))]
    together, apart = counted(parts), total([counted([part]).pmf for part in parts])
    assert _moments(together.pmf)[0] == pytest.approx(_moments(apart)[0])
    assert _moments(together.pmf)[1] > 1.5 * _moments(apart)[1]
    assert together.chance[:40] == pytest.approx(together.chance[40:])


def test_chunks_of_nodes_change_nothing(monkeypatch):
    pieces = [Pieces(Known.of((100e3, 0.3), (120e3, 0.4), (150e3, 0.5)), np.full(30, 50e3), np.full(30, 80e3))]
    whole = counted(pieces)
    monkeypatch.setattr(module, "CHUNK", 1)
    assert counted(pieces).pmf == pytest.approx(whole.pmf)


def test_a_piece_may_leave_for_another_reason_before_it_fails():
    """Constant rates h of failure and r of renewal: h / (h + r) · (1 - exp(-(h + r) d))."""
    h, r, d = 1 / 100e3, 1 / 60e3, 30e3
    leaving = Renewed(20e3, np.full(3, r))
    model = Known.of((1 / h, 1.0), dist=EXPONENTIAL)
    told = counted([Pieces(model, np.array([40e3]), np.array([40e3 + d]), leaving)])
    assert told.chance[0] == pytest.approx(h / (h + r) * (1 - np.exp(-(h + r) * d)), rel=2e-3)
    staying = counted([Pieces(model, np.array([40e3]), np.array([40e3 + d]))])
    assert staying.chance[0] == pytest.approx(1 - np.exp(-h * d))


def test_renewals_add_up_over_bands_and_hold_on_beyond_the_last():
    leaving = Renewed(10e3, np.array([1e-5, 3e-5]))
    assert leaving.cumulative(np.array([0, 5e3, 15e3, 40e3])) == pytest.approx([0, 0.05, 0.25, 0.1 + 0.9])


def test_thin_bands_of_renewals_are_drawn_to_the_mean():
    leaving = Renewed.of(10e3, np.array([0.0, 8.0, 0.0]), np.array([1e6, 1e6, 0.0]))
    mean = 8 / 2e6
    assert leaving.rate == pytest.approx([1 / (1e6 + 1 / mean), 9 / (1e6 + 1 / mean), mean])
    assert Renewed.of(10e3, np.zeros(3), np.ones(3)).never


def test_the_sum_of_independent_counts():
    parts = [binom.pmf(np.arange(n + 1), n, 0.2) for n in (3, 9, 28)]
    assert total(parts) == pytest.approx(binom.pmf(np.arange(41), 40, 0.2)[: total(parts).size], abs=1e-12)


def _moments(pmf):
    counts = np.arange(pmf.size)
    mean = float(pmf @ counts)
    return mean, float(pmf @ (counts - mean) ** 2)
