"""What remedies and grades cost per distance: closed forms, plain simulation, the order and how sure it is."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass, field
from datetime import date
from math import exp, gamma, inf, log
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

import wearlore.demo
from wearlore.book.load import load
from wearlore.book.model import Belief, Book
from wearlore.demo.truth import Truth
from wearlore.economy import economy
from wearlore.errors import FitError, NameNotKnown, ScopeError
from wearlore.life import LOGNORMAL, WEIBULL, life_model
from wearlore.life.fractions.fit import Draws, fractions
from wearlore.life.likelihood import LogLife
from wearlore.lives import Evidence, Lives
from wearlore.renewal import Span
from wearlore.renewal.cycle import FreshLife, cost_ahead, cycle

BUILT = date(2019, 1, 1)
TERMS = {"labour_rate": 60.0, "visit_fixed": 50.0, "discount": 0.04, "per_year": 20e3, "horizon": 100e3}


def mode(component: str, cost: float, **rest) -> dict:
    consequence = {"severity": "degraded", "cost": cost}
    return {"name": component, "component": component, "noticed": "evident", "consequence": consequence, **rest}


FAMILY: dict = {
    "wearlore": 1,
    "family": {"id": "f", "name": "F"},
    "economics": {"labour_rate": 60},
    "variants": {"a": {"name": "A"}, "b": {"name": "B"}},
    "zones": {"z": {"name": "Z"}},
    "components": {
        "pump": {"name": "Pump", "system": "S", "zone": "z", "variants": ["a"]},
        "hose": {"name": "Hose", "system": "S", "zone": "z", "positions": ["upper", "lower"]},
        "bare": {"name": "Bare", "system": "S", "zone": "z"},
    },
    "modes": {
        "leaks": mode("pump", 100),
        "cracks": mode("pump", 300),
        "splits": mode("hose", 0),
        "rusts": mode("bare", 10),
    },
    "operations": {
        "off": {"name": "Off", "hours": 0.5, "spoils": {"gasket": 1}, "consumables": {"fluid": 2}, "tools": ["puller"]},
        "change": {"name": "Change", "hours": 1.0, "needs": ["off"]},
        "seal": {"name": "Seal", "hours": 0.7, "needs": ["off"]},
        "clean": {"name": "Clean", "hours": 0.4},
        "mesh": {"name": "Mesh", "hours": 0.1},
        "swap": {"name": "Swap", "hours": 0.2, "each_position": True},
    },
    "remedies": {
        "pump": {
            "name": "Pump",
            "component": "pump",
            "cures": ["leaks", "cracks"],
            "operations": ["change"],
            "parts": {"pump": 1},
        },
        "hose": {"name": "H", "component": "hose", "cures": ["splits"], "operations": ["swap"], "parts": {"hose": 1}},
    },
    "parts": {
        "pump": {
            "name": "Pump",
            "component": "pump",
            "offers": [{"number": "P", "price": 120}, {"number": "E", "price": 40, "grade": "economy"}],
        },
        "gasket": {"name": "Gasket", "offers": [{"number": "G", "price": 8}]},
        "seal": {"name": "Seal", "offers": [{"number": "S", "price": 15}]},
        "hose": {"name": "Hose", "component": "hose", "offers": [{"number": "H", "price": 20}]},
    },
    "tools": {"puller": {"name": "Puller", "hire": 12, "owned": False}},
    "consumables": {"fluid": {"name": "Fluid", "unit": "L", "price": 5}},
}
VISIT = 50 + 60 * 1.5 + 8 + 2 * 5 + 12  # a visit for the pump without the pump itself


def book_with(**changes) -> Book:
    family = deepcopy(FAMILY)
    for part, entries in changes.items():
        family[part].update(entries)
    return Book.model_validate(family)


@dataclass(frozen=True)
class Known:
    """Stands in for a life model of which nothing is unknown, or that has one of some equally likely scales."""

    scales: tuple[float, ...]
    sigma: float
    grade: str = "original"
    dist: LogLife = WEIBULL
    judged: bool = False
    record_share: float = 0.5
    evidence: Evidence = field(default_factory=Evidence)

    @property
    def nodes(self):
        n = len(self.scales)
        return np.log(self.scales), np.full(n, self.sigma), np.full(n, 1 / n)


@dataclass(frozen=True)
class KnownEarly:
    """Stands in for a fit with early failures."""

    scale: float
    sigma: float
    p0: float
    early: float
    can_fail: float = 1.0
    dist: LogLife = WEIBULL
    failures: float = 7.0
    total: float = 90.0

    def draws(self, n, *, rng):
        one = np.ones(n)
        return Draws(log(self.scale) * one, self.sigma * one, self.p0 * one, self.can_fail * one)


def lives(**scales):
    """``mode=(scale, sigma)``; a mode not named fails practically never. Economy parts live as long as the others."""

    def models(mode, revision, grade):
        scale, sigma = scales.get(mode, (1e14, 1.0))
        return Known((scale,), sigma, grade)

    return models


def none(mode, revision, grade):
    return None


def study(book=None, models=None, early=none, component="pump", variant="a", seed=1, draws=16, **terms):
    book = book or book_with()
    models = models or lives(leaks=(120e3, 0.3))
    return economy(
        book, component, variant, BUILT, models, early, **TERMS | terms, rng=np.random.default_rng(seed), draws=draws
    )


def choice(result, grade="original", remedy="pump"):
    return next(c for c in result.choices if (c.remedy, c.grade) == (remedy, grade))


# closed forms


def test_at_random_the_cost_is_the_cost_of_a_failure_times_the_rate():
    found = choice(study(models=lives(leaks=(80e3, 1.0))))
    assert found.visit_cost == pytest.approx(VISIT + 120)
    assert found.price == 120
    assert found.length.value == pytest.approx(80e3, rel=1e-4)
    assert found.per_distance.value == pytest.approx((VISIT + 120 + 100) / 80e3 * 100e3, rel=1e-4)
    split = found.breakdown
    per = 100e3 / 80e3
    assert (split.part, split.labour, split.visit, split.consequence, split.others) == pytest.approx(
        (120 * per, 90 * per, (VISIT - 90) * per, 100 * per, 0.0), rel=1e-4
    )


def test_modes_at_random_that_one_remedy_renews_add_up():
    found = choice(study(models=lives(leaks=(80e3, 1.0), cracks=(200e3, 1.0))))
    rates = 100e3 / 80e3, 100e3 / 200e3
    assert found.per_distance.value == pytest.approx(
        (VISIT + 120 + 100) * rates[0] + (VISIT + 120 + 300) * rates[1], rel=1e-4
    )


def test_pieces_all_faulty_live_half_of_early():
    def early(mode, revision, grade):
        return KnownEarly(120e3, 0.3, 1.0, 4_000.0) if mode == "leaks" else None

    found = choice(study(early=early))
    assert found.length.value == pytest.approx(2_000, rel=1e-3)
    assert found.per_distance.value == pytest.approx((VISIT + 220) / 2_000 * 100e3, rel=1e-3)
    assert found.behind[0].early.value == 1.0
    assert (found.behind[0].failures, found.behind[0].record_share) == (7.0, 1.0)


def test_pieces_of_which_some_never_fail_cost_nothing_in_the_long_run_but_something_ahead():
    def early(mode, revision, grade):
        return KnownEarly(60e3, 0.3, 0.0, 5_000.0, can_fail=0.9) if mode == "leaks" else None

    found = choice(study(early=early, models=lambda m, r, g: Known((1e14,), 1.0, g), book=alone()))
    assert found.length.value == inf
    assert found.per_distance.value == 0
    assert found.ahead.value > VISIT + 120 + 200


def alone() -> Book:
    """The pump with one mode only."""
    family = deepcopy(FAMILY)
    del family["modes"]["cracks"]
    family["remedies"]["pump"]["cures"] = ["leaks"]
    return Book.model_validate(family)


@settings(max_examples=40, deadline=None)
@given(sigma=st.floats(0.05, 2.5), p0=st.floats(0, 0.5), early=st.floats(500, 20e3))
def test_a_cycle_is_as_long_as_the_mean_life(sigma, p0, early):
    one = np.ones(1)
    for dist, mean in ((WEIBULL, gamma(1 + sigma)), (LOGNORMAL, exp(sigma**2 / 2))):
        if dist is LOGNORMAL and sigma > 1.5:
            continue  # a tenth of the mean comes from beyond what one in a billion outlive
        fresh = FreshLife(dist, log(120e3) * one, sigma * one, p0 * one, one, 0 * one, early)
        expected = p0 * early / 2 + (1 - p0) * 120e3 * mean
        assert float(cycle([fresh]).length[0]) == pytest.approx(expected, rel=2e-3 if sigma < 0.1 else 1e-3)
        assert float(cycle([fresh]).ends.sum()) == pytest.approx(1, abs=1e-6)


def test_a_clean_lasts_what_is_left_at_the_age_it_leaves():
    clean = {
        "name": "Clean",
        "component": "pump",
        "cures": ["leaks"],
        "kind": "clean",
        "restores": 0.6,
        "operations": ["clean"],
    }
    found = study(book_with(remedies={"clean": clean}), lives(leaks=(100e3, 0.4)))
    start = 0.4 * 100e3 * log(2) ** 0.4
    life = stats.weibull_min(2.5, scale=100e3)
    left = quad(life.sf, start, 400e3)[0] / life.sf(start)
    cleaned = choice(found, None, "clean")
    assert cleaned.length.value == pytest.approx(left, rel=1e-4)
    assert cleaned.per_distance.value == pytest.approx((50 + 60 * 0.4 + 100) / left * 100e3, rel=1e-4)


# simulation


def simulated(rng, modes, visit, runs, horizon=None, rate=0.0):
    """Piece after piece in plain steps; ``modes``: (scale, sigma, p0, early, consequence). Money, distance."""
    money = distance = 0.0
    for _ in range(runs):
        km, first = 0.0, True
        while first if horizon is None else True:
            first = False
            ends = []
            for scale, sigma, p0, early, consequence in modes:
                faulty = rng.random() < p0
                km_to = rng.uniform(0, early) if faulty else scale * rng.standard_exponential() ** sigma
                ends.append((km_to, consequence))
            life, consequence = min(ends)
            km += life
            if horizon is not None and km >= horizon:
                break
            money += (visit + consequence) * exp(-rate * km)
        distance += km
    return money, distance


MODES = [(90e3, 0.35, 0.12, 5_000.0, 100.0), (160e3, 0.6, 0.0, 5_000.0, 300.0)]


def early_of(modes):
    named = dict(zip(("leaks", "cracks"), modes, strict=True))
    return lambda mode, revision, grade: KnownEarly(*named[mode][:4])


@pytest.mark.slow
def test_the_long_run_is_what_pieces_cost_one_after_the_other():
    found = choice(study(early=early_of(MODES)))
    money, distance = simulated(np.random.default_rng(3), MODES, VISIT + 120, 150_000)
    assert found.per_distance.value == pytest.approx(money / distance * 100e3, rel=0.01)
    assert found.length.value == pytest.approx(distance / 150_000, rel=0.01)


@pytest.mark.slow
def test_the_horizon_is_what_a_vehicle_costs_from_the_fitting_on():
    found = choice(study(early=early_of(MODES)))
    runs = 60_000
    money, _ = simulated(np.random.default_rng(4), MODES, VISIT + 120, runs, 100e3, log(1.04) / 20e3)
    assert found.ahead.value == pytest.approx(VISIT + 120 + money / runs, rel=0.01)


def test_the_renewal_equation_at_random_is_a_straight_line():
    one = np.ones(2)
    fresh = FreshLife(WEIBULL, log(50e3) * one, one, 0 * one, one, 0 * one, 5e3)
    assert cost_ahead([fresh], [10.0], Span(100e3, 0.0, 200)) == pytest.approx(np.full(2, 20.0), rel=1e-4)


# laws


@settings(max_examples=25, deadline=None)
@given(price=st.floats(0, 500), more=st.floats(1, 200), scale=st.floats(20e3, 300e3), p0=st.floats(0, 0.5))
def test_a_dearer_part_costs_more_and_the_breakdown_adds_up(price, more, scale, p0):
    def early(mode, revision, grade):
        return KnownEarly(scale, 0.4, p0, 4e3) if mode == "leaks" else None

    def at(money):
        offers = [{"number": "P", "price": money}]
        parts = {"pump": {"name": "Pump", "component": "pump", "offers": offers}}
        return choice(study(book_with(parts=parts), early=early))

    a, b = at(price), at(price + more)
    assert b.per_distance.value > a.per_distance.value
    assert b.ahead.value >= a.ahead.value + more
    split = a.breakdown
    whole = split.part + split.labour + split.visit + split.consequence + split.others
    assert whole == pytest.approx(a.per_distance.value)


def test_equal_grades_leave_the_order_open():
    offers = [{"number": "P", "price": 120}, {"number": "E", "price": 120, "grade": "economy"}]
    book = book_with(parts={"pump": {"name": "Pump", "component": "pump", "offers": offers}})
    rng = np.random.default_rng(2)
    ran = [Known(tuple(rng.lognormal(log(120e3), 0.2, 200)), 0.3, g) for g in ("original", "economy")]
    for models in (lives(leaks=(120e3, 0.3)), lambda m, r, g: ran[g == "economy"]):
        found = study(book, models, draws=400)
        assert found.order[0] == pytest.approx(0.5, abs=0.08)
        assert found.verdicts[0].kind == "open"
        assert sum(c.cheapest for c in found.choices) == pytest.approx(1)
        assert found.cheaper + found.cheaper.T == pytest.approx(np.ones((2, 2)))


@pytest.mark.parametrize(("ratio", "kind"), [(1.0, "pays"), (0.5, "false economy")])
def test_the_cheap_part_pays_or_is_a_false_economy(ratio, kind):
    found = study(models=lambda m, r, g: Known((120e3 * (ratio if g == "economy" else 1),), 0.3, g), book=alone())
    verdict = found.verdicts[0]
    assert (verdict.cheaper, verdict.dearer, verdict.kind) == ("economy", "original", kind)
    economy_, original = (choice(found, g).per_distance.value for g in ("economy", "original"))
    assert verdict.more.value == pytest.approx(economy_ - original)
    assert (verdict.more.value < 0) == (kind == "pays")
    assert found.choices[0].cheapest == 1


def test_the_horizon_may_say_the_other_way_round():
    """Lives longer than anybody keeps the vehicle: what it costs for ever does not come due."""
    found = study(models=lambda m, r, g: Known((500e3 * (0.6 if g == "economy" else 1),), 0.2, g), book=alone())
    verdict = found.verdicts[0]
    assert verdict.kind == "false economy"
    assert verdict.chance_ahead == 1
    assert verdict.more_ahead.value < 0 < verdict.more.value


def test_a_judged_ratio_of_lives_is_not_taken_as_known():
    belief = Belief.model_validate(
        {
            "quantiles": [
                {"share": 0.1, "at": 60_000, "between": [40_000, 90_000]},
                {"share": 0.5, "at": 120_000, "between": [90_000, 160_000]},
            ]
        }
    )
    base = life_model("leaks", Lives.of(), belief)

    def models(ratio):
        return lambda m, r, g: base if g == "original" else base.scaled(ratio, revision=r, grade=g)

    original = (VISIT + 220) / (VISIT + 140)  # the ratio of lives at which both cost the same
    near, far = (study(alone(), models(ratio), draws=400).verdicts[0] for ratio in (0.97 / original, 0.4))
    assert near.kind == "open"
    assert 0.1 < near.chance < 0.5
    assert far.kind == "false economy"


def test_what_a_remedy_does_not_cure_adds_the_cost_of_the_cheapest_that_does():
    seal = {
        "name": "Seal",
        "component": "pump",
        "cures": ["leaks"],
        "operations": ["seal"],
        "parts": {"seal": 1},
    }
    found = study(book_with(remedies={"seal": seal}), lives(leaks=(80e3, 1.0), cracks=(200e3, 1.0)))
    sealed = choice(found, None, "seal")
    leaks = (50 + 60 * 1.2 + 15 + 8 + 10 + 12 + 100) / 80e3
    cracks = (VISIT + 40 + 300) / 200e3  # the economy pump: as long-lived here
    assert sealed.per_distance.value == pytest.approx((leaks + cracks) * 100e3, rel=1e-4)
    assert sealed.breakdown.others == pytest.approx(cracks * 100e3, rel=1e-4)
    assert [b.mode for b in sealed.behind] == ["leaks"]


def test_a_guard_is_no_choice_and_an_unknown_mode_is_left_out_and_named():
    mesh = {
        "name": "Mesh",
        "component": "pump",
        "cures": ["leaks"],
        "kind": "guard",
        "lowers": 0.2,
        "operations": ["mesh"],
    }

    def models(mode, revision, grade):
        if mode == "cracks":
            raise FitError("there is neither a belief nor a record of this mode", "")
        return Known((80e3,), 1.0, grade)

    found = study(book_with(remedies={"mesh": mesh}), models)
    assert {c.remedy for c in found.choices} == {"pump"}
    assert found.unknown == ("cracks",)
    assert choice(found).per_distance.value == pytest.approx((VISIT + 220) / 80e3 * 100e3, rel=1e-4)


def test_a_component_at_several_places_is_reckoned_for_one():
    both = study(component="hose", models=lives(splits=(50e3, 1.0)))
    assert both.position == "upper"
    assert choice(both, "original", "hose").visit_cost == pytest.approx(50 + 60 * 0.2 + 20)


@pytest.mark.parametrize(
    ("wanted", "error"),
    [
        ({"component": "pmup"}, NameNotKnown),
        ({"variant": "b"}, NameNotKnown),
        ({"variant": "c"}, NameNotKnown),
        ({"component": "bare", "models": lives(rusts=(1e5, 1.0))}, ScopeError),
    ],
)
def test_what_does_not_exist_or_cannot_be_cured_is_said(wanted, error):
    with pytest.raises(error):
        study(**wanted)
    with pytest.raises(NameNotKnown):
        economy(
            book_with(), "hose", "a", BUILT, lives(), none, **TERMS, rng=np.random.default_rng(1), position="middle"
        )


def test_the_same_draws_give_the_same_answer():
    base = life_model("leaks", Lives.of(np.linspace(50e3, 150e3, 12), np.full(20, 120e3)))
    a, b = (study(alone(), lambda m, r, g: base, seed=5) for _ in range(2))
    assert a == b
    assert a.choices[0].behind[0].failures == 12


def test_early_failures_come_from_the_records_of_the_grade():
    """From lives of which 15 % are faulty as fitted to the cost: the interval holds what is true."""
    rng = np.random.default_rng(12)
    n = 400
    life = np.where(rng.random(n) < 0.15, rng.uniform(0, 5e3, n), 90e3 * rng.standard_exponential(n) ** 0.35)
    until = rng.uniform(30e3, 150e3, n)
    seen = Lives.of(life[life <= until], until[life > until])
    fitted = fractions(seen, WEIBULL, "early")
    found = choice(study(alone(), early=lambda m, r, g: fitted if g == "economy" else None, draws=200), grade="economy")
    true = 0.15 * 2.5e3 + 0.85 * 90e3 * gamma(1.35)
    assert found.length.low < true < found.length.high
    assert found.per_distance.low < (VISIT + 140) / true * 100e3 < found.per_distance.high
    assert found.behind[0].early.low < 0.15 < found.behind[0].early.high


# the demo family


def test_the_true_order_of_the_demo_pumps():
    """With what is true of the demo fleet the economy pump is a false economy by far; the other two are even."""
    book, truth = load(Path(wearlore.demo.__file__).with_name("book")), Truth.read()
    book = getattr(book, "book", book)
    true, faulty, terms = truth.modes["water-pump-leak"], truth.faulty["water-pump"], book.economics

    def models(mode, revision, grade):
        return Known((true.scale * truth.ratio("water-pump", revision, grade),), true.sigma, grade)

    def early(mode, revision, grade):
        scale = true.scale * truth.ratio("water-pump", revision, grade)
        return KnownEarly(scale, true.sigma, faulty.share, faulty.by) if grade == faulty.grade else None

    values = {name: getattr(terms, name) for name in TERMS}
    found = economy(
        book, "water-pump", "m96", date(2020, 1, 1), models, early, **values, rng=np.random.default_rng(1), draws=8
    )
    per = {c.grade: c.per_distance.value for c in found.choices}
    by_hand = {}
    for c in found.choices:
        mean = true.scale * truth.grades[c.grade] * gamma(1 + true.sigma)
        if c.grade == faulty.grade:
            mean = faulty.share * faulty.by / 2 + (1 - faulty.share) * mean
        by_hand[c.grade] = (c.visit_cost + 170) / mean * 100e3
    assert per == pytest.approx(by_hand, rel=1e-3)
    assert per["economy"] > 1.3 * per["original"]
    assert per["equivalent"] == pytest.approx(per["original"], rel=0.01)
    assert [v.kind for v in found.verdicts if v.cheaper == "economy"] == ["false economy"]
