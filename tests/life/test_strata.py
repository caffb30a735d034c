"""Which records speak for a revision and grade."""

import numpy as np
import pytest

from wearlore.book.model import Belief, Quantile
from wearlore.life import life_model
from wearlore.life.strata import StrataModels
from wearlore.lives import Lives


def models(strata, factors=None):
    together = Lives(
        *(np.concatenate([getattr(x, c) for x in strata.values()]) for c in ("entry", "lower", "upper", "count"))
    )
    return StrataModels(life_model("m", together), None, strata, factors or {})


def failing(about: float, n: int) -> Lives:
    return Lives.of(failed=list(about * np.linspace(0.6, 1.4, n)))


def test_a_stratum_with_failures_enough_has_its_own_life():
    made = models({("a", "original"): failing(100_000, 20), ("b", "original"): failing(200_000, 20)})
    ratio = made.of("b", "original").quantile(0.5).value / made.of("a", "original").quantile(0.5).value
    assert ratio == pytest.approx(2, rel=0.02)
    assert made.of("b", "original").evidence.failures == 20


def test_a_revision_that_does_not_fail_is_seen_to_be_better():
    """Breaks if only failures count: 50 pieces that lived through what kills the others are evidence too."""
    good = Lives.of(good=[130_000.0] * 50)
    made = models({("a", "original"): failing(100_000, 30), ("b", "original"): good})
    assert made.of("b", "original").sf(130_000) > 0.9 > 0.5 > made.of("a", "original").sf(130_000)


def test_a_thin_stratum_takes_all_lives_and_the_judged_ratio():
    strata = {("a", "original"): failing(100_000, 30), ("a", "economy"): failing(60_000, 2)}
    made = models(strata, {("a", "original"): 1.0, ("a", "economy"): 0.5, ("a", "upgrade"): 2.0})
    together = made.together.quantile(0.5).value
    failed_factor = 0.5 ** (2 / 32)  # geometric mean over the 32 that failed
    assert made.of("a", "upgrade").quantile(0.5).value == pytest.approx(together * 2 / failed_factor, rel=1e-6)
    assert made.of("a", "economy").record_share == 0


def test_a_belief_speaks_of_the_first_revision_and_is_scaled_for_another():
    """Breaks if a revision judged twice as good is pulled to the first one's life while its own failures are few."""
    belief = Belief(
        quantiles=(
            Quantile(share=0.1, at=60e3, between=(50e3, 72e3)),
            Quantile(share=0.5, at=100e3, between=(85e3, 118e3)),
        )
    )
    strata = {("a", "original"): failing(100e3, 20), ("b", "original"): Lives.of(failed=[150e3], good=[90e3] * 60)}
    together = life_model("m", strata["a", "original"], belief)
    medians = []
    for ratio in (1.0, 2.0):
        made = StrataModels(together, belief, strata, {("a", "original"): 1.0, ("b", "original"): ratio})
        medians.append(made.of("b", "original").quantile(0.5).value)
        assert made.of("a", "original").quantile(0.5).value == pytest.approx(100e3, rel=0.1)
    assert 1.3 < medians[1] / medians[0] < 2


def test_a_single_stratum_is_all_lives_together():
    made = models({("", "original"): failing(100_000, 30)})
    assert made.of("", "original") is made.together
