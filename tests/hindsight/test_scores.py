"""Scores of forecast counts: published values, and what must hold of every right forecast."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from wearlore.hindsight import scores

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def forecasts():
    """Any distribution of a count up to 12."""
    weights = st.lists(st.floats(0, 1), min_size=1, max_size=13).filter(lambda w: sum(w) > 0.01)
    return weights.map(lambda w: np.array(w) / sum(w))


@pytest.mark.parametrize("row", rows("hindsight_crps.csv"), ids=lambda row: row["members"])
def test_crps_of_members_that_are_as_likely(row):
    members = [int(one) for one in row["members"].split()]
    pmf = np.bincount(members) / len(members)
    assert scores.crps(pmf, int(row["happened"])) == pytest.approx(float(row["crps"]), abs=1e-9)


@pytest.mark.parametrize("row", rows("hindsight_pit.csv"), ids=lambda row: row["mean"])
def test_pit_of_a_count_is_a_span(row):
    pmf = poisson.pmf(np.arange(60), float(row["mean"]))
    assert scores.pit(pmf, int(row["happened"])) == pytest.approx((float(row["low"]), float(row["high"])), abs=1e-6)


@given(forecasts(), st.sampled_from([0.5, 0.8, 0.9]))
def test_a_right_forecast_holds_its_level_exactly_on_the_mean(pmf, level):
    """Breaks if the span is cut anywhere else than at the level's ends, or a count at an end is taken whole."""
    held = [scores.held(scores.pit(pmf, k), level) for k in range(pmf.size)]
    assert pmf @ held == pytest.approx(level, abs=1e-9)


@given(forecasts(), st.integers(2, 10))
def test_the_pit_histogram_of_a_right_forecast_is_even(pmf, bins):
    each = [scores.histogram([scores.pit(pmf, k)], bins) for k in range(pmf.size)]
    assert pmf @ np.array(each) == pytest.approx(np.full(bins, 1 / bins), abs=1e-9)


@given(forecasts(), st.sampled_from([0.5, 0.9]))
def test_an_interval_of_whole_numbers_holds_its_level_and_no_end_can_be_spared(pmf, level):
    low, high = ends = scores.interval(pmf, level)
    assert scores.chance_within(pmf, ends) >= level - 1e-9
    assert pmf[:low].sum() <= (1 - level) / 2 + 1e-9
    assert pmf[high + 1 :].sum() <= (1 - level) / 2 + 1e-9
    assert pmf[low:].sum() > (1 + level) / 2 - pmf[low] - 1e-9


@given(forecasts(), st.integers(0, 20))
def test_crps_is_the_mean_absolute_error_less_half_the_mean_difference(pmf, happened):
    counts = np.arange(pmf.size)
    difference = pmf @ np.abs(counts[:, None] - counts) @ pmf
    expected = pmf @ np.abs(counts - happened) - difference / 2
    assert scores.crps(pmf, happened) == pytest.approx(expected, abs=1e-9)


def test_a_count_beyond_all_that_was_possible_is_at_the_end_of_everything():
    pmf = np.array([0.5, 0.5])
    assert scores.pit(pmf, 7) == (1.0, 1.0)
    assert scores.held(scores.pit(pmf, 7), 0.9) == 0
    assert scores.so_far_off(pmf, 7) == 0
    assert scores.histogram([scores.pit(pmf, 7)], 5).tolist() == [0, 0, 0, 0, 1]


def test_so_far_off_is_twice_the_nearer_tail_and_at_most_one():
    pmf = np.array([0.1, 0.2, 0.4, 0.2, 0.1])
    assert [scores.so_far_off(pmf, k) for k in range(5)] == pytest.approx([0.2, 0.6, 1, 0.6, 0.2])
