"""The life model: which family, what it says of its evidence, and models scaled by a judged ratio of lives."""

from __future__ import annotations

import pickle
from dataclasses import replace
from math import inf

import numpy as np
import pytest

from wearlore.book.model import Belief
from wearlore.errors import FitError
from wearlore.life import EXPONENTIAL, LOGNORMAL, WEIBULL, life_model
from wearlore.lives import Evidence, Lives
from wearlore.units import Units


def belief(life):
    return Belief.model_validate(
        {
            "life": life,
            "quantiles": [
                {"share": 0.1, "at": 90e3, "between": [60e3, 120e3]},
                {"share": 0.5, "at": 160e3, "between": [120e3, 210e3]},
            ],
        }
    )


def seen(dist, n, seed=3):
    rng = np.random.default_rng(seed)
    z = np.log(rng.exponential(size=n)) if dist is WEIBULL else rng.standard_normal(n)
    return Lives.of(np.exp(12 + 0.5 * z))


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL], ids=lambda d: d.name)
def test_many_failures_choose_the_family_against_the_belief(dist):
    other = "lognormal" if dist is WEIBULL else "weibull"
    assert life_model("m", seen(dist, 800), belief(other)).dist is dist
    assert life_model("m", seen(dist, 800)).dist is dist


@pytest.mark.parametrize("life", ["weibull", "lognormal"])
def test_few_failures_leave_the_family_to_the_belief(life):
    for lives in (seen(WEIBULL, 9), seen(LOGNORMAL, 9), Lives.of(good=[5e4] * 9), Lives.of()):
        assert life_model("m", lives, belief(life)).dist.name.lower() == life


def test_a_family_asked_for_is_taken():
    assert life_model("m", seen(WEIBULL, 50), belief("weibull"), dist=EXPONENTIAL).dist is EXPONENTIAL


@pytest.mark.parametrize("lives", [Lives.of(good=[5e4] * 30), Lives.of([5e4]), Lives.of([5e4], [7e4] * 20)])
def test_no_failure_or_one_gives_a_wide_posterior(lives):
    model = life_model("m", lives)
    assert model.fit is None or lives.total > lives.failures > 0
    b10 = model.quantile(0.1)
    assert 3 < b10.high / b10.low < inf


def test_evidence_is_counted_from_the_lives_unless_given():
    lives = Lives(
        np.array([0, 1e4, 0, 0]), np.array([3e4, 4e4, 2e4, 0]), np.array([3e4, inf, 5e4, 6e4]), np.arange(1.0, 5)
    )
    counted = life_model("m", lives).evidence
    assert (counted.exact, counted.good, counted.interval, counted.left, counted.late_entry) == (1, 2, 3, 4, 2)
    assert counted.distance_at_risk == 3e4 + 2 * 3e4 + 3 * 3.5e4 + 4 * 3e4  # as `lifetimes` counts it: to the middle
    given = Evidence(exact=1, unknown_start=7)
    assert life_model("m", lives, evidence=given).evidence is given


def test_one_life_is_a_life():
    assert "0 failures in 1 life," in str(life_model("m", Lives.of(good=[5e4])))


def test_a_judged_model_claims_no_records():
    model = life_model("m", seen(WEIBULL, 60), revision="a")
    economy = model.scaled(0.4, grade="economy")
    assert (economy.revision, economy.grade, economy.judged, economy.fit) == ("a", "economy", True, None)
    assert (economy.record_share, economy.judgement_share, economy.evidence) == (0, 1, Evidence())
    assert economy.quantile(0.1).value == pytest.approx(0.4 * model.quantile(0.1).value)
    assert economy.sf(4e4) == pytest.approx(model.sf(1e5))
    assert np.allclose(economy.nodes[0], model.nodes[0] + np.log(0.4))


def test_neither_record_nor_belief_is_an_error():
    with pytest.raises(FitError, match="neither a belief nor a record"):
        life_model("m", Lives.of())


def test_it_reads_in_the_units_asked_for():
    model = life_model("chain", seen(LOGNORMAL, 60), revision="a")
    assert str(model).startswith("chain: lognormal, B10 ")
    assert "sigma" in str(model)
    assert "60 failures in 60 lives" in str(model)
    assert " miles (" in model.show(Units("miles"))


def test_a_model_travels_to_a_worker_process():
    model = life_model("m", seen(WEIBULL, 30), belief("weibull"))
    assert pickle.loads(pickle.dumps(model)).sf(1e5) == model.sf(1e5)


def test_the_same_records_give_the_same_model():
    lives = seen(WEIBULL, 40)
    a, b = life_model("m", lives), life_model("m", replace(lives))
    assert a.quantile(0.1) == b.quantile(0.1)
    assert all((x == y).all() for x, y in zip(a.nodes, b.nodes, strict=True))
