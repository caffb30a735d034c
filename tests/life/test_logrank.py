"""The weighted log-rank test: published values, two peers, laws, and its honesty where failures are hidden."""

from __future__ import annotations

import csv
from math import inf
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from lifelines.statistics import logrank_test, multivariate_logrank_test
from scipy.stats import binom
from statsmodels.duration.survfunc import survdiff

from wearlore.errors import FitError
from wearlore.life.compare.logrank import FlemingHarrington, log_rank
from wearlore.lives import Lives

REFERENCE = Path(__file__).parents[1] / "reference"
WEIGHTS = ["even", "gehan", "peto", FlemingHarrington(1, 0), FlemingHarrington(0.5, 1.5)]


def table(name):
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def snubbers(design):
    rows = [row for row in table("life_d15_snubbers.csv") if row["design"] == design]
    at = np.array([float(row["at"]) for row in rows])
    failed = np.array([row["failed"] == "1" for row in rows])
    return Lives(np.zeros(len(rows)), at, np.where(failed, at, inf), np.array([float(row["count"]) for row in rows]))


@pytest.mark.parametrize(
    "row",
    [row for row in table("compare.csv") if row["test"] == "log_rank"],
    ids=lambda row: f"{row['check']}-{row['quantity']}",
)
def test_log_rank_gives_the_published_value(data, row):
    groups = {"gehan": {"6-MP": "gehan", "control": "gehan_control"}}.get(row["data"])
    lives = {name: data(of) for name, of in groups.items()} if groups else {d: snubbers(d) for d in ("old", "new")}
    found = getattr(log_rank(lives), row["quantity"])
    assert np.ravel(found)[0] == pytest.approx(float(row["value"]), rel=1e-4, abs=0)


@st.composite
def late_groups(draw, groups=2, hidden=False):
    made = {}
    for name in "ABCD"[:groups]:
        rows = draw(
            st.lists(
                st.tuples(st.integers(0, 12), st.integers(1, 12), st.integers(0, 8), st.booleans(), st.integers(1, 3)),
                min_size=2,
                max_size=14,
            )
        )
        entry, reach, width, failed, count = (np.array(column, float) for column in zip(*rows, strict=True))
        lower = entry + reach
        upper = np.where(failed > 0, lower + (width if hidden else 0), inf)
        made[name] = Lives(entry, lower, upper, count)
    return made


def log_rank_of(groups, weight):
    try:
        return log_rank(groups, weight)
    except FitError:
        assume(False)


def rows_of(groups):
    """Every life its own row: end, failed, group, entry."""
    repeats = [lives.count.astype(int) for lives in groups.values()]
    end, failed, entry = (
        np.concatenate([np.repeat(getattr(g, what), r) for g, r in zip(groups.values(), repeats, strict=True)])
        for what in ("lower", "exact", "entry")
    )
    return end, failed.astype(int), np.repeat(np.arange(len(groups)), [r.sum() for r in repeats]), entry


@settings(max_examples=60, deadline=None)
@given(groups=late_groups(), weight=st.sampled_from(["even", "gehan"]))
def test_statsmodels_finds_the_same_with_delayed_entry(groups, weight):
    found = log_rank_of(groups, weight)
    end, failed, group, entry = rows_of(groups)
    kind = {} if weight == "even" else {"weight_type": "gb"}
    # statsmodels takes a life that enters at a failure to be at risk there already: hence the half
    theirs, _ = survdiff(end, failed, group, entry=entry + 0.5, **kind)
    assert found.chi2 == pytest.approx(float(theirs), rel=1e-8, abs=1e-10)


@settings(max_examples=40, deadline=None)
@given(groups=late_groups(3), weight=st.sampled_from(["even", "gehan", "peto"]))
def test_lifelines_finds_the_same_from_new(groups, weight):
    groups = {name: Lives(np.zeros(len(g)), g.lower, g.upper, g.count) for name, g in groups.items()}
    found = log_rank_of(groups, weight)
    assume(found.df == 2)
    end, failed, group, _ = rows_of(groups)
    kind = {"gehan": "wilcoxon", "peto": "peto"}.get(weight)
    theirs = multivariate_logrank_test(end, group, failed, weightings=kind)
    assert found.chi2 == pytest.approx(theirs.test_statistic, rel=1e-7, abs=1e-9)
    assert found.p == pytest.approx(theirs.p_value, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("rho", "gamma"), [(1, 0), (0, 1), (0.5, 2)])
def test_lifelines_finds_the_same_by_fleming_and_harrington(data, rho, gamma):
    one, other = data("gehan"), data("gehan_control")
    end = [lives.lower for lives in (one, other)]
    theirs = logrank_test(*end, one.exact, other.exact, weightings="fleming-harrington", p=rho, q=gamma)
    found = log_rank({"a": one, "b": other}, FlemingHarrington(rho, gamma))
    assert found.chi2 == pytest.approx(theirs.test_statistic, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(groups=late_groups(3, hidden=True), weight=st.sampled_from(WEIGHTS))
def test_groups_swap_counts_split_and_nothing_is_lost(groups, weight):
    found = log_rank_of(groups, weight)
    other = log_rank(dict(reversed(groups.items())), weight)
    assert (other.chi2, other.df) == (pytest.approx(found.chi2, rel=1e-6, abs=1e-8), found.df)
    split = {
        name: Lives(*(np.repeat(c, 2) for c in (g.entry, g.lower, g.upper)), np.repeat(g.count / 2, 2))
        for name, g in groups.items()
    }
    assert log_rank(split, weight).chi2 == pytest.approx(found.chi2, rel=1e-6, abs=1e-8)
    scale = float(np.abs(found.observed).max())
    assert found.observed.sum() == pytest.approx(found.expected.sum(), abs=1e-9 * max(1, scale))
    assert found.variance.sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-7 * max(1, np.abs(found.variance).max()))
    if weight == "even":
        assert found.observed.sum() == pytest.approx(sum(g.failures for g in groups.values()), rel=1e-5)
    assert 0 <= found.p <= 1


@settings(max_examples=60, deadline=None)
@given(groups=late_groups(hidden=True))
def test_only_the_order_of_distances_matters(groups):
    found = log_rank_of(groups, "even")
    bent = {
        name: Lives(*(1000 * np.sqrt(c) for c in (g.entry, g.lower)), np.sqrt(g.upper) * 1000, g.count)
        for name, g in groups.items()
    }
    assert log_rank(bent).chi2 == pytest.approx(found.chi2, rel=1e-5, abs=1e-7)


def test_intervals_that_hold_one_distance_of_failure_are_exact_failures():
    """Looked at together at 1, 2, 3 …: failures found at a look are failures at that look."""
    rng = np.random.default_rng(4)
    groups, exact = {}, {}
    for name, scale in (("A", 4.0), ("B", 6.0)):
        life, stop = np.ceil(scale * rng.weibull(2, 80)), rng.integers(1, 9, 80).astype(float)
        failed = life <= stop
        lower, upper = np.where(failed, life - 1, stop), np.where(failed, life, inf)
        groups[name] = Lives(np.zeros(80), lower, upper, np.ones(80))
        exact[name] = Lives(np.zeros(80), np.where(failed, life, stop), upper, np.ones(80))
    found, known = log_rank(groups), log_rank(exact)
    assert found.chi2 == pytest.approx(known.chi2, rel=1e-9)
    assert found.shared_out == 0


def looked(rng, n, every, scale=150e3):
    """Hidden lives (Weibull, shape 2.5), a third of them seen late, looked at about ``every`` km for up to 250 000 km.

    ``every`` None: evident.
    """
    rows = []
    for life, late, span in zip(scale * rng.weibull(2.5, n), rng.random(n), rng.uniform(4e4, 2.5e5, n), strict=True):
        entry = 1000.0 * rng.integers(0, 80) if late < 0.3 else 0.0
        if every is None:
            end = np.ceil(min(life, span) / 1000) * 1000
            row = (entry, end, end if life < span else inf)
        else:
            looks = entry + 1000 * np.ceil(np.cumsum(rng.uniform(0.5, 1.5, 60) * every) / 1000)
            looks = np.concatenate([[entry], looks[looks <= span]])
            place = int(np.searchsorted(looks, life))
            row = (entry, looks[place - 1], looks[place] if place < looks.size else inf)
        if life > entry and row[2 if every else 1] > entry and (every is None or looks.size > 1):
            rows.append(row)
    entry, lower, upper = np.array(rows).T
    return Lives(entry, lower, upper, np.ones(len(rows)))


@pytest.mark.slow
@pytest.mark.parametrize("looks", [(60e3, 60e3), (15e3, 80e3), (None, 80e3)], ids=str)
def test_looking_with_other_frequency_is_no_difference(looks):
    """False alarms stay within what 5 % may give among 300, and the excess has the mean 0 and the variance stated."""
    rng = np.random.default_rng(31)
    runs = [log_rank({str(k): looked(rng, 60, every) for k, every in enumerate(looks)}) for _ in range(300)]
    assert all(run.shared_out > 0 for run in runs)
    assert sum(run.p < 0.05 for run in runs) <= binom.ppf(0.995, 300, 0.05)
    excess = np.array([(run.observed - run.expected)[0] for run in runs])
    stated = np.mean([run.variance[0, 0] for run in runs])
    assert abs(excess.mean()) < 3 * np.sqrt(stated / 300)
    assert 0.8 < excess.var() / stated < 1.25


def test_failures_taken_at_the_look_that_found_them_would_seem_to_differ():
    """The trap: the same lives, looked at rarely, seem to last longer than those looked at often."""
    rng = np.random.default_rng(8)
    groups = {"often": looked(rng, 400, 10e3), "rarely": looked(rng, 400, 100e3)}
    taken = {name: Lives(g.entry, np.where(g.right, g.lower, g.upper), g.upper, g.count) for name, g in groups.items()}
    assert log_rank(taken).p < 1e-3
    assert log_rank(groups).p > 0.05


def test_a_true_difference_is_found_though_hidden():
    rng = np.random.default_rng(3)
    found = log_rank({"A": looked(rng, 300, 30e3), "B": looked(rng, 300, 60e3, scale=220e3)})
    assert found.p < 1e-6
    assert found.observed[0] > found.expected[0]


def test_failed_on_entry_was_at_risk():
    """At 5: 1 of A's 2 and none of B's 2 at risk fails; one of A is there only because it failed at its entry."""
    a = Lives(np.array([5.0, 0]), np.array([5.0, 9]), np.array([5.0, inf]), np.ones(2))
    found = log_rank({"A": a, "B": Lives.of(good=[9.0, 9])})
    assert (found.observed[0], found.expected[0], found.variance[0, 0]) == pytest.approx((1, 0.5, 0.25))


def test_what_cannot_be_compared_is_refused():
    good, failed = Lives.of(good=[1e4] * 3), Lives.of([5e3, 9e3])
    with pytest.raises(FitError, match="only one group with lives"):
        log_rank({"A": failed, "B": Lives.of()})
    with pytest.raises(FitError, match="nothing has failed yet"):
        log_rank({"A": good, "B": good})
    late = Lives(np.array([2e4]), np.array([3e4]), np.array([3e4]), np.ones(1))
    with pytest.raises(FitError, match="two groups at risk"):
        log_rank({"A": failed, "B": late})
    assert log_rank({"A": failed, "B": good, "C": late}).df == 1  # C was never at risk with another
    with pytest.raises(ValueError, match="rho and gamma"):
        FlemingHarrington(-1, 0)
