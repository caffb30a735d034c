"""The set-up share that simulation teaches: what is kept and what is not, and that it is the advice's own equation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from wearlore.outlook import courses
from wearlore.outlook.improve import learn, learn_share
from wearlore.renewal.upkeep import savings
from wearlore.scope import Fault, follow_advice, upkeep

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
