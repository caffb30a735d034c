"""Published values of life models; sources stand in the headers of the reference files."""

from __future__ import annotations

import csv
from math import log, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2, weibull_min

from wearlore.life import WEIBULL, bound, fit, kaplan_meier, life_model, profile_interval
from wearlore.life.likelihood import FAMILIES
from wearlore.lives import Lives

FITS = Path(__file__).parents[1] / "reference" / "life_fits.csv"
with FITS.open(encoding="utf-8") as file:
    EXPECTED = list(csv.DictReader(line for line in file if not line.startswith("#")))
QUANTITIES = {
    "scale": lambda f: f.scale,
    "shape": lambda f: f.shape,
    "mu": lambda f: f.mu,
    "sigma": lambda f: f.sigma,
    "ln_sigma": lambda f: log(f.sigma),
    "mu_se": lambda f: sqrt(f.covariance[0][0]),
    "ln_sigma_se": lambda f: sqrt(f.covariance[1][1]),
    "log_likelihood": lambda f: f.log_likelihood,
    "aic": lambda f: f.aic,
    "b1": lambda f: f.quantile(0.01),
    "b10": lambda f: f.quantile(0.1),
    "b50": lambda f: f.quantile(0.5),
    "mean": lambda f: weibull_min(f.shape, scale=f.scale).mean(),
    "sd": lambda f: weibull_min(f.shape, scale=f.scale).std(),
}


@pytest.mark.parametrize("row", EXPECTED, ids=lambda r: f"{r['check']}-{r['data']}-{r['dist']}-{r['quantity']}")
def test_fit_gives_the_published_value(data, row):
    fitted = fit(data(row["data"]), FAMILIES[row["dist"]])
    tolerance = {row["kind"]: float(row["tolerance"])}
    assert QUANTITIES[row["quantity"]](fitted) == pytest.approx(float(row["value"]), **{"abs": 0, **tolerance})


def test_fans_show_no_wear_out(data):
    """Check 1.03: twice the gain of the Weibull over the exponential is 0.0490."""
    lives = data("genfan")
    gain = fit(lives, WEIBULL).log_likelihood - fit(lives, FAMILIES["exponential"]).log_likelihood
    assert 2 * gain == pytest.approx(0.0490, abs=5e-5)


def test_bus_engine_moments(data):
    """Check 1.21, Rust (1987) Table IIa: the data themselves carry the printed moments."""
    lives = data("d7_bus_engines")
    replaced = lives.lower[lives.exact]
    assert (len(replaced), lives.total) == (33, 70)
    assert (round(replaced.mean()), round(replaced.std(ddof=1))) == (257_336, 65_477)
    assert (replaced.min(), replaced.max()) == (121_300, 387_300)


def test_plain_weibull_on_a_fraction_that_can_fail_is_flagged(data):
    """Check 1.14: the scale drifts to 9e13 h on a test of 1 370 h; the answer must say so."""
    fitted = fit(data("d6_circuits"), WEIBULL)
    assert f"{fitted.scale:.0e}" == "9e+13"
    assert "beyond the longest distance seen" in fitted.caution
    assert fitted.caution in str(fitted)


@pytest.mark.parametrize(
    ("what", "at", "low", "high"),
    [("shape", 0, 1.898532, 4.771391), ("scale", 0, 23330.1, 37961.9), ("quantile", 0.1, 9371.20, 17291.24)],
)
def test_profile_intervals_of_shock_absorbers(data, what, at, low, high):
    """Check 1.15 (method: Meeker & Escobar 1998, ch. 8)."""
    lives = data("d2_shock_absorbers")
    interval = profile_interval(lives, fit(lives, WEIBULL), what, at)
    assert (interval.low, interval.high) == pytest.approx((low, high), rel=1e-4)


def test_b10_of_shock_absorbers(data):
    """Check 1.15."""
    assert fit(data("d2_shock_absorbers"), WEIBULL).quantile(0.1) == pytest.approx(13600.03, rel=1e-4)


def test_wald_interval_of_shock_absorbers_differs(data):
    """Check 1.15: Wald on logs gives 2.0087 to 4.9726, which also proves the covariance."""
    fitted = fit(data("d2_shock_absorbers"), WEIBULL)
    reach = 1.959964 * sqrt(fitted.covariance[1][1])
    ends = (fitted.shape * np.exp(-reach), fitted.shape * np.exp(reach))
    assert ends == pytest.approx((2.0087, 4.9726), rel=1e-4)


def test_no_failures_yet():
    """Check 1.17, Nelson (1985) J. Qual. Technol. 17."""
    twenty = Lives.of(good=np.full(20, 1000.0))
    assert bound(twenty).scale == pytest.approx(20_000 / 2.995732, rel=1e-6)
    known = bound(twenty, shape=2.0)
    assert known.scale == pytest.approx(2583.8274, rel=1e-7)
    assert known.quantile(0.1) == pytest.approx(838.6919, rel=1e-7)


@pytest.mark.parametrize("level", [0.5, 0.9])
def test_bound_counts_only_the_distance_seen(level):
    """Check 1.17's closed form, with delayed entry and counts."""
    lives = Lives(np.array([500.0, 0]), np.array([1500.0, 800]), np.full(2, np.inf), np.array([3.0, 2]))
    exposure = 3 * (1500**1.7 - 500**1.7) + 2 * 800**1.7
    expected = (2 * exposure / chi2.ppf(level, 2)) ** (1 / 1.7)
    assert bound(lives, shape=1.7, level=level).scale == pytest.approx(expected, rel=1e-12)


def test_delayed_entry_counts(data):
    """Check 1.19: with entry ignored the shape would be 14.785 and the scale 1 096.59; that must be another answer."""
    women = data("channing_women")
    ignored = fit(Lives(np.zeros(len(women)), women.lower, women.upper, women.count), WEIBULL)
    assert (ignored.shape, ignored.scale) == pytest.approx((14.785, 1096.59), rel=1e-4)


def test_kaplan_meier_with_delayed_entry(data):
    """Check 3.06, Therneau & Grambsch (2000) app. E."""
    curve = kaplan_meier(data("d13_delayed_entry"))
    assert curve.sf(np.array([2, 3, 6, 7, 8, 9])) == pytest.approx([1 / 2, 1 / 3, 4 / 15, 1 / 5, 3 / 20, 9 / 100])
    assert curve.sf(1.99) == 1


def test_risk_set_trap(data):
    """Check 3.07, Klein & Moeschberger sec. 4.6: the first men on study die and S is 0 for ever after."""
    men = data("channing_men")
    assert len(men) == 96
    whole = kaplan_meier(men)
    assert (whole.emptied_at, whole.sf(781), whole.sf(1080)) == (781, 0, 0)
    given = kaplan_meier(men, since=816)
    assert given.emptied_at is None
    assert given.sf(np.array([900, 960, 1020, 1080])) == pytest.approx(
        [0.804531, 0.637761, 0.454373, 0.222707], rel=1e-5
    )


def test_six_mp(data):
    """Check 3.09, Freireich et al. (1963)."""
    curve = kaplan_meier(data("gehan"))
    assert list(curve.km) == [6, 7, 10, 13, 16, 22, 23]
    assert curve.survival == pytest.approx([0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=5e-5)
    assert curve.error == pytest.approx([0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346], abs=5e-5)
    assert (curve.quantile(0.5), kaplan_meier(data("gehan_control")).quantile(0.5)) == (23, 8)


def test_life_model_stands_on_the_published_fit(data):
    """A life model shows the same maximum-likelihood fit that the checks prove."""
    model = life_model("blocked", data("d2_shock_absorbers"), dist=WEIBULL)
    assert model.fit is not None
    assert model.fit.scale == pytest.approx(27718.72, rel=1e-4)
