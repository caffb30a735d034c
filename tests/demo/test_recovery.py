"""From the simulated records, through store and lifetimes, the fits come back to what is true of the fleet."""

from __future__ import annotations

import shutil
from datetime import timedelta
from math import log

import numpy as np
import pytest

from wearlore import demo
from wearlore.life.fit import fit
from wearlore.life.likelihood import LOGNORMAL, WEIBULL
from wearlore.lifetimes import lifetimes, vehicle_at
from wearlore.records.intake import take
from wearlore.records.store import Store

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def whole(book, truth):
    return demo.simulate(book, truth, vans=demo.VANS, rng=np.random.default_rng(demo.SEED))


@pytest.fixture(scope="module")
def stored(book, truth, whole, tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    with Store.open(folder / "records.duckdb") as store:
        for file in whole.write(folder):
            taken = take(store, book, file, today=truth.fleet.records_end + timedelta(1))
            assert (taken.quarantined, taken.stored) == (0, taken.read)
        yield store


@pytest.fixture(scope="module")
def lives(book, stored):
    return lifetimes(stored, book).modes


def fitted(truth, mode, lives):
    return fit(lives, LOGNORMAL if truth.modes[mode].life == "lognormal" else WEIBULL)


def first_original(book, lives, mode):
    """The lives of original parts of the first revision: those that the truth is stated for."""
    revisions = book.components[book.modes[mode].component].revisions
    return lives[mode].select(revision=next(iter(revisions), None), grade="original")


def plain_modes(truth):
    """Modes that nothing accelerates and no oil interval ages."""
    accelerated = {target for factors in truth.accelerates.values() for target in factors}
    return [mode for mode, life in truth.modes.items() if not life.oil and mode not in accelerated]


def test_intervals_hold_the_truth(book, truth, lives):
    """72 intervals of 95 %: fewer than 63 hits has a chance below 1 in 100 if they are honest, bias would cost more."""
    hits, off = [], []
    for mode in plain_modes(truth):
        model = fitted(truth, mode, first_original(book, lives, mode))
        true = truth.modes[mode]
        b10, sigma = model.interval("quantile", 0.1), model.interval("sigma")
        hits += [b10.low <= true.quantile(0.1) <= b10.high, sigma.low <= true.sigma <= sigma.high]
        off.append(log(b10.value / true.quantile(0.1)) / (log(b10.high / b10.low) / (2 * 1.96)))
    assert len(hits) == 72
    assert sum(hits) >= 63
    assert abs(np.mean(off)) < 3 / np.sqrt(len(off))


FLEETS, SMALL = 200, 120
WELL_SEEN = (
    "cam-cover-leak", "belt-tensioner-noise", "egr-valve-sticks", "injector-blow-by",  # evident; one of them cleaned
    "glow-plug-open", "pulley-separation", "hose-ageing",  # hidden
)  # fmt: skip


def test_over_many_small_fleets_the_intervals_cover_what_they_promise(book, truth, tmp_path):
    """95 % intervals, from files to fits: seven modes of 200 fleets of 120 vans are covered in 92 to 98 %."""
    covered: dict[str, list[bool]] = {"B10": [], "shape": []}
    for number in range(FLEETS):
        fleet = demo.simulate(book, truth, vans=SMALL, rng=np.random.default_rng([demo.SEED, number]))
        folder = tmp_path / str(number)
        vehicles, lines, _ = fleet.write(folder)
        with Store.open(folder / "records.duckdb") as store:
            for file in (vehicles, lines):
                take(store, book, file, today=truth.fleet.records_end + timedelta(1))
            modes = lifetimes(store, book).modes
        shutil.rmtree(folder)
        for mode in WELL_SEEN:
            model = fit(first_original(book, modes, mode), WEIBULL)
            true = truth.modes[mode]
            b10, shape = model.interval("quantile", 0.1), model.interval("shape")
            covered["B10"].append(b10.low <= true.quantile(0.1) <= b10.high)
            covered["shape"].append(shape.low <= 1 / true.sigma <= shape.high)
    for what, held in covered.items():
        assert len(held) == FLEETS * len(WELL_SEEN)
        assert 0.92 <= np.mean(held) <= 0.98, (what, np.mean(held))


def test_a_better_chain_is_seen_to_be_better(book, truth, lives):
    ratios = truth.revisions["timing-chain"]
    first, second = (lives["chain-stretch"].select(revision=r, grade="original") for r in ("A", "B"))
    measured = fit(second, WEIBULL).quantile(0.1) / fit(first, WEIBULL).quantile(0.1)
    assert measured == pytest.approx(ratios["B"] / ratios["A"], rel=0.15)


def test_the_second_filter_housing_never_cracks(lives):
    assert lives["filter-housing-crack"].select(revision="A").failures > 0
    assert lives["filter-housing-crack"].select(revision="B").total == 0


def test_an_economy_pump_fails_early(truth, lives):
    faulty = truth.faulty["water-pump"]
    early = {}
    for grade in ("original", "economy"):
        own = lives["water-pump-leak"].select(grade=grade)
        fresh = own.where(own.entry == 0)
        failed = fresh.where(fresh.exact & (fresh.lower <= faulty.by))
        early[grade] = failed.total / fresh.total
    assert early["economy"] == pytest.approx(faulty.share, rel=0.35)
    assert early["original"] < 0.005


@pytest.mark.parametrize("target", ["belt-cracks", "lower-mount-rubber"])
def test_what_is_accelerated_lives_shorter_than_left_alone(book, truth, lives, target):
    """The truth is that of a unit left alone; in this fleet a part of them sat in oil."""
    model = fitted(truth, target, first_original(book, lives, target))
    assert model.interval("quantile", 0.1).high < truth.modes[target].quantile(0.1) * 1.01


def test_the_default_van_as_the_tool_sees_it(book, whole, stored):
    van = demo.default_van(whole)
    assert van.mode == "chain-stretch"
    seen = vehicle_at(stored, book, van.vehicle).unit(van.component)
    assert [state.present for state in seen.modes if state.mode == van.mode] == [True]
