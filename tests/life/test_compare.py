"""The comparison of lives: its verdict claims no more than the records bear."""

from __future__ import annotations

import csv
import re
from math import inf, log
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from wearlore.errors import FitError, NameNotKnown
from wearlore.life.compare.covariates import Factor, Measure
from wearlore.life.compare.verdict import Contrast, LifeComparison, compare, joined, sentence
from wearlore.lives import Lives

REFERENCE = Path(__file__).parents[1] / "reference"


def evident(rng, n, scale=150e3, shape=2.5, end=250e3):
    """Lives to the whole 1000 km, a third of them seen late."""
    entry = np.where(rng.random(n) < 0.3, 1000.0 * rng.integers(0, 80, n), 0.0)
    life = np.ceil(scale * ((entry / scale) ** shape + rng.exponential(size=n)) ** (1 / shape) / 1000 + 1e-9) * 1000
    stop = entry + 1000.0 * rng.integers(30, int(end / 1000), n)
    return Lives(entry, np.minimum(life, stop), np.where(life <= stop, life, inf), np.ones(n))


def hidden(rng, n, every, scale=150e3):
    """Lives looked at every so many km for 100,000 to 250,000 km."""
    found, last = np.ceil(scale * rng.weibull(2.5, n) / every), np.floor(rng.uniform(1e5, 2.5e5, n) / every)
    failed = found <= last
    return Lives(
        np.zeros(n), every * np.where(failed, found - 1, last), np.where(failed, every * found, inf), np.ones(n)
    )


def found_by(groups, **asked):
    return compare(*joined("revision", groups), **asked)


def test_snubbers_no_claim():
    """Check 3.19: the new design did not help, as far as anyone can tell."""
    with (REFERENCE / "life_d15_snubbers.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    at, count = (np.array([float(row[what]) for row in rows]) for what in ("at", "count"))
    lives = Lives(np.zeros(len(rows)), at, np.where([row["failed"] == "1" for row in rows], at, inf), count)
    design = Factor("design", ("old", "new"), np.array([row["design"] == "new" for row in rows]).astype(int), "old")
    found = compare(lives, design)
    contrast = found.contrast("new")
    assert not found.different
    assert contrast.verdict == "open"
    assert contrast.more_failures > 50
    weibull = next(each for each in found.regressions if each.dist.name == "Weibull").ratios[0].wald
    assert (weibull.value, weibull.low, weibull.high) == pytest.approx((1.1787, 0.8123, 1.7104), rel=1e-4)
    assert [level.failures for level in found.levels] == [18, 16]
    assert found.cox.ratios[0].estimate.low < 1 < found.cox.ratios[0].estimate.high
    assert sentence(found, contrast).startswith("The records cannot tell yet whether new lasts longer or shorter than")


def test_a_better_revision_is_told():
    rng = np.random.default_rng(2)
    found = found_by({"A": evident(rng, 300), "B": evident(rng, 300, scale=250e3)})
    contrast = found.contrasts[0]
    assert (contrast.ratio.level, contrast.verdict, contrast.more_failures) == ("B", "longer", None)
    assert contrast.ratio.estimate.low < 250 / 150 < contrast.ratio.estimate.high
    assert found.different
    assert found.log_rank.p < 0.05
    assert found.early.weight == "peto"
    assert found.regressions[0].aicc <= found.regressions[1].aicc
    assert found.better.dist.name == "Weibull"
    assert found.cox.ratios[0].estimate.high < 1
    for level, true in zip(found.levels, (150e3, 250e3), strict=True):
        assert level.b10.low < true * (-log(0.9)) ** 0.4 < level.b10.high
        assert level.b50.low < true * log(2) ** 0.4 < level.b50.high
    told = sentence(found, contrast, {"A": "revision A", "B": "revision B"})
    assert re.fullmatch(
        r"Revision B lasts 1\.\d times as long as revision A \(1\.\d to [12]\.\d; \d+ and \d+ failures\)\.", told
    )
    back = compare(*joined("revision", dict(found_groups(found)), reference="B")).contrasts[0]
    assert back.verdict == "shorter"
    assert back.ratio.estimate.value == pytest.approx(1 / contrast.ratio.estimate.value, rel=1e-5)


def found_groups(found: LifeComparison):
    factor = found.better.design.covariates[0]
    for code, name in enumerate(factor.levels):
        yield name, found.better.lives.where(factor.codes == code)


def test_no_difference_that_matters():
    rng = np.random.default_rng(5)
    found = found_by({"original": evident(rng, 1500), "economy": evident(rng, 1500, scale=148e3)})
    contrast = found.contrasts[0]
    assert contrast.verdict == "alike"
    assert sentence(found, contrast).startswith("No difference that matters: ")
    strict = found_by(dict(found_groups(found)), worth_telling=1.02).contrasts[0]
    assert strict.verdict == "open"


def test_levels_without_failures_are_bounded_on_one_side():
    rng = np.random.default_rng(1)
    found = found_by({"A": evident(rng, 200), "B": Lives.of(good=[1.2e5] * 60)})
    contrast = found.contrasts[0]
    assert contrast.verdict == "longer"
    assert re.match(r"B lasts at least \d\.\d+ times as long as A \(0 and \d+ failures\)\.", sentence(found, contrast))
    assert found.levels[1].b10 is None
    assert found.cox is None
    assert "has no limit" in found.cox_absent
    few = found_by({"A": evident(rng, 200), "B": Lives.of(good=[3e4] * 10)})
    assert few.contrasts[0].verdict == "open"
    assert few.contrasts[0].more_failures > 0
    assert "at least" in sentence(few, few.contrasts[0])


def test_hidden_modes_have_no_hazard_ratio_and_say_why():
    rng = np.random.default_rng(3)
    found = found_by({"A": hidden(rng, 150, 20e3), "B": hidden(rng, 150, 70e3, scale=260e3)})
    assert found.cox is None
    assert "known only to an interval" in found.cox_absent
    assert found.contrasts[0].verdict == "longer"
    assert found.log_rank.shared_out > 0


def with_oil(rng, n, effect=-0.2, revision=0.0):
    """Lives that a longer oil interval shortens; the newer revision is used with shorter intervals."""
    code = rng.integers(0, 2, n)
    oil = 20e3 + 6e3 * rng.normal(size=n) - 8e3 * code
    life = np.ceil(150 * rng.weibull(2.5, n) * np.exp(effect * (oil - 15e3) / 1e4 + revision * code)) * 1000
    stop = 1000.0 * rng.integers(30, 250, n)
    lives = Lives(np.zeros(n), np.minimum(life, stop), np.where(life <= stop, life, inf), np.ones(n))
    return lives, Factor("revision", ("A", "B"), code, "A"), Measure("oil interval", oil, "km", 10e3, 15e3)


def test_what_stands_beside_is_held_equal():
    lives, revision, oil = with_oil(np.random.default_rng(6), 3000, effect=-0.5)
    assert compare(lives, revision).contrasts[0].verdict == "longer"  # true, and not of the revision
    found = compare(lives, revision, beside=[oil])
    assert found.contrasts[0].verdict == "alike"
    assert found.log_rank is None
    assert ", oil interval held equal (" in sentence(found, found.contrasts[0])
    step = compare(lives, oil, beside=[revision])
    assert step.contrasts[0].verdict == "shorter"
    assert step.levels == ()
    told = sentence(step, step.contrasts[0])
    assert re.match(r"With the oil interval 10,000 km more, lives are 0\.\d+ times as long, revision held equal", told)


def test_a_spread_that_differs_is_said():
    rng = np.random.default_rng(9)
    found = found_by({"A": evident(rng, 600, shape=1.2), "B": evident(rng, 600, scale=300e3, shape=4)})
    assert found.common_sigma.p < 0.05
    assert "not the same early and late" in sentence(found, found.contrasts[0])


def test_what_cannot_be_compared_is_refused():
    rng = np.random.default_rng(1)
    lives = evident(rng, 30)
    with pytest.raises(FitError, match="nothing has failed yet"):
        found_by({"A": Lives.of(good=[1e4]), "B": Lives.of(good=[2e4])})
    with pytest.raises(FitError, match="all lives have one revision"):
        found_by({"A": lives, "B": Lives.of()})
    with pytest.raises(FitError, match="do not determine"):
        found_by({"A": Lives.of([1e4]), "B": Lives.of(good=[5e3])})
    with pytest.raises(FitError, match="no life with revision B has failed"):
        compare(*joined("revision", {"A": lives, "B": Lives.of(good=[1e4])}, reference="B"))
    with pytest.raises(ValueError, match="worth_telling"):
        found_by({"A": lives, "B": lives}, worth_telling=1)
    with pytest.raises(NameNotKnown, match="no level is called 'D'"):
        found_by({"A": lives, "B": lives}).contrast("D")


@pytest.mark.parametrize("failures", [(1, 1), (2, 0), (2, 1), (3, 0)])
def test_a_few_failures_claim_nothing(failures):
    rng = np.random.default_rng(sum(failures))
    groups = {
        name: Lives.of(3e4 + 9e4 * rng.random(n), np.linspace(4e4, 1.5e5, 25))
        for name, n in zip("AB", failures, strict=True)
    }
    found = found_by(groups)
    assert found.contrasts[0].verdict == "open"
    assert found.contrasts[0].more_failures > 10
    assert "cannot tell yet" in sentence(found, found.contrasts[0])


def numbers(text):
    return [float(number.replace(",", "")) for number in re.findall(r"(?<![\w])\d[\d,]*\.?\d*", text)]


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.sampled_from([8, 25, 80, 400]), better=st.sampled_from([0.85, 1.0, 1.1, 1.4, 2.0])
)
def test_the_sentence_never_claims_more_than_the_verdict(seed, n, better):
    rng = np.random.default_rng(seed)
    groups = {name: evident(rng, n, scale=150e3 * k, end=180e3) for name, k in zip("PQR", (1, better, 1), strict=True)}
    try:
        found = found_by(groups)
    except FitError:
        return
    for contrast in found.contrasts:
        told, estimate = sentence(found, contrast), contrast.ratio.estimate
        assert_honest(found, contrast, told)
        assert told.endswith(".")
        assert "nan" not in told
        assert "inf" not in told
        assert all(0 <= end <= inf for end in (estimate.low, estimate.high))


def assert_honest(found: LifeComparison, contrast: Contrast, told: str) -> None:
    estimate = contrast.ratio.estimate
    shown = numbers(told)
    if contrast.verdict in ("longer", "shorter"):
        assert found.different
        assert found.log_rank.p < 0.05
        side = 1 if contrast.verdict == "longer" else -1
        assert min(side * log(end) for end in (estimate.low, estimate.high) if 0 < end < inf) > 0
        ratios = shown[: -2 if contrast.ratio.failures_against is not None else -1]
        assert all(side * log(ratio) > 0 for ratio in ratios)
        assert "cannot tell" not in told
    elif contrast.verdict == "alike":
        assert 1 / found.worth_telling < estimate.low < estimate.high < found.worth_telling
        assert told.startswith("No difference that matters")
    else:
        assert told.startswith("The records cannot tell yet whether")
        assert contrast.more_failures is None or contrast.more_failures >= 1


NOTHING_DIFFERS = {
    "evident": lambda rng: {name: evident(rng, 40) for name in "AB"},
    "hidden": lambda rng: {"A": hidden(rng, 40, 15e3), "B": hidden(rng, 40, 80e3)},
    "three groups": lambda rng: {name: evident(rng, 30) for name in "ABC"},
    "15 failures": lambda rng: {name: evident(rng, 40, scale=350e3, end=200e3) for name in "AB"},
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", NOTHING_DIFFERS)
def test_where_nothing_differs_something_is_claimed_in_at_most_5_of_100(kind):
    """Of 60 comparisons no more than 5 % would claim something by chance (99.5 %)."""
    rng = np.random.default_rng(77)
    claims = [
        any(contrast.verdict in ("longer", "shorter") for contrast in found_by(NOTHING_DIFFERS[kind](rng)).contrasts)
        for _ in range(60)
    ]
    assert sum(claims) <= binom.ppf(0.995, 60, 0.05)


@pytest.mark.slow
def test_few_failures_with_something_beside_claim_no_more():
    """About 6 failures: judged by chi-square the likelihood-ratio test would claim something in 7 of 100."""
    rng, claims = np.random.default_rng(5), 0
    for _ in range(100):
        lives, revision, oil = with_oil(rng, 80)
        until = np.sort(lives.lower[lives.exact])[5]
        failed = lives.exact & (lives.lower <= until)
        end = np.minimum(lives.lower, until)
        few = Lives(lives.entry, end, np.where(failed, end, inf), lives.count)
        claims += compare(few, revision, beside=[oil]).contrasts[0].verdict in ("longer", "shorter")
    assert claims <= 0.05 * 100


@pytest.mark.slow
def test_so_many_more_failures_would_tell():
    """With the failures asked for, a ratio worth telling is told in about 80 of 100 comparisons."""
    rng = np.random.default_rng(12)
    pilot = found_by({"A": evident(rng, 60), "B": evident(rng, 60)})
    ratio = pilot.contrasts[0].ratio
    have = ratio.failures + ratio.failures_against
    assert pilot.contrasts[0].verdict == "open"
    grown = round(60 * (have + pilot.contrasts[0].more_failures) / have)
    told = 0
    for _ in range(100):
        groups = {"A": evident(rng, grown), "B": evident(rng, grown, scale=1.25 * 150e3)}
        told += found_by(groups).contrasts[0].verdict in ("longer", "shorter")
    assert 69 <= told <= 91
