"""Kaplan–Meier: laws, and what it says of rows it can only place."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlore.errors import FitError
from wearlore.life import kaplan_meier
from wearlore.lives import Lives


@st.composite
def late_lives(draw):
    rows = draw(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), st.booleans()), min_size=1, max_size=25))
    entry = np.array([min(a, b) for a, b, _ in rows], float)
    end = np.array([max(a, b) + 1 for a, b, _ in rows], float)
    failed = np.array([f for *_, f in rows])
    return Lives(entry, end, np.where(failed, end, inf), np.ones(len(rows)))


def by_hand(lives: Lives, since: float) -> dict[float, float]:
    """The product-limit estimate, one life at a time."""
    survival, steps = 1.0, {}
    for t in sorted({float(t) for t in lives.lower[lives.exact] if t > since}):
        at_risk = sum(max(e, since) < t <= end for e, end in zip(lives.entry, lives.lower, strict=True))
        failed = sum(end == t and exact for end, exact in zip(lives.lower, lives.exact, strict=True))
        survival *= 1 - failed / at_risk
        steps[t] = survival
    return steps


@settings(max_examples=200, deadline=None)
@given(lives=late_lives(), since=st.integers(0, 12))
def test_product_limit_by_hand(lives, since):
    if not (lives.lower > since).any():
        with pytest.raises(FitError, match="no life was seen beyond"):
            kaplan_meier(lives, since=since)
        return
    curve = kaplan_meier(lives, since=since)
    expected = by_hand(lives, since)
    assert list(curve.km) == list(expected)
    assert curve.survival == pytest.approx(list(expected.values()), abs=1e-12)
    assert (curve.low <= curve.survival + 1e-12).all()
    assert (curve.survival <= curve.high + 1e-12).all()
    for values in (curve.low, curve.high, curve.error):
        assert np.isfinite(values).all()
    emptied = [t for t, s in expected.items() if s < 1e-12 and (lives.lower > t).any()]
    assert curve.emptied_at == (emptied[0] if emptied else None)


def test_without_censoring_it_is_the_share_still_good():
    curve = kaplan_meier(Lives.of([10.0, 20, 30, 40]))
    assert curve.sf(np.array([5, 10, 25, 40, 99])) == pytest.approx([1, 0.75, 0.5, 0, 0])
    assert curve.quantile(0.5) == 20
    assert curve.emptied_at is None  # nothing was seen beyond


def test_limits_are_pointwise_log_log_limits():
    """Half of 100 lives failed at one distance: Greenwood's variance of ln S is 0.01, so ln(-ln S) has se 0.1/ln 2."""
    curve = kaplan_meier(Lives.of([1e4] * 50, [2e4] * 50), level=0.9)
    reach = 1.6448536 * 0.1 / np.log(2)
    assert (curve.low[0], curve.high[0]) == pytest.approx((0.5 ** np.exp(reach), 0.5 ** np.exp(-reach)), rel=1e-6)
    assert curve.error[0] == pytest.approx(0.05)


def test_a_curve_that_does_not_get_there_has_no_quantile():
    assert kaplan_meier(Lives.of([1e4], [2e4] * 9)).quantile(0.5) is None
    assert kaplan_meier(Lives.of(good=[2e4] * 9)).km.size == 0


def test_failures_between_two_looks_are_refused():
    with pytest.raises(FitError, match="between two looks"):
        kaplan_meier(Lives(np.zeros(2), np.array([0.0, 5e4]), np.array([2e4, 5e4]), np.ones(2)))


def test_survival_with_its_limits_at_a_distance():
    """A step function holds its value, and its limits, from each failure to the next."""
    curve = kaplan_meier(Lives.of([1e4, 3e4], [2e4] * 8))
    assert (curve.at(5e3).value, curve.at(5e3).low, curve.at(5e3).high) == (1, 1, 1)
    for km in (1e4, 2e4):
        assert (curve.at(km).value, curve.at(km).low, curve.at(km).high) == (0.9, curve.low[0], curve.high[0])
    assert curve.at(9e4).value == 0


def test_failed_on_entry_was_at_risk():
    curve = kaplan_meier(Lives(np.array([5.0, 0]), np.array([5.0, 9]), np.array([5.0, inf]), np.ones(2)))
    assert curve.survival == pytest.approx([0.5])
