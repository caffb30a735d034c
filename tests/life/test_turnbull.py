"""Turnbull's estimate: published values, laws, and its limits."""

from __future__ import annotations

import csv
from math import inf
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.stats import binom, chi2

from wearlore.errors import FitError
from wearlore.life import likeliest as search
from wearlore.life.cells import Cells
from wearlore.life.likeliest import GAP, likeliest
from wearlore.life.nonparametric import kaplan_meier
from wearlore.life.turnbull import MANY, expected_failures, record_curve, turnbull
from wearlore.lives import Lives

REFERENCE = Path(__file__).parents[1] / "reference"


def rows_of(name: str) -> list[dict[str, str]]:
    with (REFERENCE / f"life_{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def looked_at(name: str) -> Lives:
    lower, upper, count = np.array([[float(r[c]) for c in ("lower", "upper", "count")] for r in rows_of(name)]).T
    return Lives(np.zeros_like(lower), lower, upper, count)


def lives(*rows: tuple[float, ...]) -> Lives:
    """Of (entry, lower, upper, count)."""
    return Lives(*np.array(rows, float).T)


@st.composite
def mixed(draw, exact_or_good: bool = False, one_outlives_all: bool = False):
    """Lives of every kind on a small grid, with delayed entry and counts."""
    kinds = st.sampled_from(["exact", "good"] if exact_or_good else ["exact", "good", "interval", "left"])
    rows = [(0, 99, inf, 1)] if one_outlives_all else []
    for _ in range(draw(st.integers(1, 14))):
        kind = draw(kinds)
        a, b, c = sorted(draw(st.tuples(*[st.integers(0, 12)] * 3)))
        b, c, count = max(b, a), max(c, b) + 1, draw(st.integers(1, 4))
        rows.append(
            {
                "exact": (a, max(b, 1), max(b, 1), count),
                "good": (a, b, inf, count),
                "interval": (a, b, c, count),
                "left": (0, 0, c, count),
            }[kind]
        )
    return lives(*rows)


def log_likelihood(some: Lives, cells: Cells, masses: np.ndarray) -> float:
    """ln of the chance of ``some`` given masses on the cells and beyond them, one life at a time."""
    total = 0.0
    beyond = 1 - masses.sum()
    for entry, lower, upper, count in zip(some.entry, some.lower, some.upper, some.count, strict=True):
        point = cells.begins == cells.ends
        if upper == inf:
            inside = np.where(point, cells.begins > lower, cells.begins >= lower)
        elif upper == lower:
            inside = point & (cells.begins == lower)
        else:
            inside = np.where(point, cells.begins > lower, cells.begins >= lower) & (cells.ends <= upper)
        seen = np.where(point, cells.begins > entry, cells.begins >= entry)
        if upper == lower == entry:
            seen = seen | inside
        chance = masses @ inside + (beyond if upper == inf else 0)
        total += count * (np.log(max(chance, 1e-300)) - np.log(max(masses @ seen + beyond, 1e-300)))
    return float(total)


@pytest.mark.parametrize("row", rows_of("turnbull"), ids=lambda r: f"{r['check']}-{r['data']}-{r['ends']}")
def test_published_value(row):
    curve = turnbull(looked_at(row["data"]))
    at = int(np.flatnonzero(curve.km == float(row["ends"]))[0])
    before = curve.survival[at - 1] if at else 1.0
    found = {"survival": curve.survival[at], "failed": 1 - curve.survival[at], "mass": before - curve.survival[at]}
    assert curve.begins[at] == float(row["begins"])
    assert found[row["quantity"]] == pytest.approx(float(row["value"]), abs=float(row["tolerance"]))


def test_no_other_cell_holds_cosmesis_failures():
    """Check 3.02 names all cells with mass."""
    assert list(turnbull(looked_at("d11_cosmesis")).km) == [5, 7, 8, 12, 25, 34, 40, 48]


def test_cracks_looked_at_on_common_dates(data):
    """Data of check 1.10: with one set of dates for all, survival is the share not yet found cracked."""
    cracks = data("cracks")
    curve = turnbull(cracks)
    found = cracks.count[:-1]
    assert_allclose(curve.survival, 1 - np.cumsum(found) / 167, rtol=1e-9)
    assert_allclose(curve.failed, found, rtol=1e-9)


@pytest.mark.parametrize("name", ["d13_delayed_entry", "gehan", "d2_shock_absorbers", "d3_bearing_cages"])
def test_exact_failures_give_kaplan_meier(data, name):
    """Checks 3.06 and 3.09 through the other door."""
    ours, simple = turnbull(data(name)), kaplan_meier(data(name))
    for column in ("begins", "km", "survival", "error", "at_risk", "failed"):
        assert_allclose(getattr(ours, column), getattr(simple, column), rtol=1e-7, err_msg=column)


def test_risk_set_trap(data):
    """Check 3.07: survival falls to 0 at month 781, and is asked for again from 816."""
    men = data("channing_men")
    whole, given_816 = turnbull(men), turnbull(men, since=816)
    assert (whole.emptied_at, whole.km[-1], whole.sf(1080)) == (781, 781, 0)
    assert given_816.emptied_at is None
    assert given_816.sf(np.array([900, 960, 1020, 1080])) == pytest.approx(
        [0.804531, 0.637761, 0.454373, 0.222707], rel=1e-5
    )


@settings(max_examples=60, deadline=None)
@given(some=mixed(exact_or_good=True), since=st.integers(0, 6))
def test_is_kaplan_meier_for_exact_and_good_lives(some, since):
    assume((some.lower > since).any())
    ours, simple = turnbull(some, since=since), kaplan_meier(some, since=since)
    kept = slice(ours.km.size)  # the product limit goes on listing failures after it has fallen to 0
    assert (simple.survival[kept.stop :] == 0).all()
    for column in ("km", "survival", "error", "at_risk", "failed"):
        assert_allclose(getattr(ours, column), getattr(simple, column)[kept], rtol=1e-6, atol=1e-9, err_msg=column)
    assert ours.emptied_at == simple.emptied_at


@settings(max_examples=60, deadline=None)
@given(some=mixed(one_outlives_all=True), seed=st.integers(0, 2**32 - 1))
def test_no_other_masses_are_likelier(some, seed):
    """Against random masses on the same cells, whole and mixed in."""
    cells = Cells.of(some)
    growth = likeliest(cells)
    masses = -np.diff(np.exp(-np.concatenate([[0.0], np.cumsum(growth.size)])))
    best = log_likelihood(some, cells, masses)
    rng = np.random.default_rng(seed)
    for _ in range(20):
        other = rng.dirichlet(np.full(len(cells) + 1, 0.5))[:-1]
        for share in (1.0, 0.1, 1e-3):
            mixture = (1 - share) * masses + share * other
            assert log_likelihood(some, cells, mixture) <= best + GAP * max(1.0, some.failures) + 1e-9


@settings(max_examples=60, deadline=None)
@given(some=mixed(one_outlives_all=True))
def test_kuhn_tucker_conditions(some):
    """No cell pulls harder than the lives that outlived it, and cells that hold failures pull just as hard."""
    cells = Cells.of(some)
    growth = likeliest(cells)
    assert growth.gap <= GAP * max(1.0, some.failures)
    pulls = np.zeros(len(cells))
    for first, stop, count in zip(cells.first, cells.stop, cells.count, strict=True):
        pulls[first:stop] += count / np.expm1(growth.size[first:stop].sum())
    assert (pulls <= cells.outlived * (1 + 1e-3)).all()
    heavy = growth.size > 1e-3
    assert_allclose(pulls[heavy], cells.outlived[heavy], rtol=1e-3)


@settings(max_examples=40, deadline=None)
@given(some=mixed(), scale=st.floats(0.01, 1000))
def test_scale_and_split_counts_change_nothing_else(some, scale):
    curve = turnbull(some)
    scaled = turnbull(Lives(scale * some.entry, scale * some.lower, scale * some.upper, some.count))
    assert_allclose(scaled.km, scale * curve.km, rtol=1e-12)
    assert_allclose(scaled.begins, scale * curve.begins, rtol=1e-12)
    half = [np.concatenate([c, c]) for c in (some.entry, some.lower, some.upper, 0.5 * some.count)]
    split = turnbull(Lives(*half))
    for other in (scaled, split):
        for column in ("survival", "low", "high", "failed"):
            assert_allclose(getattr(other, column), getattr(curve, column), atol=2e-3, err_msg=column)


STIFF = Lives(  # a limit's search meets one cell that a hundred times the others' lives outlived
    np.array([1.0, 1, 0, 0, 0, 1, 1]),
    np.array([2.0, 4, 1, 1, 0, 2, 3]),
    np.array([inf, 4, 1, inf, 3, 2, 3]),
    np.array([3.0, 2, 1, 1, 2, 1, 1]),
)


@settings(max_examples=40, deadline=None)
@given(some=mixed(), since=st.integers(0, 8))
@example(some=STIFF, since=1)
def test_curve_makes_sense(some, since):
    assume((np.where(some.right, some.lower, some.upper) > since).any())
    curve = turnbull(some, since=since)
    for column in (curve.survival, curve.low, curve.high, curve.error, curve.at_risk, curve.failed):
        assert np.isfinite(column).all()
    assert (curve.begins <= curve.km).all()
    assert (curve.begins >= since).all()
    for column in (curve.survival, curve.low, curve.high):
        assert (np.diff(column) <= 1e-6).all()
    assert (curve.low <= curve.survival + 1e-9).all()
    assert (curve.survival <= curve.high + 1e-9).all()
    assert curve.failed.sum() <= some.failures * (1 + 1e-9)


@settings(max_examples=60, deadline=None)
@given(some=mixed())
def test_every_failure_is_placed_once(some):
    assert expected_failures(Cells.of(some)).sum() == pytest.approx(some.failures)


@pytest.mark.parametrize(
    ("some", "ends", "survival"),
    [
        (lives((0, 3, inf, 5)), [], []),  # nothing failed
        (lives((0, 2, 4, 1), (0, 5, inf, 3)), [4], [0.75]),  # one failure
        (lives((0, 2, 4, 1), (0, 3, 6, 1), (0, 7, inf, 2)), [4], [0.5]),  # two that share a cell
        (lives((0, 0, 4, 2), (0, 0, 9, 3)), [4], [0]),  # all left-censored
        (lives((0, 2, 4, 2), (0, 5, 9, 3)), [4, 9], [0.6, 0]),  # all between two looks
        (lives((0, 5, 5, 7)), [5], [0]),  # identical
        (lives((5, 5, 5, 1), (0, 9, inf, 1)), [5], [0.5]),  # failed on entry: was at risk then
        (lives((0, 4, 8, 1), (6, 9, inf, 5), (0, 5, inf, 1)), [6], [0]),  # where fewest outlived it: before the entry
    ],
)
def test_small_cases_by_hand(some, ends, survival):
    curve = turnbull(some)
    assert list(curve.km) == ends
    assert_allclose(curve.survival, survival, atol=1e-12)


def test_mass_stands_before_an_entry_that_it_would_contradict():
    """Frydman (1994): (4, 8] is cut by the entry at 6; before it one life outlived the cell, behind it five."""
    curve = turnbull(lives((0, 4, 8, 1), (6, 9, inf, 5), (0, 9, inf, 1)))
    assert (curve.begins[0], curve.km[0], curve.survival[0]) == (4, 6, pytest.approx(0.5))


def test_since_cuts_a_cell():
    some = lives((0, 0, 4, 1), (0, 3, 8, 2), (0, 9, inf, 3))
    late = turnbull(some, since=2)
    assert (late.begins[0], late.km[0]) == (3, 4)
    later = turnbull(some, since=3.5)
    assert (later.begins[0], later.since) == (3.5, 3.5)
    with pytest.raises(FitError, match="no life was seen beyond 9 km"):
        turnbull(some, since=9)


def test_record_curve_takes_the_simplest_estimate():
    exact = Lives.of([1e4, 2e4], [3e4])
    assert_allclose(record_curve(exact).low, kaplan_meier(exact).low)
    assert not record_curve(lives((0, 1, 2, 1), (0, 3, inf, 1))).exact


def test_between_cells_and_inside_them():
    """On a straight line inside a cell; limits of the end before (upper) and of the next end (lower)."""
    curve = turnbull(lives((0, 2, 4, 4), (0, 6, 8, 3), (0, 9, inf, 3)))
    assert_allclose(curve.sf(np.array([0, 2, 3, 4, 5, 7, 8, 20])), [1, 1, 0.8, 0.6, 0.6, 0.45, 0.3, 0.3])
    assert (curve.at(1).value, curve.at(1).low, curve.at(1).high) == (1, curve.low[0], 1)
    assert (curve.at(5).low, curve.at(5).high) == (curve.low[1], curve.high[0])
    assert (curve.at(8).low, curve.at(8).high) == (curve.low[1], curve.high[1])
    assert curve.quantile(0.4) == 4


def test_limits_are_those_of_a_share():
    """Twenty looked at once, 6 found failed: the likelihood-ratio limits of a binomial share."""
    curve = turnbull(lives((0, 0, 4, 6), (0, 4, inf, 14)), level=0.9)

    def excess(share: float) -> float:
        return 2 * (binom.logpmf(6, 20, 0.3) - binom.logpmf(6, 20, share)) - chi2.ppf(0.9, 1)

    ends = 1 - brentq(excess, 0.3, 0.9), 1 - brentq(excess, 0.01, 0.3)
    assert (curve.low[0], curve.high[0]) == pytest.approx(ends, abs=1e-3)


def test_upper_limit_is_1_where_no_failure_is_sure():
    """By 6 nobody need have failed: of 0 to 10 and 6 to 12 both may lie behind it, where five more are seen."""
    curve = turnbull(lives((0, 0, 10, 1), (0, 6, 12, 1), (6, 13, inf, 5), (0, 13, inf, 1)))
    assert list(curve.km) == [6, 10]
    assert_allclose(curve.survival, [5 / 6, 2 / 3])
    assert curve.high[0] == 1
    assert curve.high[1] < 1


def test_many_cells_have_limits_of_the_observed_information():
    """Hundreds of exact failures and one between two looks: as Kaplan–Meier without it, near enough."""
    km = np.arange(1.0, 401)
    exact = Lives.of(km, km + 50.5)
    one = lives((0, 100, 102, 1))
    both = Lives(*(np.concatenate([getattr(exact, c), getattr(one, c)]) for c in ("entry", "lower", "upper", "count")))
    ours, simple = turnbull(both), kaplan_meier(exact)
    assert ours.km.size > MANY
    for at in (50.0, 200.0, 390.0):
        assert ours.at(at).low == pytest.approx(simple.at(at).low, abs=3e-3)
        assert ours.at(at).high == pytest.approx(simple.at(at).high, abs=3e-3)


def inspected(vans: int, rng: np.random.Generator, *, every: float | None = 30e3) -> Lives:
    """Lives of a Weibull (shape 2.5, 180,000 km) looked at every ``every`` km, 3 to 9 times, or once."""
    life = rng.weibull(2.5, vans) * 180e3
    looks = np.tile(np.arange(10) * 30e3, (vans, 1))
    stop = rng.integers(3, 10, vans)
    if every is None:
        looks = np.column_stack([np.zeros(vans), np.round(rng.uniform(20e3, 250e3, vans), -2)])
        stop = np.ones(vans, int)
    row = np.arange(vans)
    seen = np.minimum((looks < life[:, None]).sum(axis=1) - 1, stop)
    failed = life <= looks[row, stop]
    upper = np.where(failed, looks[row, np.minimum(seen + 1, stop)], inf)
    return Lives(np.zeros(vans), looks[row, seen], upper, np.ones(vans))


@pytest.mark.slow
@pytest.mark.parametrize(("every", "highest"), [(30e3, 0.995), (None, 1.0)])
def test_limits_cover(every, highest):
    """150 fleets: a true 95 % falls outside 0.88 to 0.995 with probability under 1e-3 (binomial); looks spread
    finely make the limits wide, never narrow."""
    rng = np.random.default_rng(11)
    at = np.array([90e3, 120e3, 180e3])
    truth = np.exp(-((at / 180e3) ** 2.5))
    hits = np.zeros(3)
    for _ in range(150):
        curve = turnbull(inspected(120, rng, every=every))
        for number, km in enumerate(at):
            found = curve.at(km)
            hits[number] += found.low <= truth[number] <= found.high
    assert (hits / 150 >= 0.88).all()
    assert (hits / 150 <= highest).all()


@pytest.mark.slow
def test_a_million_lives():
    """Ungrouped: as the same lives grouped, and near the truth."""
    some = inspected(1_000_000, np.random.default_rng(3))
    curve = turnbull(some)
    at = np.arange(1, 10) * 30e3
    assert_allclose(curve.sf(at), np.exp(-((at / 180e3) ** 2.5)), atol=3e-3)
    distinct, count = np.unique(np.column_stack([some.entry, some.lower, some.upper]), axis=0, return_counts=True)
    assert_allclose(turnbull(Lives(*distinct.T, count.astype(float))).survival, curve.survival, rtol=1e-7)


def test_finely_overlapping_intervals_take_no_long_search(monkeypatch):
    """Intervals that end nearly everywhere, 1,700 cells: a few dozen steps, with the gap proved."""
    rng = np.random.default_rng(1)
    life, entry = 120e3 * rng.weibull(2.5, 100_000), rng.integers(0, 2, 100_000) * 40e3 * rng.random(100_000)
    until = entry + 150e3 * rng.random(life.size)
    lower = np.where(life < until, np.maximum(life - 15e3 * rng.random(life.size), entry), until)
    entry, lower, upper = (np.round(at[life > entry], -2) for at in (entry, lower, np.where(life < until, life, inf)))
    cells = Cells.of(Lives(entry, lower, np.maximum(upper, 100), np.ones(lower.size)))
    assert len(cells) > 1_000
    steps = []
    uphill = search._uphill
    monkeypatch.setattr(search, "_uphill", lambda at: steps.append(at) or uphill(at))
    growth = likeliest(cells)
    assert 0 < len(steps) < 40
    assert growth.gap <= GAP * cells.count.sum()
