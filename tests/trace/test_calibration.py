"""Calibration of stated chances: hand-made cases, laws, and coverage of its intervals."""

from __future__ import annotations

from dataclasses import fields
from math import inf, isnan, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from wearlore.estimate import Estimate
from wearlore.trace.calibration import Calibration, calibration

CASES = st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40)


def of(stated, found, **options) -> Calibration:
    return calibration(stated, np.asarray(found, bool), rng=np.random.default_rng(1), **options)


def estimates(result: Calibration) -> dict[str, Estimate]:
    named = {field.name: getattr(result, field.name) for field in fields(result)}
    shares = {f"share {n}": one.share for n, one in enumerate(result.bins)}
    return {name: value for name, value in named.items() if isinstance(value, Estimate)} | shares


class TestByHand:
    """Four of 0.1 (one there), two of 0.8 (both there), two of 0.9 (one there)."""

    result = of([0.1] * 4 + [0.8] * 2 + [0.9] * 2, [1, 0, 0, 0, 1, 1, 1, 0])

    def test_bins(self) -> None:
        assert [(b.low, b.high, b.count, b.found) for b in self.result.bins] == [
            (0.1, 0.2, 4, 1), (0.8, 0.9, 2, 2), (0.9, 1.0, 2, 1),
        ]  # fmt: skip
        assert [b.stated for b in self.result.bins] == pytest.approx([0.1, 0.8, 0.9])
        assert [b.share.value for b in self.result.bins] == [0.25, 1.0, 0.5]

    def test_calibration_error(self) -> None:
        assert self.result.error.value == pytest.approx((4 * 0.15 + 2 * 0.2 + 2 * 0.4) / 8)

    def test_brier_score_and_its_parts(self) -> None:
        brier = (0.81 + 3 * 0.01 + 2 * 0.04 + 0.01 + 0.81) / 8
        assert self.result.brier.value == pytest.approx(brier)
        assert self.result.reliability.value == pytest.approx((4 * 0.15**2 + 2 * 0.2**2 + 2 * 0.4**2) / 8)
        assert self.result.resolution.value == pytest.approx((4 * 0.25**2 + 2 * 0.5**2) / 8)
        assert self.result.uncertainty.value == 0.25
        assert self.result.within.value == pytest.approx(0, abs=1e-15)  # Murphy's identity: each bin holds one chance
        assert self.result.skill is not None
        assert self.result.skill.value == pytest.approx(1 - brier / 0.25)

    def test_log_score(self) -> None:
        given_to_it = [0.1, 0.9, 0.9, 0.9, 0.8, 0.8, 0.9, 0.1]
        assert self.result.log_score.value == pytest.approx(-np.mean(np.log(given_to_it)))

    def test_base_rate(self) -> None:
        assert (self.result.count, self.result.found, self.result.base_rate.value) == (8, 4, 0.5)

    def test_bias(self) -> None:
        assert self.result.bias.value == pytest.approx((4 * 0.1 + 2 * 0.8 + 2 * 0.9) / 8 - 0.5)


def test_what_is_added_within_bins_is_variance_less_twice_the_covariance():
    """Stephenson, Coelho & Jolliffe (2008), on one bin with different chances in it."""
    stated, found = np.array([0.2, 0.5, 0.6, 0.9]), np.array([False, False, True, True])
    away = stated - stated.mean()
    expected = np.mean(away**2) - 2 * np.mean(away * (found - found.mean()))
    assert of(stated, found, bins=1).within.value == pytest.approx(expected)
    assert expected != pytest.approx(0, abs=0.01)


@given(CASES, st.integers(1, 12))
def test_the_score_is_the_mean_square_and_the_sum_of_its_parts(cases, bins):
    stated, found = np.array([p for p, _ in cases]), np.array([f for _, f in cases])
    told = of(stated, found, bins=bins)
    assert told.brier.value == pytest.approx(np.mean((stated - found) ** 2), abs=1e-12)
    assert told.brier.value == pytest.approx(
        told.reliability.value - told.resolution.value + told.uncertainty.value + told.within.value, abs=1e-12
    )


@given(CASES)
def test_every_estimate_lies_in_its_interval_and_none_is_nan(cases):
    for name, one in estimates(of(*map(list, zip(*cases, strict=True)))).items():
        assert not any(isnan(end) for end in (one.value, one.low, one.high)), name
        assert one.low <= one.value <= one.high, name


@given(CASES, st.randoms())
def test_the_order_of_the_cases_is_of_no_matter(cases, random):
    shuffled = list(cases)
    random.shuffle(shuffled)
    one, other = (of(*map(list, zip(*each, strict=True))) for each in (cases, shuffled))
    assert estimates(one) == estimates(other)


@given(CASES)
def test_bins_hold_every_case_once_between_their_edges(cases):
    stated = np.array([p for p, _ in cases])
    told = of(stated, [f for _, f in cases])
    assert sum(b.count for b in told.bins) == len(cases)
    for one in told.bins:
        inside = (stated >= one.low) & ((stated < one.high) | (one.high == 1))
        assert one.count == inside.sum() > 0
        assert one.stated == pytest.approx(stated[inside].mean())


def test_an_edge_belongs_to_the_bin_above_and_1_to_the_last():
    told = of([k / 10 for k in range(11)], [True] * 11)
    assert [(b.low, b.count) for b in told.bins] == [(k / 10, 1) for k in range(9)] + [(0.9, 2)]


@pytest.mark.parametrize(("found", "count"), [(1, 4), (3, 4), (12, 189), (199, 206)])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_shares_have_jeffreys_intervals(found, count, level):
    share = of([0.3] * count, [True] * found + [False] * (count - found), level=level).bins[0].share
    assert (share.low, share.high) == pytest.approx(proportion_confint(found, count, 1 - level, method="jeffreys"))
    assert share.level == level


@pytest.mark.parametrize(("found", "ends"), [(False, (0.0, None)), (True, (None, 1.0))])
def test_none_or_all_found_leaves_the_other_end_open_only(found, ends):
    share = of([0.3] * 5, [found] * 5).bins[0].share
    low, high = ends
    assert share.low == (low if low is not None else pytest.approx(1 - 0.37938, abs=1e-4))
    assert share.high == (high if high is not None else pytest.approx(0.37938, abs=1e-4))


class TestEnds:
    def test_right_and_certain(self) -> None:
        told = of([0.0, 0.0, 1.0], [0, 0, 1])
        assert (told.error.value, told.brier.value, told.log_score.value) == (0, 0, 0)
        assert told.skill is not None
        assert told.skill.value == 1

    def test_three_cases_prove_nothing(self) -> None:
        told = of([0.0, 0.0, 1.0], [0, 0, 1])
        assert told.brier.high > 0.2
        assert told.error.high > 0.2

    def test_what_was_ruled_out_and_found_costs_without_end(self) -> None:
        told = of([0.0, 0.5], [1, 0])
        assert told.log_score.value == inf
        assert told.brier.value == pytest.approx((1 + 0.25) / 2)

    def test_one_case_that_went_the_other_way_proves_no_error(self) -> None:
        told = of([0.3], [1])
        assert told.error.value == pytest.approx(0.7)
        assert not told.beyond_chance
        assert told.error.low == 0

    @pytest.mark.parametrize("found", [True, False])
    def test_all_or_none_found_leaves_no_skill_to_show(self, found) -> None:
        told = of([0.2, 0.7], [found] * 2)
        assert told.skill is None
        assert told.uncertainty.value == 0

    def test_always_the_base_rate_has_no_skill(self) -> None:
        told = of([0.25] * 4, [1, 0, 0, 0])
        assert told.skill is not None
        assert told.skill.value == pytest.approx(0)
        assert told.log_score.value == pytest.approx(-0.25 * log(0.25) - 0.75 * log(0.75))


def test_right_chances_have_a_small_error_no_greater_than_by_chance():
    rng = np.random.default_rng(3)
    stated = rng.random(20_000)
    told = of(stated, rng.random(20_000) < stated)
    assert told.error.value < 0.02
    assert not told.beyond_chance
    assert told.error.low == 0


def test_overstated_chances_are_beyond_chance():
    rng = np.random.default_rng(4)
    stated = rng.random(2_000)
    told = of(stated, rng.random(2_000) < stated**2)
    assert told.beyond_chance
    assert told.error.low > 0
    assert 0 < told.bias.low < np.mean(stated - stated**2) < told.bias.high
    assert told.error.low < np.mean(stated - stated**2) < told.error.high


def test_by_chance_is_the_error_of_right_chances():
    """One bin at 1/2, 4 cases: |X/4 - 1/2| is 0, 1/4, 1/2 with the chances 6/16, 8/16, 2/16 of a binomial."""
    told = of([0.5] * 4, [1, 1, 0, 0], level=0.8).by_chance
    assert (told.low, told.value, told.high) == (0, 0.25, 0.5)


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say():
    """300 fleets of 150 cases with chances overstated in a known way; 95 % intervals, so 90 % is a broken one."""
    rng = np.random.default_rng(11)
    levels = np.array([0.05, 0.15, 0.35, 0.75])
    truth = np.array([0.05, 0.10, 0.30, 0.60])
    which = np.arange(150) % 4
    error = np.mean(np.abs(levels - truth)[which])
    square = np.mean(((1 - levels) ** 2 * truth + levels**2 * (1 - truth))[which])
    bias = np.mean((levels - truth)[which])
    held = np.zeros(3)
    for _run in range(300):
        told = of(levels[which], rng.random(150) < truth[which])
        held += [
            told.error.low <= error <= told.error.high,
            told.brier.low <= square <= told.brier.high,
            told.bias.low <= bias <= told.bias.high,
        ]
    assert (held / 300 > 0.92).all(), held / 300


@pytest.mark.parametrize(
    ("stated", "found"),
    [
        ([], []),
        ([0.5], [True, False]),
        ([[0.5]], [[True]]),
        ([1.01], [True]),
        ([-0.01], [True]),
        ([float("nan")], [True]),
    ],
)
def test_cases_that_make_no_sense_are_refused(stated, found):
    with pytest.raises(ValueError):
        of(stated, found)


def test_what_was_found_is_true_or_false():
    with pytest.raises(ValueError, match="True or False"):
        calibration([0.5], np.array([2]), rng=np.random.default_rng(1))


@pytest.mark.parametrize("options", [{"bins": 0}, {"level": 0.0}, {"level": 1.0}])
def test_options_that_make_no_sense_are_refused(options):
    with pytest.raises(ValueError, match="at least one bin"):
        of([0.5], [True], **options)
