"""The years ahead under policies: intervals, order, the same answer for the same seed, and what must refuse."""

from __future__ import annotations

from math import exp, log, sqrt

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from wearlore.errors import ScopeError
from wearlore.outlook.forecast import Yearly, distance_ahead, expected, forecast, yearly, years_ahead
from wearlore.outlook.spread import cost_spread
from wearlore.renewal.upkeep import PlannedLook, Rule, Schedule

from .pieces import KM, several, unit, upkeep_of

RUNS = 12_000
USUAL = Yearly(20e3, 0.25)


def years(distance=USUAL, count=5, runs=RUNS, seed=3):
    return years_ahead(distance, count, runs=runs, rng=np.random.default_rng(seed))


def made(units=None, rules=None, ahead=None, seed=9):
    care = upkeep_of(several() if units is None else units)
    return forecast(care, rules or {"only failed": Rule("failed")}, ahead or years(), seed=seed)


@pytest.fixture(scope="module")
def two():
    return made(rules={"only failed": Rule("failed"), "all in reach": Rule("reach")})


def test_the_cost_over_a_distance_is_that_of_the_convolution():
    one = made(ahead=distance_ahead(USUAL, KM, runs=RUNS)).policies["only failed"]
    exact = cost_spread(several(), KM)
    assert one.cost.low < exact.mean < one.cost.high
    for found, share in zip(one.spread, (0.1, 0.5, 0.9), strict=True):
        assert found == pytest.approx(exact.quantile(share), rel=0.03)


def test_years_add_up_to_the_whole_and_quantiles_are_in_order(two):
    for one in two.policies.values():
        assert len(one.years) == 5
        assert sum(year.cost.value for year in one.years) == pytest.approx(one.cost.value)
        assert sum(year.visits.value for year in one.years) == pytest.approx(one.visits.value)
        assert one.years[-1].so_far_mean == pytest.approx(one.cost.value)
        assert one.years[-1].so_far[2] == pytest.approx(one.spread[1])
        for year in one.years:
            assert list(year.spread) == sorted(year.spread)
            assert list(year.so_far) == sorted(year.so_far)
        for figure in (one.cost, one.visits, one.stranded, one.damage):
            assert 0 <= figure.low <= figure.value <= figure.high


def test_what_drives_the_cost_is_all_of_it(two):
    for one in two.policies.values():
        assert sum(driver.cost.value for driver in one.drivers) == pytest.approx(one.cost.value, rel=1e-5)
        assert sum(driver.share for driver in one.drivers) == pytest.approx(1.0, rel=1e-5)
        costs = [driver.cost.value for driver in one.drivers]
        assert costs == sorted(costs, reverse=True)


def test_planned_looks_are_told_apart_from_what_they_find():
    units = several()
    looks = (PlannedLook(0, 0, 1, 0, 50.0, 0.9), PlannedLook(1, 0, 2, 1, 30.0, 0.9))
    rule = Rule("failed", schedule=Schedule(20e3, 20e3, np.full(len(units), np.inf), looks))
    one = made(units, {"plan": rule}, distance_ahead(USUAL, KM, runs=500)).policies["plan"]
    assert one.looks.value == pytest.approx(4 * 50 + 2 * 30)  # at 20, 40, 60 and 80; at 40 and 80 thousand km
    assert one.looks.high == pytest.approx(one.looks.low)
    assert one.looks.value + sum(driver.cost.value for driver in one.drivers) == pytest.approx(one.cost.value)
    assert made(units).policies["only failed"].looks.value == 0


def test_units_that_fail_by_the_same_modes_are_told_as_one():
    plugs = [unit(f"plug/{k}", 50e3, cost=130.0, beyond=0.0) for k in range(3)]
    plugs = [type(plug)(**{**{f: getattr(plug, f) for f in plug.__slots__}, "modes": ("plug-open",)}) for plug in plugs]
    (driver,) = made(plugs).policies["only failed"].drivers
    assert driver.units == ("plug/0", "plug/1", "plug/2")
    assert driver.failures.value == pytest.approx(driver.cost.value / 130.0, rel=1e-5)


def test_equal_seeds_give_equal_answers_whatever_the_threads(two):
    before = numba.get_num_threads()
    try:
        for threads in {1, before}:
            numba.set_num_threads(threads)
            again = made(rules={"only failed": Rule("failed"), "all in reach": Rule("reach")})
            assert again == two
    finally:
        numba.set_num_threads(before)
    assert made(seed=10).policies != made(seed=9).policies


def test_the_same_policy_twice_saves_nothing():
    (saving,) = made(rules={"a": Rule("failed"), "b": Rule("failed")}).savings
    assert (saving.money.value, saving.money.low, saving.money.high) == (0, 0, 0)
    assert (saving.cheaper, saving.same) == (0, 1)


def test_a_saving_holds_what_is_not_known_of_the_lives():
    """Lives of 40,000 or of 120,000 km, nobody knows which: the saving is as open as its two means."""
    scales = np.resize([40e3, 120e3], 64)[:, None]
    rules = {"a": Rule("failed"), "b": Rule("reach")}
    few, many = (distance_ahead(USUAL, KM, runs=runs) for runs in (4000, 32_000))
    (open_,) = made([unit("x", scales), unit("y", scales, cost=300.0)], rules, many).savings
    each = [made([unit("x", km), unit("y", km, cost=300.0)], rules, few).savings[0].money.value for km in (40e3, 120e3)]
    slack = 0.3 * (max(each) - min(each))
    assert open_.money.low == pytest.approx(min(each), abs=slack)
    assert open_.money.high == pytest.approx(max(each), abs=slack)


def test_more_years_never_cost_less():
    costs = [made(ahead=years(count=count, runs=2000)).policies["only failed"].cost.value for count in (1, 2, 5, 9)]
    assert costs == sorted(costs)


def test_nothing_that_can_fail_costs_nothing():
    one = made(units=[]).policies["only failed"]
    assert (one.cost.value, one.cost.high, one.drivers) == (0, 0, ())


def test_chances_are_those_of_the_failures():
    """One mode, known life: damage F(100,000 km); stranded 0.4 times that, and a little for a second failure."""
    part = unit("pump", 1e5, 3.0, stranded=0.4, damaging=True)
    one = made([part], ahead=distance_ahead(USUAL, KM, runs=40_000)).policies["only failed"]
    failed = 1 - exp(-1.0)
    assert one.damage.value == pytest.approx(failed, abs=4 * sqrt(failed * (1 - failed) / 40_000))
    assert 0.4 * failed < one.stranded.value < 0.4 * failed + 0.02


def test_progress_is_told_from_nothing_to_all():
    told = []
    care = upkeep_of(several())
    forecast(care, {"a": Rule("failed")}, years(), seed=1, progress=lambda done, of: told.append((done, of)))
    assert told[0] == (0, RUNS)
    assert told[-1] == (RUNS, RUNS)
    assert len(told) > 2


# ------------------------------------------------------------------------------------------------------- the interval
def test_the_interval_covers_what_is_not_known_and_chance():
    """Draws that differ by a known amount, each run beside its draw's mean by more: 95 % of experiments cover 0."""
    rng = np.random.default_rng(4)
    draws, runs, trials, covered = 64, 20_000, 300, 0
    for _ in range(trials):
        truth = rng.standard_normal() * 100  # what is not known: the mean lies so far from the truth
        figures = np.resize(truth + 100 * rng.standard_normal(draws), runs) + 1000 * rng.standard_normal(runs)
        estimate = expected(figures, draws)
        covered += estimate.low <= 0 <= estimate.high
    assert 0.90 <= covered / trials <= 0.99


def test_without_anything_unknown_it_is_little_more_than_the_error_of_the_mean():
    rng, halves = np.random.default_rng(5), []
    for _ in range(41):
        figures = rng.standard_normal(6400)
        estimate, error = expected(figures, 64), 1.96 * figures.std(ddof=1) / 80
        halves.append((estimate.high - estimate.low) / (2 * error))
        alone = expected(figures, 1)
        assert alone.high - alone.value == pytest.approx(error, rel=1e-3)
    assert min(halves) > 0.999
    assert np.median(halves) < 4  # as the means of the draws scatter it would be 8


def test_what_is_not_known_does_not_shrink_with_more_courses():
    shift = 50 * np.random.default_rng(6).standard_normal(64)
    few, many = (expected(np.resize(shift, n) + np.random.default_rng(7).standard_normal(n), 64) for n in (640, 64_000))
    assert many.high - many.low == pytest.approx(few.high - few.low, rel=0.02)


# ------------------------------------------------------------------------------------------------------- the distance
def test_without_a_record_the_book_speaks():
    assert yearly(20e3, 0.25) == Yearly(20e3, 0.25)
    assert yearly(20e3, 0.25, 40e3, 0.0) == Yearly(20e3, 0.25)


def test_one_year_on_record_weighs_as_much_as_the_book():
    known = yearly(20e3, 0.25, 40e3, 1.0)
    assert known.km == pytest.approx(20e3 * sqrt(2))
    assert known.spread == pytest.approx(0.25 / sqrt(2))


@given(st.floats(1e3, 1e5), st.floats(0.1, 30))
def test_its_own_record_draws_it_in_the_end(own, on_record):
    known = yearly(20e3, 0.25, own, on_record)
    assert min(own, 20e3) * 0.999999 <= known.km <= max(own, 20e3) * 1.000001
    assert abs(log(known.km / own)) <= abs(log(20e3 / own)) / (1 + on_record) + 1e-9


def test_each_course_has_its_own_distance_a_year():
    ahead = years(runs=40_000)
    assert np.median(ahead.per_year) == pytest.approx(20e3, rel=0.01)
    assert np.log(ahead.per_year).std() == pytest.approx(0.25, rel=0.02)
    assert_allclose(ahead.end, 5 * ahead.per_year)


def test_a_distance_is_gone_to_its_end_and_the_last_year_is_short():
    ahead = distance_ahead(USUAL, 50e3, runs=200)
    assert ahead.years == 3
    assert set(ahead.end) == {50e3}
    assert distance_ahead(USUAL, 40e3, runs=200).years == 2


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: years(count=0), "0 years ahead"),
        (lambda: years(count=-2), "1 to 40 years"),
        (lambda: years(count=41), "1 to 40 years"),
        (lambda: years(runs=0), "0 paths"),
        (lambda: distance_ahead(USUAL, 0.0, runs=200), "distance ahead is 0"),
        (lambda: distance_ahead(USUAL, -5.0, runs=200), "above 0"),
        (lambda: distance_ahead(USUAL, float("nan"), runs=200), "above 0"),
        (lambda: distance_ahead(USUAL, 1e9, runs=200), "50000 years ahead"),
        (lambda: Yearly(-1.0, 0.25), "distance a year is -1"),
        (lambda: Yearly(1e4, -0.1), "from 0 to 2"),
        (lambda: Yearly(1e4, float("nan")), "from 0 to 2"),
    ],
)
def test_what_makes_no_sense_is_refused(ask, said):
    with pytest.raises(ScopeError, match=said):
        ask()
