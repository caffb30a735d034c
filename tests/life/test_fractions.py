"""Early failures and units that never fail: published values, peers, laws, tests' size and intervals' coverage."""

from __future__ import annotations

import csv
import pickle
from math import exp, inf, log
from pathlib import Path

import numpy as np
import pytest
import surpyval
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp
from scipy.stats import beta, binom, chi2, lognorm, weibull_min

from wearlore.errors import FitError
from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, fit
from wearlore.life.fractions.fit import EARLY, fractions
from wearlore.life.fractions.mixture import Rows
from wearlore.life.fractions.search import SHARES, Problem, cells, logits
from wearlore.life.fractions.study import fractions_study
from wearlore.life.likelihood import FAMILIES
from wearlore.lives import Lives

BOTH = pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
KINDS = list(SHARES)
FEW = settings(max_examples=15, deadline=None)
with (Path(__file__).parents[1] / "reference" / "life_fractions.csv").open(encoding="utf-8") as file:
    EXPECTED = list(csv.DictReader(line for line in file if not line.startswith("#")))


def fleet(seed, n=400, p0=0.0, can_fail=1.0, shape=2.5, scale=120e3, far=150e3, entry=False, looks=False):
    """Lives followed up to ``far`` km; ``looks``: failures found up to 15 000 km late; ``entry``: half seen late."""
    rng = np.random.default_rng(seed)
    failed = np.where(rng.random(n) < can_fail, rng.weibull(shape, n) * scale, inf)
    failed = np.where(rng.random(n) < p0, EARLY * rng.random(n), failed)
    since = np.where(rng.random(n) < 0.5, 0, rng.random(n) * 40e3) if entry else np.zeros(n)
    until = since + rng.random(n) * far
    seen = failed > since
    failed, since, until = failed[seen], since[seen], until[seen]
    upper = np.where(failed < until, failed, inf)
    lower = np.minimum(failed, until)
    if looks:
        back = np.where(rng.random(failed.size) < 0.5, 15e3 * rng.random(failed.size), 0)
        lower = np.where(failed < until, np.maximum(failed - back, since), lower)
    return Lives(since, lower, upper, np.ones(failed.size))


@st.composite
def mixed_lives(draw):
    """A few lives of every kind, some early, some seen late."""
    rows = [(0, 1500, 1500, 1), (0, 60e3, 60e3, 2), (0, 90e3, 90e3, 1), (0, 120e3, inf, 3)]
    for km in draw(st.lists(st.integers(5, 2000), min_size=1, max_size=15)):
        t = 100.0 * km
        kind = draw(st.sampled_from(["exact", "good", "between", "left"]))
        row = {"exact": (t, t), "good": (t, inf), "between": (t, 1.3 * t), "left": (0, t)}[kind]
        rows.append((0.5 * t if kind != "left" and draw(st.booleans()) else 0, *row, draw(st.integers(1, 3))))
    return Lives(*np.array(rows, float).T)


def plainly(dist, mu, sigma, p0, q, early, lives):
    """The log-likelihood row by row, by scipy's distributions: an independent route."""
    base = weibull_min(1 / sigma, scale=exp(mu)) if dist is not LOGNORMAL else lognorm(sigma, scale=exp(mu))

    def failed_between(a, b):
        shown = p0 * (min(b / early, 1) - min(a / early, 1))
        worn = base.cdf(b) - base.cdf(a) if b < base.median() else base.sf(a) - base.sf(b)
        return shown + (1 - p0) * q * worn

    def lives_on(t):
        return p0 * (1 - min(t / early, 1)) + (1 - p0) * (1 - q + q * base.sf(t))

    total = 0.0
    for entry, lower, upper, count in zip(lives.entry, lives.lower, lives.upper, lives.count, strict=True):
        if lower == upper:
            chance = p0 * (lower <= early) / early + (1 - p0) * q * base.pdf(lower)
        else:
            chance = lives_on(lower) if upper == inf else failed_between(lower, upper)
        total += count * (log(chance) - log(lives_on(entry)))
    return total


@pytest.mark.parametrize("row", EXPECTED, ids=lambda r: f"{r['check']}-{r['dist']}-{r['quantity']}")
def test_circuits_of_which_few_can_fail(data, row):
    """Check 1.14."""
    fitted = fractions(data("d6_circuits"), FAMILIES[row["dist"]], "survivors")
    assert getattr(fitted, row["quantity"]) == pytest.approx(float(row["value"]), rel=1e-4)


def test_circuits_need_a_share_that_never_fails(data):
    """Check 1.14: a plain Weibull drifts to scale 9e13 and -303.03."""
    study = fractions_study(data("d6_circuits"))
    plain = study.families[0].fits["plain"]
    assert (f"{plain.scale:.0e}", round(plain.log_likelihood, 2)) == ("9e+13", -303.03)
    for row in study.families:
        assert row.survivors.verdict == "needed"
        assert row.best.kind == "survivors"
        assert row.survivors.share.low < 1 - 0.0067 < row.survivors.share.high
        gain = 2 * (row.fits["survivors"].log_likelihood - row.fits["plain"].log_likelihood)
        assert row.survivors.alone.statistic == pytest.approx(gain, rel=1e-12)
        assert row.survivors.alone.p_value == pytest.approx(chi2.sf(gain, 1) / 2, rel=1e-12)


@BOTH
@FEW
@given(
    lives=mixed_lives(), mu=st.floats(11, 12.5), sigma=st.floats(0.4, 1.5), shares=st.tuples(*[st.floats(0, 0.9)] * 2)
)
def test_likelihood_is_that_of_the_plain_formula(dist, lives, mu, sigma, shares):
    p0, q = shares[0], 1 - shares[1]
    at = Rows.of(lives, EARLY).derivatives(dist, np.array([mu, log(sigma), *logits(p0, q)]))
    assert at.value == pytest.approx(plainly(dist, mu, sigma, p0, q, EARLY, lives), rel=1e-8)


@BOTH
@FEW
@given(lives=mixed_lives(), point=st.tuples(st.floats(10, 12.5), st.floats(-1.5, 0.5), *[st.floats(-4, 4)] * 2))
def test_derivatives_are_those_of_differences(dist, lives, point):
    rows, at = Rows.of(lives, EARLY), np.array(point)
    there, step = rows.derivatives(dist, at), 1e-5
    for i, ahead in enumerate(step * np.eye(4)):
        up, down = rows.derivatives(dist, at + ahead), rows.derivatives(dist, at - ahead)
        scale = max(1.0, float(np.abs(there.hessian).max()))
        assert there.gradient[i] == pytest.approx((up.value - down.value) / 2 / step, abs=1e-5 * scale)
        assert there.hessian[i] == pytest.approx((up.gradient - down.gradient) / 2 / step, abs=1e-5 * scale)


def theirs(lives, dist, **options):
    kind = np.select([lives.right, lives.exact, lives.lower == 0], [1, 0, -1], 2)
    pairs = zip(lives.lower, lives.upper, kind, strict=True)
    x = [[a, b] if k == 2 else (a if k == 1 else b) for a, b, k in pairs]
    late = lives.entry if lives.entry.any() else None
    return {WEIBULL: surpyval.Weibull, LOGNORMAL: surpyval.LogNormal}[dist].fit(
        x=x, c=kind, n=lives.count.astype(int), tl=late, **options
    )


@BOTH
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("looks", [False, True], ids=["exact", "mixed"])
def test_surpyval_finds_no_likelier_survivors(dist, seed, looks):
    lives = fleet(seed, can_fail=0.5, far=300e3, looks=looks)
    peer, ours = theirs(lives, dist, lfp=True), fractions(lives, dist, "survivors")
    assert ours.log_likelihood >= -peer.neg_ll() - 1e-8
    assert ours.can_fail == pytest.approx(peer.lfp_p, rel=1e-4)
    parameters = (ours.scale, ours.shape) if dist is WEIBULL else (ours.mu, ours.sigma)
    assert parameters == pytest.approx(tuple(peer.params[:2]), rel=1e-4)


@BOTH
def test_early_failures_at_once_are_zero_inflation(dist):
    """A window of 1 km that holds the early failures, seen as failed by its end: surpyval's failures at 0."""
    late = fleet(4)
    rows = [
        np.append(c, v) for c, v in zip((late.entry, late.lower, late.upper, late.count), (0, 0, 1, 20), strict=True)
    ]
    ours = fractions(Lives(*rows), dist, "early", early=1.0)
    x = np.append(late.lower, 0.0)
    c, n = np.append(late.right, False).astype(int), np.append(late.count, 20).astype(int)
    peer = {WEIBULL: surpyval.Weibull, LOGNORMAL: surpyval.LogNormal}[dist].fit(x=x, c=c, n=n, zi=True)
    assert ours.p0 == pytest.approx(peer.f0, rel=1e-4)
    parameters = (ours.scale, ours.shape) if dist is WEIBULL else (ours.mu, ours.sigma)
    assert parameters == pytest.approx(tuple(peer.params[:2]), rel=1e-4)


@pytest.mark.parametrize("dist", FAMILIES.values(), ids=FAMILIES)
@pytest.mark.parametrize("seed", [1, 2])
def test_plain_is_the_fit_without_shares(dist, seed):
    lives = fleet(seed, n=150, entry=True, looks=True)
    ours, known = fractions(lives, dist, "plain"), fit(lives, dist)
    assert (ours.mu, ours.sigma, ours.log_likelihood) == pytest.approx(
        (known.mu, known.sigma, known.log_likelihood), rel=1e-7
    )
    assert np.array(ours.covariance)[:2, :2] == pytest.approx(np.array(known.covariance), rel=1e-5)
    assert (ours.aicc, ours.quantile(0.1)) == pytest.approx((known.aicc, known.quantile(0.1)), rel=1e-7)
    for what, at in (("scale", 0), ("shape", 0), ("sigma", 0), ("quantile", 0.1)):
        a, b = ours.interval(what, at), known.interval(what, at)
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), rel=1e-5)


@BOTH
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("c", [0.01, 30.0])
def test_changing_km_to_another_unit_only_moves_mu(dist, kind, c):
    lives = fleet(7, n=200, p0=0.05, can_fail=0.6, far=300e3, looks=True)
    a = fractions(lives, dist, kind)
    b = fractions(Lives(c * lives.entry, c * lives.lower, c * lives.upper, lives.count), dist, kind, early=c * EARLY)
    assert (b.mu - a.mu, b.sigma, b.p0, b.can_fail) == pytest.approx((log(c), a.sigma, a.p0, a.can_fail), rel=1e-5)
    p, q = a.interval("p0"), b.interval("p0")
    assert (q.low, q.high) == pytest.approx((p.low, p.high), rel=1e-5)


@BOTH
def test_more_early_failures_raise_p0(dist):
    lives, found = fleet(8, n=200), []
    for number in (1, 3, 10, 30):
        rows = zip((lives.entry, lives.lower, lives.upper, lives.count), (0, 2e3, 2e3, number), strict=True)
        found.append(fractions(Lives(*[np.append(c, v) for c, v in rows]), dist, "early").p0)
    assert found == sorted(found)
    assert found[0] > 0
    assert found[-1] == pytest.approx(30 / 230, rel=0.2)


@BOTH
def test_wider_kinds_are_never_less_likely(dist):
    lives = fleet(9, n=300, p0=0.03, can_fail=0.7, far=250e3)
    value = {kind: fractions(lives, dist, kind).log_likelihood for kind in KINDS}
    assert value["plain"] <= min(value["early"], value["survivors"])
    assert max(value["early"], value["survivors"]) <= value["both"]


@BOTH
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_near_is_likelier(dist, kind):
    lives = fleet(10, n=300, p0=0.05, can_fail=0.7, far=250e3, looks=True, entry=True)
    best = fractions(lives, dist, kind)
    rng, rows = np.random.default_rng(1), Rows.of(lives, EARLY)
    point = np.array([best.mu, log(best.sigma), *logits(best.p0, best.can_fail)])
    free = [i for i in (0, 1, *SHARES[kind]) if np.isfinite(point[i])]
    for size in (1e-3, 0.03, 0.5):
        for _ in range(50):
            near = point.copy()
            near[free] += size * rng.standard_normal(len(free))
            assert rows.derivatives(dist, near).value <= best.log_likelihood + 1e-8


def test_a_boundary_is_named_as_such():
    """No early failure among 200 lives seen from new far past the window: 0 up to the binomial's likelihood limit."""
    lives = Lives.of(np.linspace(60e3, 120e3, 40), [150e3] * 160)
    best = fractions(lives, WEIBULL, "early")
    assert (best.p0, best.covariance[2]) == (0.0, (0.0,) * 4)
    p0 = best.interval("p0")
    assert (p0.value, p0.low) == (0.0, 0.0)
    assert p0.high == pytest.approx(1 - exp(-chi2.ppf(0.95, 1) / 2 / 200), rel=1e-3)  # 200 ln(1 - p0) = -chi2/2
    never = fractions(Lives.of(np.linspace(60e3, 120e3, 40)), WEIBULL, "survivors").interval("never")
    assert (never.value, never.low) == (0.0, 0.0)
    assert 0 < never.high < 0.1


def test_records_that_begin_late_say_nothing_of_early_failures():
    lives = Lives(np.full(5, 2e4), np.array([3e4, 5e4, 6e4, 9e4, 1e5]), np.array([3e4, 5e4, 6e4, 9e4, inf]), np.ones(5))
    p0 = fractions(lives, WEIBULL, "early").interval("p0")
    assert (p0.low, p0.high) == (0.0, 1.0)
    assert fractions_study(lives).families[0].early.verdict == "the records cannot tell"


def test_survival_and_quantiles_are_of_all_units():
    best = fractions(fleet(11, p0=0.1, can_fail=0.5, far=400e3), WEIBULL, "both")
    for share in (0.01, 0.09, 0.2, 0.4):
        assert float(best.cdf(best.quantile(share))) == pytest.approx(share, rel=1e-6)
    assert best.sf(0.0) == 1
    assert best.quantile(0.9) == inf
    assert float(best.sf(1e9)) == pytest.approx((1 - best.p0) * best.never, rel=1e-9)
    assert best.interval("quantile", 0.5).value == pytest.approx(best.scale * log(2) ** best.sigma)
    assert pickle.loads(pickle.dumps(best)).quantile(0.2) == best.quantile(0.2)


@BOTH
@pytest.mark.parametrize("kind", KINDS)
def test_draws_scatter_as_the_intervals_say(dist, kind):
    best = fractions(fleet(12, n=1500, p0=0.05, can_fail=0.6, far=400e3), dist, kind)
    draws = best.draws(20_000, rng=np.random.default_rng(1))
    columns = {"p0": draws.p0, "never": 1 - draws.can_fail, "scale": np.exp(draws.mu), "sigma": draws.sigma}
    for what, values in columns.items():
        known = best.interval(what)
        if known.low == known.high:
            assert (np.abs(values - known.value) < 1e-12).all()
        elif known.low > 0:
            ends = np.quantile(values, [0.025, 0.975])
            assert ends == pytest.approx([known.low, known.high], abs=0.2 * (known.high - known.low))


@BOTH
@pytest.mark.parametrize(
    ("lives", "spans"),
    [
        (fleet(2, n=300, can_fail=0.5), ((0.0, 0.0), (0.2, 1.0))),
        (fleet(5, n=300, p0=0.1, shape=1.3), ((0.04, 0.2), (1.0, 1.0))),
        (fleet(5, n=200, p0=0.05, can_fail=0.5, far=300e3), ((0.02, 0.15), (0.3, 0.7))),
    ],
    ids=["survivors", "early", "both"],
)
def test_cells_weigh_as_much_as_the_likelihood_integrated_plainly(dist, lives, spans):
    """Laplace's method against the sum over a fine grid of (mu, ln sigma), in cells that carry any weight."""
    problem, steps = Problem(lives, dist, EARLY), np.linspace(-6, 6, 25)
    grid = cells(problem, np.array([log(120e3), -0.9, *logits(0.0, 1.0)]), spans)
    heavy = [cell for cell in grid if cell.weight > max(each.weight for each in grid) - 5]
    for cell in heavy[:: max(1, len(heavy) // 8)]:
        at = logits(*(cell.low + 0.5 * cell.width))
        places = [np.array([*(cell.mode + cell.root @ np.array([a, b])), *at]) for a in steps for b in steps]
        volume = 0.5**2 * float(np.linalg.det(cell.root))
        integral = logsumexp([problem.derivatives(place).value for place in places]) + log(volume)
        assert cell.weight + log(2 * np.pi) == pytest.approx(integral, abs=0.06)


def test_draws_on_the_boundary_are_those_of_a_flat_prior():
    best = fractions(Lives.of(np.linspace(60e3, 120e3, 40), [150e3] * 60), WEIBULL, "early")
    p0 = best.draws(20_000, rng=np.random.default_rng(1)).p0
    assert np.quantile(p0, [0.1, 0.5, 0.9]) == pytest.approx(beta(1, 101).ppf([0.1, 0.5, 0.9]), rel=0.06)


HARD = {
    "one failure": Lives.of([30e3], [40e3] * 9),
    "one early failure": Lives.of([3e3], [40e3] * 9),
    "two failures": Lives.of([3e3, 60e3], [80e3] * 9),
    "three failures": Lives.of([3e3, 60e3, 70e3], [80e3] * 9),
    "early ones only": Lives.of([1e3, 2e3, 3e3], [80e3] * 30),
    "all left": Lives(np.zeros(2), np.zeros(2), np.array([5e4, 6e4]), np.array([3.0, 4])),
    "all interval": Lives(np.zeros(9), 1e4 * np.arange(1.0, 10), 1e4 * np.arange(2.0, 11), np.full(9, 3.0)),
    "identical": Lives.of([5e4] * 3, [3e4]),
    "identical, outrun": Lives.of([5e4] * 3, [8e4] * 5),
}


@pytest.mark.parametrize("dist", FAMILIES.values(), ids=FAMILIES)
@pytest.mark.parametrize("lives", HARD.values(), ids=HARD)
def test_hard_lives_end_in_an_answer_or_a_clear_error(dist, lives):
    for kind in KINDS:
        try:
            best = fractions(lives, dist, kind)
        except FitError:
            continue  # clear: `test_what_determines_nothing_is_refused`
        for what in ("p0", "never", "scale", "shape"):
            estimate = best.interval(what)
            assert estimate.low <= estimate.value <= estimate.high
        assert np.isfinite(best.draws(50, rng=np.random.default_rng(1)).mu).all()


def test_what_determines_nothing_is_refused():
    with pytest.raises(FitError, match="nothing has failed"):
        fractions_study(Lives.of(good=[1e5] * 3))
    with pytest.raises(FitError, match="no maximum"):
        fractions(HARD["identical"], WEIBULL, "both")
    with pytest.raises(FitError, match="with early failures"):
        fractions(HARD["early ones only"], WEIBULL, "early")
    with pytest.raises(ValueError, match="early"):
        fractions(HARD["three failures"], WEIBULL, "early", early=0)


def test_verdicts_follow_the_evidence():
    faulty = fractions_study(fleet(1, p0=0.05)).leading
    assert (faulty.early.verdict, faulty.best.kind) == ("needed", "early")
    assert faulty.p0_halved < faulty.early.share.value < 1.2 * faulty.p0_doubled
    study = fractions_study(fleet(1, p0=0.05, can_fail=0.4, far=400e3))
    lognormal, both = study.families[1], study.leading
    assert lognormal.survivors.alone.p_value > 0.5  # needed beside early failures only
    assert lognormal.survivors.verdict == "needed"
    assert (both.early.verdict, both.survivors.verdict, both.best.kind) == ("needed", "needed", "both")
    sound = fractions_study(fleet(1, n=1500, far=400e3)).leading
    assert (sound.early.verdict, sound.survivors.verdict) == ("not needed", "not needed")
    few = fractions_study(Lives.of([3e3, 60e3, 70e3, 80e3], [80e3] * 40)).families[0]
    assert few.early.verdict == "the records cannot tell"
    short = fractions_study(fleet(2, can_fail=0.5, far=60e3)).families[0]
    assert short.survivors.verdict == "the records cannot tell"


@pytest.mark.slow
def test_a_true_null_is_seldom_rejected():
    """p < 5 % in at most so many of 400 as binomial noise brings once in 1,000 times; not never either."""
    rejected = 0
    for seed in range(400):
        lives = fleet(seed, n=200, shape=1.3, scale=60e3)
        gain = 2 * (fractions(lives, WEIBULL, "early").log_likelihood - fit(lives, WEIBULL).log_likelihood)
        rejected += gain > 0 and chi2.sf(gain, 1) / 2 < 0.05
    assert 3 <= rejected <= binom(400, 0.05).ppf(0.999)


@pytest.mark.slow
def test_the_interval_of_p0_covers_the_truth():
    """95 % intervals over 300 fleets: as often as binomial noise allows."""
    covered = 0
    for seed in range(300):
        p0 = fractions(fleet(seed, n=200, p0=0.04), WEIBULL, "early").interval("p0")
        covered += p0.low <= 0.04 <= p0.high
    assert binom(300, 0.95).ppf(0.001) <= covered


@pytest.mark.slow
def test_a_million_rows_are_grouped():
    """Grouped or row by row: the same answer to 1e-4; and of many rows the truth."""
    some = fleet(13, n=5_500, p0=0.03, can_fail=0.9, far=250e3, looks=True, entry=True)
    assert len(some) > 5_000
    halves = [some.where(np.arange(len(some)) % 2 == half) for half in (0, 1)]
    grouped = fractions(some, WEIBULL, "both")
    point = np.array([grouped.mu, log(grouped.sigma), *logits(grouped.p0, grouped.can_fail)])
    exactly = [Rows.of(half, EARLY).derivatives(WEIBULL, point) for half in halves]
    gradient, hessian = sum(at.gradient for at in exactly), sum(at.hessian for at in exactly)
    step = -np.linalg.solve(hessian, gradient)  # to the maximum of the rows as they are
    assert np.abs(step).max() < 2e-3 * np.sqrt(np.diag(grouped.covariance)).min() + 5e-4
    many = fractions(fleet(14, n=1_000_000, p0=0.03, can_fail=0.9, far=250e3, entry=True), WEIBULL, "both")
    assert (many.p0, many.can_fail, many.shape) == pytest.approx((0.03, 0.9, 2.5), rel=0.03)


def test_exponential_has_a_share_too():
    best = fractions(fleet(15, n=2000, shape=1.0, can_fail=0.6, far=900e3), EXPONENTIAL, "survivors")
    assert (best.sigma, best.interval("shape").high, best.parameters) == (1.0, 1.0, 2)
    assert best.interval("never").low < 0.4 < best.interval("never").high
