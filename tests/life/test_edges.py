"""Records at the edge of what they can tell: every study answers, or says in words what is missing."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from math import inf, isnan

import numpy as np
import pytest

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life import (
    EXPONENTIAL,
    LOGNORMAL,
    WEIBULL,
    Factor,
    Histories,
    Measure,
    Paths,
    acceleration,
    compare,
    compare_means,
    fit_drift,
    fractions_study,
    hazard,
    life_model,
    mean_cumulative,
    papers,
    piece_path,
    power_law,
    rank,
    record_curve,
    trend,
)
from wearlore.life.compare.covariates import Covariate
from wearlore.life.compare.logrank import log_rank
from wearlore.life.compare.regression import regress
from wearlore.life.recurrent.powerlaw import goodness_of_fit, growth, unbiased_beta
from wearlore.life.recurrent.trend import reverse_arrangements
from wearlore.lives import Exposure, Lives

FAMILIES = (WEIBULL, LOGNORMAL, EXPONENTIAL)


def rows(entry, lower, upper, count=1.0):
    return Lives(*(np.array(column, float) for column in np.broadcast_arrays(entry, lower, upper, count)))


FAILED = np.array([31e3, 45e3, 52e3, 60e3, 75e3, 80e3, 88e3, 97e3])
GOOD = np.array([40e3, 70e3, 90e3, 120e3])
BASE = Lives.of(FAILED, GOOD)
LIVES = {
    "no life": Lives.of(),
    "no failure": Lives.of(good=GOOD),
    "one life, failed": Lives.of([50e3]),
    "one life, good": Lives.of(good=[50e3]),
    "one failure": Lives.of([50e3], GOOD),
    "two failures": Lives.of([50e3, 70e3], GOOD),
    "three failures": Lives.of([50e3, 70e3, 71e3], GOOD),
    "all left": rows(0, 0, FAILED),
    "one left": rows(0, 0, [50e3]),
    "all interval": rows(0, FAILED - 20e3, FAILED),
    "interval, late": rows(FAILED - 25e3, FAILED - 20e3, FAILED),
    "interval from entry": rows(FAILED - 25e3, FAILED - 25e3, FAILED),
    "disjoint windows": rows([0, 50e3, 90e3], [10e3, 60e3, 95e3], [10e3, 60e3, 95e3]),
    "identical": Lives.of([50e3] * 4),
    "identical, outrun": Lives.of([50e3] * 4, [80e3] * 5),
    "identical, good alike": Lives.of([50e3] * 4, [50e3] * 5),
    "one row of 1e6": rows(0, [50e3, 80e3], [50e3, inf], [1e6, 3.0]),
    "1e6 good": rows(0, [50e3, 60e3, 80e3], [50e3, 60e3, inf], [1, 1, 1e6]),
    "all of count 1e5": rows(0, FAILED, FAILED, 1e5),
    "short": rows(0, 1e-8 * np.append(FAILED, GOOD), 1e-8 * np.append(FAILED, [inf] * 4)),
    "long": rows(0, 1e4 * np.append(FAILED, GOOD), 1e4 * np.append(FAILED, [inf] * 4)),
    "short and long": Lives.of([1e-3, 1e9], [5.0]),
    "short interval": rows(0, [0, 0, 1e-3, 2e-3], [1e-3, 1e-3, 3e-3, inf]),
    "failed on entry": rows([10e3, 20e3, 0], [10e3, 20e3, 30e3], [10e3, 20e3, inf]),
    "no distance": rows([0, 0, 30e3, 0, 0], [0, 0, 30e3, 50e3, 60e3], [inf, inf, inf, 50e3, 60e3]),
    "no distance at all": rows([0, 30e3], [0, 30e3], inf),
    "good at 0": rows(0, [0.0, 0, 0], inf),
    "hair-wide intervals": rows(0, FAILED, FAILED * (1 + 1e-9)),
    "one wide interval": rows(0, [1e-3], [1e9]),
    "whole": BASE,
}


def numbers(value, *, arrays=True):
    """Every number of a result, at any depth, but of lives and covariates that were put in; with its ``arrays``?"""
    if isinstance(value, (Lives, Histories, Factor, Measure, Paths)):
        return
    if isinstance(value, np.ndarray):
        if arrays and value.dtype.kind == "f":
            yield from value.ravel().tolist()
    elif isinstance(value, (float, np.floating)):
        yield float(value)
    elif isinstance(value, dict):
        for one in value.values():
            yield from numbers(one, arrays=arrays)
    elif isinstance(value, (tuple, list)):
        for one in value:
            yield from numbers(one, arrays=arrays)
    elif is_dataclass(value):
        for field in fields(value):
            yield from numbers(getattr(value, field.name), arrays=arrays)


def estimates(value):
    if isinstance(value, Estimate):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from estimates(one)
    elif isinstance(value, (tuple, list)):
        for one in value:
            yield from estimates(one)
    elif is_dataclass(value):
        for field in fields(value):
            yield from estimates(getattr(value, field.name))


def check(study, *inputs):
    """The study's answer, or None when it refuses clearly; no NaN, no interval without its value."""
    try:
        found = study(*inputs)
    except FitError as refusal:
        problem, mend = refusal.args
        assert problem
        assert mend
        return None
    assert not any(isnan(number) for number in numbers(found))
    for estimate in estimates(found):
        rounding = 1e-9 * abs(estimate.value) if estimate.value < inf else 0.0
        assert estimate.low <= estimate.value + rounding
        assert estimate.value <= estimate.high + rounding
    return found


def curve(lives, row):
    found = record_curve(lives)
    asked = [0.0, 1e-4, 30e3, 50e3, 1e9]
    assert (np.diff(found.survival) <= 0).all()
    assert ((found.low <= found.survival + 1e-12) & (found.survival <= found.high + 1e-12)).all()
    return found, [found.at(km) for km in asked], found.sf(np.array(asked)), found.quantile(0.5) or 0.0


def all_papers(lives, row):
    found = papers(record_curve(lives), rank(lives))
    assert found.verdict
    return found


def hazards(lives, row):
    return hazard(life_model("a mode", lives), lives)


def fractioned(lives, row):
    return fractions_study(lives)


def regression(covariates):
    def study(lives, row):
        found = [regress(lives, covariates(row), dist) for dist in FAMILIES]
        return found, [each.residuals for each in found]

    return study


def comparison(covariates):
    def study(lives, row):
        what, *beside = covariates(row)
        return compare(lives, what, beside=beside)

    return study


def two_levels(row) -> list[Covariate]:
    return [Factor("level", ("a", "b"), row % 2)]


def separated(row) -> list[Covariate]:
    return [Factor("level", ("a", "b", "c"), np.minimum(row // 4, 1))]


def measured(row) -> list[Covariate]:
    return [Measure("year", row % 5 + 2000.0, "", 1.0)]


def both(row) -> list[Covariate]:
    return [*two_levels(row), *measured(row)]


def as_many_levels(row) -> list[Covariate]:
    return [Factor("level", tuple(map(str, range(max(row.size, 1)))), row)]


def two_groups(lives, row):
    return log_rank({"a": lives.where(row % 2 == 0), "b": lives.where(row % 2 == 1)})


def accelerated(lives, row):
    exposed = row % 2 * 0.5
    end = np.where(lives.right, lives.lower, lives.upper)
    present = lives.exact & (exposed > 0)
    return acceleration(lives, Exposure(exposed * lives.entry, exposed * lives.lower, exposed * end, present))


STUDIES = {
    "curve": curve,
    "papers": all_papers,
    "hazard": hazards,
    "fractions": fractioned,
    "regression, two levels": regression(two_levels),
    "regression, separated": regression(separated),
    "regression, measure": regression(measured),
    "regression, both": regression(both),
    "regression, a level each": regression(as_many_levels),
    "log-rank": two_groups,
    "comparison": comparison(two_levels),
    "comparison, separated": comparison(separated),
    "comparison, measure": comparison(measured),
    "comparison, both": comparison(both),
    "acceleration": accelerated,
}


@pytest.mark.parametrize("lives", LIVES.values(), ids=LIVES)
@pytest.mark.parametrize("study", STUDIES.values(), ids=STUDIES)
def test_lives_at_the_edge_end_in_an_answer_or_a_clear_refusal(study, lives):
    check(study, lives, np.arange(len(lives)))


TOLD = {name: study for name, study in STUDIES.items() if name != "regression, a level each"}


@pytest.mark.parametrize("study", TOLD.values(), ids=TOLD)
def test_plain_lives_are_answered(study):
    assert check(study, BASE, np.arange(len(BASE))) is not None


COUNTED = {
    "exact, late": rows([0, 0, 20e3, 0, 10e3, 0], FAILED[:6], [*FAILED[:4], inf, inf], [3, 1, 2, 4, 3, 5]),
    "of every kind": rows(
        [0, 0, 20e3, 0, 10e3, 0, 0, 70e3],
        [31e3, 0, 40e3, 30e3, 66e3, 90e3, 80e3, 85e3],
        [31e3, 40e3, 52e3, 60e3, 66e3, inf, inf, inf],
        [3, 1, 2, 4, 3, 5, 1, 2],
    ),
}


@pytest.mark.parametrize("lives", COUNTED.values(), ids=COUNTED)
@pytest.mark.parametrize("study", TOLD.values(), ids=TOLD)
def test_a_row_of_count_three_is_three_rows(study, lives):
    """All numbers of the answer that are not told row by row; covariates go with their rows."""
    apart = np.repeat(np.arange(len(lives)), lives.count.astype(int))
    one_by_one = Lives(lives.entry[apart], lives.lower[apart], lives.upper[apart], np.ones(apart.size))
    found, same = (study(some, row) for some, row in ((lives, np.arange(len(lives))), (one_by_one, apart)))
    together, each = (list(numbers(answer, arrays=False)) for answer in (found, same))
    assert len(together) == len(each) > 0
    assert together == pytest.approx(each, rel=1e-4, abs=1e-6)


HISTORIES = {
    "no history": Histories.of([], []),
    "one unit, no repair": Histories.of([0], [50e3]),
    "no repair": Histories.of([0, 10e3], [50e3, 60e3]),
    "one repair": Histories.of([0, 0], [50e3, 60e3], [0], [20e3]),
    "two repairs": Histories.of([0, 0], [50e3, 60e3], [0, 1], [20e3, 30e3]),
    "three repairs of one": Histories.of([0], [50e3], [0, 0, 0], [20e3, 30e3, 31e3]),
    "all at the end": Histories.of([0, 0], [50e3, 50e3], [0, 1], [50e3, 50e3]),
    "all at one distance": Histories.of([0, 0, 0], [50e3, 60e3, 70e3], [0, 1, 1], [30e3, 30e3, 30e3]),
    "all late": Histories.of([20e3, 30e3], [50e3, 60e3], [0, 1, 1], [25e3, 40e3, 50e3]),
    "all late, early repairs": Histories.of([20e3] * 3, [50e3] * 3, [0, 1, 2], [20.001e3, 20.002e3, 20.003e3]),
    "one of 1e6": Histories.of([0, 0], [50e3, 60e3], [0, 1], [20e3, 50e3], count=[1e6, 1]),
    "all of 1e6": Histories.of([0, 0], [50e3, 60e3], [0, 1], [20e3, 50e3], count=[1e6, 1e6]),
    "short": Histories.of([0, 0], [1e-3, 2e-3], [0, 1, 1], [5e-4, 1e-3, 1.5e-3]),
    "long": Histories.of([0, 0], [1e9, 2e9], [0, 1, 1], [5e8, 1e9, 1.5e9]),
    "short and long": Histories.of([0, 0], [1e-3, 2e9], [0, 1, 1], [1e-4, 1e-3, 1.5e9]),
    "a gap": Histories.of([0, 80e3], [50e3, 90e3], [0, 1], [20e3, 85e3]),
    "at once": Histories.of([0, 0], [50e3, 60e3], [0, 0, 0, 1], [1e-3, 1e-3, 1e-3, 2e-3]),
    "one window is a moment": Histories.of([0, 50e3], [50e3, 50e3 + 1e-6], [0, 1], [20e3, 50e3 + 1e-6]),
    "plain": Histories.of([0, 0, 5e3], [50e3, 60e3, 70e3], [0, 1, 1, 2, 2], [20e3, 10e3, 40e3, 30e3, 66e3]),
}
OTHERS = Histories.of([0, 0, 0], [40e3, 70e3, 1e5], [0, 1, 2, 2], [10e3, 20e3, 30e3, 90e3])


def mean_by_either_variance(histories):
    found = [mean_cumulative(histories, variance=variance) for variance in ("robust", "poisson")]
    asked = [(each.since, 0.5 * (each.since + each.until), each.until) for each in found]
    return found, [each.at(km) for each, at in zip(found, asked, strict=True) for km in at]


def power(histories):
    found = power_law(histories)
    return found, found.expected(0, found.end), found.intensity(found.end), found.mean_distance(found.end)


def one_alone(histories):
    one = histories.where(np.arange(len(histories)) == 0)
    return growth(one) if len(one) and one.start[0] == 0 else None


def arranged(histories):
    one = histories.where(np.arange(len(histories)) == 0)
    return reverse_arrangements(one) if len(one) and one.events < 1e5 else None


REPAIRS = {
    "mean": mean_by_either_variance,
    "comparison": lambda histories: compare_means(histories, OTHERS),
    "comparison, other way": lambda histories: compare_means(OTHERS, histories),
    "comparison with itself": lambda histories: compare_means(histories, histories),
    "power law": power,
    "unbiased": unbiased_beta,
    "goodness": lambda histories: goodness_of_fit(histories, rng=np.random.default_rng(1), draws=50),
    "growth": one_alone,
    "trend": trend,
    "arrangements": arranged,
}


@pytest.mark.parametrize("histories", HISTORIES.values(), ids=HISTORIES)
@pytest.mark.parametrize("study", REPAIRS.values(), ids=REPAIRS)
def test_repairs_at_the_edge_end_in_an_answer_or_a_clear_refusal(study, histories):
    check(study, histories)


def readings(pieces, ages, value):
    piece, age = np.repeat(np.arange(pieces), len(ages)), np.tile(np.asarray(ages, float), pieces)
    rng = np.random.default_rng(1)
    return Paths(piece, age, value(piece, age, rng))


def worn(piece, age, rng):
    return 1.0 + (2.0 + 0.1 * piece % 1) * age / max(age.max(), 1e-12) + 0.05 * rng.standard_normal(age.size)


AGES = [0.0, 20e3, 50e3, 90e3]
PATHS = {
    "no reading": Paths(np.zeros(0, int), np.zeros(0), np.zeros(0)),
    "one reading": Paths(np.zeros(1, int), np.ones(1), np.ones(1)),
    "one piece": readings(1, AGES, worn),
    "two pieces": readings(2, AGES, worn),
    "three pieces": readings(3, AGES, worn),
    "three pieces, two ages": readings(3, [0, 5e4], worn),
    "five pieces, two ages": readings(5, [0, 5e4], worn),
    "each read once": readings(20, [50e3], worn),
    "all when new": readings(20, [0, 0, 0], worn),
    "one age, read again": readings(20, [50e3, 50e3], worn),
    "all the same value": readings(5, AGES, lambda p, a, rng: np.full(a.size, 3.0)),
    "no noise": readings(5, AGES, lambda p, a, rng: 1 + 2 * a / 1e5),
    "no noise, pieces differ": readings(5, AGES, lambda p, a, rng: 1 + p + (2 + p) * a / 1e5),
    "noise only": readings(10, AGES, lambda p, a, rng: rng.standard_normal(a.size)),
    "pieces only": readings(10, AGES, lambda p, a, rng: p + 1e-3 * rng.standard_normal(a.size)),
    "sinks": readings(10, AGES, lambda p, a, rng: -worn(p, a, rng)),
    "short ages": readings(10, [0, 1e-4, 5e-4, 1e-3], worn),
    "long ages": readings(10, [0, 1e8, 5e8, 1e9], worn),
    "tiny values": readings(10, AGES, lambda p, a, rng: 1e-12 * worn(p, a, rng)),
    "great values": readings(10, AGES, lambda p, a, rng: 1e12 * worn(p, a, rng)),
    "far from 0": readings(10, AGES, lambda p, a, rng: 1e9 + worn(p, a, rng)),
    "rounded to steps": readings(10, AGES, lambda p, a, rng: np.round(worn(p, a, rng))),
    "one outlier": readings(10, AGES, lambda p, a, rng: np.where((p == 3) & (a > 6e4), 1e4, worn(p, a, rng))),
    "a jump": readings(10, AGES, lambda p, a, rng: (a > 6e4) + 0.01 * rng.standard_normal(a.size)),
    "many": readings(50, AGES, worn),
}


def drifted(paths):
    found = fit_drift(paths)
    rng = np.random.default_rng(1)
    left = []
    middle = found.intercept.value + 0.5 * found.slope.value
    for ages, values in (((), ()), ((0.3 * found.unit,), (middle,)), ((0.0, 0.0), (middle, 2 * middle))):
        path = piece_path(found, ages, values, rng=rng)
        for limit in (middle, 2 * middle, 1e15, -1e15):
            left += [path.distance_left(limit, now, side) for now in (0.0, found.unit) for side in ("upper", "lower")]
        left.append(path.next_reading(found.unit))
    return found, found.typical(np.array([0.0, found.unit, 1e9])), found.marginal_outside, left


def by_reml(paths):
    return fit_drift(paths, method="REML"), fit_drift(paths, kappa=2.0)


@pytest.mark.parametrize("paths", PATHS.values(), ids=PATHS)
@pytest.mark.parametrize("study", [drifted, by_reml], ids=["drift", "drift by REML"])
def test_readings_at_the_edge_end_in_an_answer_or_a_clear_refusal(study, paths):
    check(study, paths)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["curve", "papers", "hazard", "fractions"])
def test_a_million_rows_of_lives(name):
    rng = np.random.default_rng(1)
    life, entry = 120e3 * rng.weibull(2.5, 1_000_000), rng.integers(0, 2, 1_000_000) * 2e4
    until = entry + 150e3 * rng.random(life.size)
    upper, seen = np.where(life < until, life, inf), life > entry
    columns = (entry, np.minimum(life, until), upper, np.ones(life.size))
    lives = Lives(*(column[seen] for column in columns))
    assert check(STUDIES[name], lives, np.arange(len(lives))) is not None


@pytest.mark.slow
@pytest.mark.parametrize("name", ["mean", "comparison", "power law", "trend"])
def test_a_million_repairs(name):
    unit = np.repeat(np.arange(200_000), 5)
    km = 20e3 + 80e3 * (1 - np.random.default_rng(1).random(unit.size))
    histories = Histories.of(np.arange(200_000) % 2 * 20e3, np.full(200_000, 100e3), unit, km)
    assert check(REPAIRS[name], histories) is not None
