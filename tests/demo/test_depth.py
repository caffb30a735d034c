"""What the simulator put into the fleet is found, with intervals that hold the truth; nothing else is claimed."""

from __future__ import annotations

import shutil
from datetime import timedelta
from math import exp, log

import numpy as np
import pytest

from wearlore import demo
from wearlore.demo.folder import lay_out
from wearlore.life import Factor, acceleration, compare, fractions_study
from wearlore.lifetimes import exposed, lifetimes
from wearlore.records.intake import take
from wearlore.records.store import Store
from wearlore.workbench import Workbench, silent

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def bench(tmp_path_factory, truth):
    folder = tmp_path_factory.mktemp("depth") / "demo"
    van = lay_out(folder, vans=demo.VANS, progress=silent)
    bench = Workbench(folder)
    bench.take(van.files, today=truth.fleet.records_end + timedelta(1))
    return bench


def contrast(found, level):
    return found.comparison.contrast(level)


def held(estimate, true):
    return estimate.low <= true <= estimate.high


def test_the_revision_that_helped_is_found(bench, truth):
    found = bench.compare("chain-stretch", "revision", beside=["grade", "duty"])
    better = contrast(found, "B")
    assert better.verdict == "longer"
    assert held(better.ratio.estimate, truth.revisions["timing-chain"]["B"])


def test_the_oil_interval_is_found_as_a_habit_and_as_a_number(bench, truth):
    """All intervals of the chain hold the truth. Of the turbocharger that for 30,000 km misses it by 0.005 in this
    fleet (in ten others none did): it has to lie within three standard errors."""
    by_km = {interval.km: interval for interval in truth.fleet.oil_intervals}
    slope = log(by_km[30_000].ageing / by_km[12_000].ageing) / 18_000
    true = by_km[12_000].ageing, by_km[30_000].ageing, exp(10_000 * slope)
    for mode, beside in (("chain-stretch", ["revision", "grade"]), ("turbo-shaft-play", ["grade"])):
        assert truth.modes[mode].oil
        found = bench.compare(mode, "duty", beside=beside)
        short, long = contrast(found, by_km[12_000].duty), contrast(found, by_km[30_000].duty)
        (per_step,) = bench.compare(mode, "interval:engine-oil", beside=beside).comparison.contrasts
        assert [one.verdict for one in (short, long, per_step)] == ["longer", "shorter", "shorter"]
        for one, ratio in zip((short, long, per_step), true, strict=True):
            error = log(one.ratio.wald.high / one.ratio.wald.low) / (2 * 1.96)
            assert abs(log(one.ratio.estimate.value / ratio)) < 3 * error
            assert mode != "chain-stretch" or held(one.ratio.estimate, ratio)


def test_the_economy_pumps_early_failures_are_found_and_nobody_elses(bench, truth):
    faulty = truth.faulty["water-pump"]
    seen = bench.lifetimes.modes["water-pump-leak"]
    for grade in ("original", "equivalent", "economy"):
        leading = fractions_study(seen.select(grade=grade)).leading
        assert leading is not None
        if grade == faulty.grade:
            assert leading.early.verdict == "needed"
            assert held(leading.early.share, faulty.share)
        else:
            assert leading.early.verdict != "needed"


@pytest.mark.parametrize(
    ("by", "mode"), [("front-seal-leak", "belt-cracks"), ("filter-housing-leak", "lower-mount-rubber")]
)
def test_the_fault_that_speeds_up_another_is_found(bench, truth, by, mode):
    found = bench.while_present(mode, by).acceleration
    assert found.verdict == "shortens"
    assert held(found.together, truth.accelerates[by][mode])
    assert held(found.record, truth.accelerates[by][mode])


def test_a_false_economy_is_told_as_one(bench):
    (pump,) = [
        v for v in bench.economy("water-pump").economy.verdicts if {v.cheaper, v.dearer} == {"economy", "original"}
    ]
    assert pump.kind == "false economy"


def test_a_chain_reads_its_elongation_and_what_it_has_left(bench, truth):
    found = bench.drift("chain-phase")
    assert held(found.drift.kappa, truth.reading.curve)
    assert held(found.drift.intercept, truth.reading.new)
    assert held(found.drift.noise, truth.reading.noise)


FLEETS, SMALL = 200, 90
NO_EFFECT = (  # mode, compared by what: the truth knows no difference
    ("cam-cover-leak", "variant"), ("belt-tensioner-noise", "duty"), ("injector-blow-by", "position"),  # evident
    ("glow-plug-open", "variant"), ("hose-ageing", "duty"),  # hidden
)  # fmt: skip
NO_ACCELERATION = ("cam-cover-leak", "belt-tensioner-noise")


def test_where_nothing_differs_the_tool_claims_nothing(book, truth, tmp_path):
    """Over 200 fleets of 90 vans at most 5 % of the comparisons claim something, and of the factors of acceleration."""
    claims: dict[str, list[bool]] = {"differs": [], "accelerates": [], "early": []}
    for number in range(FLEETS):
        fleet = demo.simulate(book, truth, vans=SMALL, rng=np.random.default_rng([demo.SEED, 7, number]))
        folder = tmp_path / str(number)
        vehicles, lines, _ = fleet.write(folder)
        with Store.open(folder / "records.duckdb") as store:
            for file in (vehicles, lines):
                take(store, book, file, today=truth.fleet.records_end + timedelta(1))
            modes = lifetimes(store, book, by=["duty", "position"]).modes
            by, target = NO_ACCELERATION
            seen = exposed(store, book, target, by)
        shutil.rmtree(folder)
        for mode, what in NO_EFFECT:
            column = modes[mode].column(what)
            levels, codes = np.unique(column, return_inverse=True)
            found = compare(modes[mode].lives, Factor(what, tuple(levels.tolist()), codes))
            claims["differs"].append(any(one.verdict in ("longer", "shorter") for one in found.contrasts))
        claims["accelerates"].append(acceleration(seen.lives, seen.exposure).verdict == "shortens")
        if number % 4 == 0:
            leading = fractions_study(modes["cam-cover-leak"].select(grade="original")).leading
            claims["early"].append(leading is not None and leading.early.verdict == "needed")
    for what, claimed in claims.items():
        assert np.mean(claimed) <= 0.05, (what, np.mean(claimed), len(claimed))
