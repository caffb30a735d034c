"""Readings that drift: laws of the fit, peers and closed forms, and the distance left on a fleet of known truth."""

from __future__ import annotations

import warnings
from dataclasses import replace
from math import exp, inf, log, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm
from statsmodels.regression.mixed_linear_model import MixedLM

from wearlore.errors import FitError
from wearlore.life.drift import ascent, paths
from wearlore.life.drift.distance import piece_path
from wearlore.life.drift.fit import fit_drift
from wearlore.life.drift.paths import Paths

FEW = settings(max_examples=25, deadline=None)
SEEDS = st.integers(0, 10_000)


def drifting(seed, pieces=25, readings=4, kappa=1.0, differ=(0.5, 1.0), noise=0.3, slope=3.0):
    rng = np.random.default_rng(seed)
    piece = np.repeat(np.arange(pieces), readings)
    age = rng.uniform(0, 200e3, piece.size)
    own = rng.standard_normal((pieces, 2)) * differ
    rise = (slope + own[piece, 1]) * (age / 200e3) ** kappa
    return Paths(piece, age, 1 + own[piece, 0] + rise + noise * rng.standard_normal(piece.size))


def whole(data, point):
    """The readings' covariance and what is left of them, all at once: V (n, n), residuals (n,) and Z (n, 2)."""
    b0, b1, ln_noise, r00, r10, r11, kappa = point
    z = np.column_stack([np.ones(len(data)), (data.age / data.age.max()) ** kappa])
    root = np.array([[r00, 0], [r10, r11]])
    same = data.piece[:, None] == data.piece
    v = exp(2 * ln_noise) * (np.eye(len(data)) + same * (z @ root @ root.T @ z.T))
    return v, data.value - z @ [b0, b1], z


def log_likelihood(data, point, restricted=False):
    v, left, z = whole(data, point)
    total = len(data) * log(2 * pi) + np.linalg.slogdet(v)[1] + left @ np.linalg.solve(v, left)
    if restricted:
        total += np.linalg.slogdet(z.T @ np.linalg.solve(v, z))[1] - 2 * log(2 * pi)
    return -0.5 * total


# ---- the fit ----


@FEW
@given(seed=SEEDS, step=st.sampled_from([1e-4, 1e-2, 0.2]), method=st.sampled_from(["ML", "REML"]))
def test_nothing_near_is_likelier(seed, step, method):
    data = drifting(seed, kappa=1.3)
    best = fit_drift(data, method=method)
    assert best.log_likelihood == pytest.approx(log_likelihood(data, best.point, method == "REML"), abs=1e-6)
    free = np.diag(best.covariance) > 0
    if method == "REML":
        free[6] = False
    near = best.point + step * np.random.default_rng(seed).standard_normal(7) * free
    assert log_likelihood(data, near, method == "REML") <= best.log_likelihood + 1e-7


@FEW
@given(seed=SEEDS)
def test_gradient_is_that_of_the_likelihood(seed):
    data = drifting(seed, pieces=6)
    scaled = Paths(data.piece, data.age / data.age.max(), (data.value - data.value.mean()) / data.value.std())
    point = np.random.default_rng(seed).normal([0.5, 0.5, -0.5, 0.5, 0.5, 0.5, 1.2], 0.3)
    read = paths.sorted_readings(scaled)
    sums = paths.sums_at(read.first, read.log_age, read.value, point[6])
    found = paths.score(read, sums, point.copy(), profiled=False)
    steps = 1e-5 * np.eye(7)
    slopes = [(log_likelihood(scaled, point + s) - log_likelihood(scaled, point - s)) / 2e-5 for s in steps]
    assert found.value == pytest.approx(log_likelihood(scaled, point), abs=1e-8)
    assert_allclose(found.gradient, slopes, rtol=1e-5, atol=1e-5 * max(map(abs, slopes)))


def test_compiled_sums_equal_plain_ones():
    read = paths.sorted_readings(drifting(1))
    sums = paths.sums_at(read.first, read.log_age, read.value, 1.2)
    assert_allclose(sums, paths.sums_at.py_func(read.first, read.log_age, read.value, 1.2), rtol=1e-13)
    r, q = (0.4, -0.2, 0.9), np.array([[0.2, 0.1], [0.1, 0.3]])
    assert_allclose(paths._normal_equations(sums, *r), paths._normal_equations.py_func(sums, *r), rtol=1e-12)
    both = [totals(sums, *r, 0.3, 0.5, q) for totals in (paths._totals, paths._totals.py_func)]
    assert_allclose(*both, rtol=1e-10)


@FEW
@given(seed=SEEDS, method=st.sampled_from(["ML", "REML"]))
def test_balanced_readings_have_closed_forms(seed, method):
    """Every piece read at the same ages: within and between pieces, as in an analysis of variance of each piece's own
    least-squares line (the covariance between is positive definite here)."""
    rng, pieces, ages = np.random.default_rng(seed), 40, np.array([10e3, 50e3, 120e3, 200e3])
    z = np.column_stack([np.ones(4), ages / 200e3])
    value = (np.array([1, 3]) + rng.standard_normal((pieces, 2))) @ z.T + 0.2 * rng.standard_normal((pieces, 4))
    best = fit_drift(
        Paths(np.repeat(np.arange(pieces), 4), np.tile(ages, pieces), value.ravel()),
        kappa=1.0,
        differ="in both",
        method=method,
    )
    lines = np.linalg.lstsq(z, value.T)[0].T
    within = ((value - lines @ z.T) ** 2).sum() / (pieces * 2)
    between = np.cov(lines.T, ddof=method == "REML") - within * np.linalg.inv(z.T @ z)
    assert (best.intercept.value, best.slope.value) == pytest.approx(tuple(lines.mean(axis=0)), rel=1e-8)
    assert best.noise.value == pytest.approx(sqrt(within), rel=1e-4)
    found = (best.sd_intercept.value, best.sd_slope.value, best.correlation.value)
    a, b = np.sqrt(np.diag(between))
    assert found == pytest.approx((a, b, between[0, 1] / (a * b)), rel=1e-3, abs=1e-4)


@pytest.mark.parametrize("method", ["ML", "REML"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_statsmodels_agrees(seed, method):
    data = drifting(seed, pieces=60, kappa=1.2)
    ours = fit_drift(data, kappa=1.2, differ="in both", method=method)
    columns = np.column_stack([np.ones(len(data)), (data.age / data.age.max()) ** 1.2])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs, on its way to the maximum
        theirs = MixedLM(data.value, columns, data.piece, exog_re=columns).fit(reml=method == "REML")
    covariance = theirs.cov_re
    sd = np.sqrt(np.diag(covariance))
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-5)
    found = [ours.intercept.value, ours.slope.value, ours.sd_intercept.value, ours.sd_slope.value, ours.noise.value]
    assert found == pytest.approx([*theirs.fe_params, *sd, sqrt(theirs.scale)], rel=1e-3)
    assert ours.correlation.value == pytest.approx(covariance[0, 1] / sd.prod(), abs=1e-3)
    if method == "ML":
        assert_allclose([(e.low, e.high) for e in (ours.intercept, ours.slope)], theirs.conf_int()[:2], rtol=1e-3)


@FEW
@given(seed=SEEDS, shift=st.floats(-50, 50), by=st.floats(0.01, 100), stretch=st.floats(0.01, 100))
def test_other_units_and_another_order_change_only_what_they_must(seed, shift, by, stretch):
    data = drifting(seed, kappa=1.2)
    order = np.random.default_rng(seed).permutation(len(data))
    moved = Paths(1000 - data.piece[order], stretch * data.age[order], shift + by * data.value[order])
    a, b = fit_drift(data), fit_drift(moved)
    assert (b.differ, b.curved) == (a.differ, a.curved)
    assert b.unit == pytest.approx(stretch * a.unit)
    assert b.intercept.low == pytest.approx(shift + by * a.intercept.low, rel=1e-5, abs=1e-5 * by)
    assert (b.slope.high / by, b.noise.low / by) == pytest.approx((a.slope.high, a.noise.low), rel=1e-5)
    assert b.kappa.low == pytest.approx(a.kappa.low, abs=1e-3)
    assert_allclose(b.marginal, a.marginal[order], atol=1e-4)
    assert b.log_likelihood == pytest.approx(a.log_likelihood - len(data) * log(by), abs=1e-5)


@pytest.mark.parametrize(
    ("differ", "rung"),
    [((0, 0), "not at all"), ((1.0, 0), "in intercept"), ((0, 1.0), "in slope"), ((1, 1), "in both")],
)
def test_the_ladder_finds_in_what_pieces_differ(differ, rung):
    found = fit_drift(drifting(4, pieces=150, differ=differ))
    assert found.differ == rung
    assert (found.sd_intercept is None, found.sd_slope is None) == (differ[0] == 0, differ[1] == 0)
    for size, sd in zip(differ, (found.sd_intercept, found.sd_slope), strict=True):
        assert sd is None or sd.low < size < sd.high
    assert found.noise.low < 0.3 < found.noise.high


def test_ends_of_kappa_are_where_the_likelihood_ratio_says():
    data = drifting(5, kappa=1.4)
    best = fit_drift(data)
    assert best.curved
    for end in (best.kappa.low, best.kappa.high):
        fixed = fit_drift(data, kappa=end, differ=best.differ)
        assert 2 * (best.log_likelihood - fixed.log_likelihood) == pytest.approx(3.841459, abs=0.02)


def test_readings_that_do_not_tell_the_curve_leave_it_straight():
    found = fit_drift(drifting(2, pieces=8, readings=2, noise=1.0, slope=2.0))
    assert (found.curved, found.kappa.value) == (False, 1.0)
    assert found.kappa.low == 0 or found.kappa.high == inf


def test_many_pieces_led_by_a_few_end_where_all_alone_would(monkeypatch):
    data = drifting(6, pieces=2500, readings=3, kappa=1.2)
    led = fit_drift(data)
    monkeypatch.setattr(ascent, "LEADING", 10**9)
    assert_allclose(led.point, fit_drift(data).point, atol=2e-4)


def test_residuals_are_standard_normal_by_the_whole_covariance():
    data = drifting(7)
    found = fit_drift(data)
    v, left, _ = whole(data, found.point)
    inverse = np.linalg.inv(v)
    assert_allclose(found.marginal, left / np.sqrt(np.diag(v)), rtol=1e-8)
    assert_allclose(found.conditional, inverse @ left / np.sqrt(np.diag(inverse)), rtol=1e-6, atol=1e-8)
    assert found.marginal_outside == np.mean(np.abs(found.marginal) > 1.959964)
    wild = Paths(data.piece, data.age, data.value + 5 * (np.arange(len(data)) == 10))
    assert np.abs(fit_drift(wild).conditional).argmax() == 10


def test_few_pieces_differ_in_slope_at_most():
    data = drifting(8, pieces=4, differ=(2.0, 1.0), kappa=1.6)
    found = fit_drift(data)
    assert found.differ == "in slope"
    assert (found.curved, found.kappa.value, found.kappa.low, found.kappa.high) == (False, 1.0, 0.0, inf)


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (drifting(1, pieces=2), "only 2 pieces were read at two ages"),
        (drifting(1, pieces=20, readings=1), "only 0 pieces"),
        (Paths(np.repeat(np.arange(9), 2), np.arange(18.0), np.full(18, 0.7)), "every reading is 0.7: nothing drifts"),
        (Paths(np.repeat(np.arange(9), 2), np.arange(18.0), np.arange(18.0)), "determine no path"),
    ],
)
def test_what_determines_nothing_is_refused(data, problem):
    with pytest.raises(FitError, match=problem):
        fit_drift(data)


def test_readings_that_contradict_themselves_are_refused():
    for age, value in (([1, -1], [0, 0]), ([1, np.nan], [0, 0]), ([1, 2], [0, inf])):
        with pytest.raises(ValueError, match="reading 1: expected a finite value"):
            Paths(np.array([0, 0]), np.array(age), np.array(value))
    with pytest.raises(ValueError, match="one length"):
        Paths(np.zeros(2), np.zeros(2), np.zeros(3))
    with pytest.raises(ValueError, match="kappa"):
        fit_drift(drifting(1), kappa=0.1)


def test_typical_path_holds_the_truth_and_its_pieces():
    data = drifting(9, pieces=400, kappa=1.3)
    path = fit_drift(data).typical(np.array([0.0, 60e3, 150e3]))
    x = (path.km / 200e3) ** 1.3
    assert ((path.low < 1 + 3 * x) & (1 + 3 * x < path.high)).all()
    assert_allclose(path.piece_high - path.piece_low, 2 * 1.96 * np.hypot(0.5, x), rtol=0.1)


# ---- the distance one piece has left ----


def sure(drift):
    """As if its parameters were known."""
    return replace(drift, covariance=np.zeros((7, 7)))


def own_path(drift, ages, values):
    """(a, b) of a piece given its readings: mean and covariance by conditioning the joint normal."""
    b, noise2, root = drift.point[:2], exp(2 * drift.point[2]), np.zeros((2, 2))
    root[[0, 1, 1], [0, 0, 1]] = drift.point[3:6]
    d = noise2 * root @ root.T
    z = np.column_stack([np.ones(len(ages)), (np.array(ages) / drift.unit) ** drift.point[6]])
    gain = d @ z.T @ np.linalg.inv(z @ d @ z.T + noise2 * np.eye(len(ages)))
    return b + gain @ (values - z @ b), d - gain @ z @ d


@pytest.mark.parametrize("read", [((), ()), ((60e3,), (2.5,)), ((30e3, 60e3, 90e3), (1.2, 2.3, 3.1))])
@pytest.mark.parametrize("side", ["upper", "lower"])
def test_passage_of_a_known_path_is_that_of_drawn_pieces(read, side):
    drift = sure(fit_drift(drifting(10, pieces=200, kappa=1.2)))
    now, limit = 90e3, 4.0 if side == "upper" else 0.8
    path = piece_path(drift, *read, rng=np.random.default_rng(1))
    mean, covariance = own_path(drift, *read)
    a, b = np.random.default_rng(2).multivariate_normal(mean, covariance, 200_000).T
    up = 1 if side == "upper" else -1
    for until in (now, 150e3, 400e3):
        ends = [up * (a + b * (t / drift.unit) ** drift.point[6] - limit) for t in (now, until)]
        assert path.chance_reached(limit, now, until, side) == pytest.approx((np.maximum(*ends) >= 0).mean(), abs=0.015)
    left = path.distance_left(limit, now, side)
    assert left.readings_used == len(read[0])
    assert left.chance_beyond_now == path.chance_reached(limit, now, now, side)
    for end, chance in ((left.distance.low, 0.025), (left.distance.value, 0.5), (left.distance.high, 0.975)):
        if 0 < end < inf:
            assert path.chance_reached(limit, now, now + end, side) == pytest.approx(chance, abs=1e-3)
    later = left.km >= now
    assert (np.diff(left.reached[later]) >= 0).all()
    assert (left.reached[~later] == 0).all()
    x = (left.km / drift.unit) ** drift.point[6]
    sd = np.sqrt(covariance[0, 0] + 2 * covariance[0, 1] * x + covariance[1, 1] * x * x)
    assert_allclose((left.path - mean[0] - mean[1] * x) / sd, 0, atol=0.06)
    assert_allclose(left.high - left.low, 2 * 1.96 * sd, rtol=0.1)
    ahead = path.next_reading(120e3)
    x, noise = (120e3 / drift.unit) ** drift.point[6], exp(drift.point[2])
    sd = sqrt(covariance[0, 0] + 2 * covariance[0, 1] * x + covariance[1, 1] * x * x + noise**2)
    assert ahead.value == pytest.approx(mean[0] + mean[1] * x, abs=0.03)
    assert (ahead.low, ahead.high) == pytest.approx(tuple(norm.interval(0.95, ahead.value, sd)), abs=0.08)


def test_a_limit_far_away_is_never_reached_and_one_long_passed_is():
    path = piece_path(fit_drift(drifting(11)), [50e3], [2.0], rng=np.random.default_rng(1))
    assert path.distance_left(-50.0, 60e3, "lower").distance.value == inf
    beyond = path.distance_left(-50.0, 60e3, "upper")
    assert (beyond.chance_beyond_now, beyond.distance.high) == (1.0, 0.0)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_falling_reading_is_a_rising_one_in_the_mirror(seed):
    data = drifting(seed)
    up, down = (sure(fit_drift(Paths(data.piece, data.age, side * data.value))) for side in (1, -1))
    rises = piece_path(up, [50e3], [2.0], rng=np.random.default_rng(1)).distance_left(5.0, 60e3)
    falls = piece_path(down, [50e3], [-2.0], rng=np.random.default_rng(1)).distance_left(-5.0, 60e3, "lower")
    assert falls.distance.value == pytest.approx(rises.distance.value, rel=0.02)
    assert falls.distance.low == pytest.approx(rises.distance.low, rel=0.02)


def test_more_readings_tell_more():
    drift = fit_drift(drifting(12, pieces=100, kappa=1.2))
    rng, ages = np.random.default_rng(3), np.array([20e3, 45e3, 70e3, 95e3])
    widths = []
    for _ in range(30):
        a, b = 1 + 0.5 * rng.standard_normal(), 3 + 0.5 * rng.standard_normal()
        values = a + b * (ages / 200e3) ** 1.2 + 0.3 * rng.standard_normal(4)
        spans = [piece_path(drift, ages[:k], values[:k], rng=rng).values(np.array([150e3])) for k in range(5)]
        widths.append([float(high[0] - low[0]) for _, low, high in spans])
    assert (np.diff(np.mean(widths, axis=0)) < 0).all()


def test_what_is_not_known_of_the_parameters_widens():
    drift = fit_drift(drifting(13, pieces=8))
    unsure, known = (piece_path(d, rng=np.random.default_rng(1)).next_reading(200e3) for d in (drift, sure(drift)))
    assert unsure.high - unsure.low > 1.02 * (known.high - known.low)


def test_a_piece_is_asked_sensibly():
    drift, rng = fit_drift(drifting(1)), np.random.default_rng(1)
    with pytest.raises(ValueError, match="one length"):
        piece_path(drift, [1.0], [], rng=rng)
    with pytest.raises(ValueError, match="finite values"):
        piece_path(drift, [1.0], [inf], rng=rng)
    with pytest.raises(ValueError, match="an age of 0 or more"):
        piece_path(drift, rng=rng).distance_left(5.0, -1.0)


# ---- a fleet whose truth is known: slopes are 1/life, failed pieces are renewed and read no more ----

NEW, LIMIT, CURVE, NOISE = 0.4, 6.0, 1.15, 0.12


def fleet(rng, pieces):
    """Readings of the demo family's chain phase, and each piece's true life (km)."""
    rows, lives = [], 176e3 * rng.exponential(size=pieces) ** 0.3
    for piece, life in enumerate(lives.tolist()):
        age, end = rng.uniform(0, 25e3), rng.uniform(40e3, 300e3)
        while age < end:
            if rng.random() < 0.35:
                value = NEW + (LIMIT - NEW) * (age / life) ** CURVE + NOISE * rng.standard_normal()
                rows.append((piece, age, round(max(0.0, value), 2)))
                if age >= life and rng.random() < 0.7:
                    break
            age += 25e3 * exp(0.2 * rng.standard_normal())
    piece, age, value = np.array(rows).T
    return Paths(piece, age, value), lives


@pytest.mark.slow
@pytest.mark.parametrize(("pieces", "fits"), [(15, 10), (200, 5)])
def test_the_distance_left_covers_the_truth(pieces, fits):
    held, curves = {1: [], 2: [], 3: []}, []
    for seed in range(fits):
        rng = np.random.default_rng(seed)
        drift = fit_drift(fleet(rng, pieces)[0])
        curves.append(drift.kappa.low <= CURVE <= drift.kappa.high)
        others, lives = fleet(rng, 60)
        for piece in np.unique(others.piece):
            mine = others.piece == piece
            ages, values = others.age[mine], others.value[mine]
            left = piece_path(drift, ages, values, rng=rng).distance_left(LIMIT, ages[-1]).distance
            true = max(0.0, lives[piece] - ages[-1])
            held[min(3, ages.size)].append(left.low - 1 <= true <= left.high + 1)
    assert sum(curves) >= len(curves) - 2
    for read, those in held.items():
        assert np.mean(those) >= 0.95 - 3 * sqrt(0.95 * 0.05 / len(those)), read
