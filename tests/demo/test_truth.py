from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import lognorm, weibull_min

from wearlore.demo.truth import TrueLife, Truth

scales = st.floats(10_000, 1_000_000)
sigmas = st.floats(0.15, 1.2)
lives = st.builds(TrueLife, life=st.sampled_from(["weibull", "lognormal"]), scale=scales, sigma=sigmas)


@given(scales, sigmas, st.floats(0.02, 3.0))
def test_survival_is_that_of_the_named_distribution(scale, sigma, part):
    km = part * scale
    weibull = TrueLife(scale=scale, sigma=sigma).survival(km)
    lognormal = TrueLife(life="lognormal", scale=scale, sigma=sigma).survival(km)
    assert weibull == pytest.approx(weibull_min.sf(km, 1 / sigma, scale=scale), rel=1e-9, abs=1e-300)
    assert lognormal == pytest.approx(lognorm.sf(km, sigma, scale=scale), rel=1e-9, abs=1e-300)


@given(lives, st.floats(0.001, 0.999), st.floats(0, 1.3), st.floats(0.4, 2))
def test_a_life_drawn_beyond_an_age_has_the_conditional_survival(life, u, part, ratio):
    age = part * life.scale * ratio
    drawn = life.drawn(u, age, ratio)
    assert drawn >= age
    if life.survival(age, ratio) > 1e-200:
        assert life.survival(drawn, ratio) == pytest.approx(u * life.survival(age, ratio), rel=1e-6)


@given(lives, st.floats(0.001, 0.999))
def test_the_quantile_undoes_the_survival(life, share):
    assert 1 - life.survival(life.quantile(share)) == pytest.approx(share, rel=1e-9)


def test_every_mode_of_the_book_has_its_truth_and_names_agree(book):
    truth = Truth.read()
    assert set(truth.modes) == set(book.modes)
    for by, factors in truth.accelerates.items():
        assert set(factors) == set(book.modes[by].accelerates)
        assert all(book.modes[target].noticed == "hidden" for target in factors)
    for component, ratios in truth.revisions.items():
        assert set(ratios) == set(book.components[component].revisions)
    for id_, life in truth.modes.items():
        assert (life.looked > 0) == (book.modes[id_].noticed == "hidden"), id_
        cleanable = any(remedy.kind == "clean" for _, remedy in book.remedies_for(id_))
        assert life.cleaned == 0 or cleanable, id_
    assert sum(truth.fleet.variant_shares.values()) == pytest.approx(1)
    assert sum(interval.share for interval in truth.fleet.oil_intervals) == pytest.approx(1)
