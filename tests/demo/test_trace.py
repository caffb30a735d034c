"""Vans of which all is known: the chances of a trace hold, and following it costs less than the habits."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta
from itertools import islice
from shutil import copytree

import numpy as np
import pytest

from wearlore import demo
from wearlore.demo.curing import (
    POLICIES,
    advice,
    commonest_first,
    likeliest_for_its_cost,
    likeliest_tested_first,
    truth_known,
)
from wearlore.demo.faulty import NOTICED, complaint, drawn_findings, driven_on, looked_at, visits
from wearlore.demo.fleet import run
from wearlore.trace import Network, Solver
from wearlore.trace.calibration import calibration
from wearlore.workbench import Workbench

VANS = 1_500  # whose records are there
DRIVEN, BILLED = 300, 60  # of these: driven on, and cured under every policy


@pytest.fixture(scope="module")
def shop(truth, tmp_path_factory):
    """A bench with the records of a fleet, and its vans as their last visit left them."""
    folder = tmp_path_factory.mktemp("vans")
    copytree(demo.BOOK, folder / "book")
    bench = Workbench(folder)
    fleet, vans = run(bench.book, truth, vans=VANS, rng=np.random.default_rng(31))
    bench.take(fleet.write(folder / "files"), today=truth.fleet.records_end + timedelta(1))
    return bench, vans


@pytest.fixture(scope="module")
def few(shop):
    """Twenty vans driven on."""
    bench, vans = shop
    return list(visits(bench, vans[:20], rng=np.random.default_rng(1)))


def came_in(driven, rng, **how):
    """(tracing, complaint) of those that come in."""
    return [(t, come) for t, present in driven if (come := complaint(t, present, rng=rng, **how))]


# ------------------------------------------------------------------------------------------------------------ the vans
def test_a_van_driven_no_further_has_what_its_records_left_open(shop):
    bench, vans = shop
    for van in vans[:30]:
        units = bench.vehicle(van.facts.id).units
        names = {
            (f"{state.mode}@{unit.position}" if unit.position else state.mode)
            for unit in units
            for state in unit.modes
            if state.present
        }
        assert names <= driven_on(van, 0)


def test_the_further_the_more_is_wrong_and_the_van_itself_stays(shop):
    _, vans = shop
    before = [van.km for van in vans]
    near, far, end = ([driven_on(van, km) for van in vans[:200]] for km in (0, 20_000, 3_000_000))
    assert all(a <= b <= c for a, b, c in zip(near, far, end, strict=True))
    assert sum(map(len, near)) < sum(map(len, far)) < sum(map(len, end))
    assert [van.km for van in vans] == before


def test_a_van_that_comes_at_its_notice_has_an_evident_failure_that_is_new(shop):
    bench, vans = shop
    some = list(islice(visits(bench, vans[:200], at_notice=True, rng=np.random.default_rng(3)), 8))
    assert len(some) == 8
    for tracing, present in some:
        (van,) = (van for van in vans if van.facts.id == tracing.case.vehicle.id)
        new = {name.partition("@")[0] for name in present - driven_on(van, 0)}
        assert any(bench.book.modes[mode].noticed == "evident" for mode in new)


def test_findings_come_as_often_as_the_book_says(few):
    case, rng, draws = few[0][0].case, np.random.default_rng(0), 4_000
    there = Counter(f for _ in range(draws) for f in drawn_findings(case, frozenset({"cam-cover-leak"}), rng=rng))
    observations = case.book.observations
    smell = 1 - (1 - observations["burnt-oil-smell"].leak) * (
        1 - case.book.modes["cam-cover-leak"].observations["burnt-oil-smell"]
    )
    assert there["burnt-oil-smell"] / draws == pytest.approx(smell, abs=4 * (smell * (1 - smell) / draws) ** 0.5)
    leak = observations["belt-squeal"].leak
    assert there["belt-squeal"] / draws == pytest.approx(leak, abs=4 * (leak * (1 - leak) / draws) ** 0.5)
    below = case.book.zones["top"].runs_to["gearbox-end"]  # wet above, so wet below with its share
    assert there["oil-at-gearbox-end"] / draws > 0.8 * below > 2 * observations["oil-at-gearbox-end"].leak


def test_the_driver_tells_what_shows_by_itself_and_denies_a_share_of_the_rest(few):
    tracing, rng = few[0][0], np.random.default_rng(5)
    kinds = {id_: o.kind for id_, o in tracing.book.observations.items()}
    noticeable = sum(kind in NOTICED for kind in kinds.values())
    come = [complaint(tracing, frozenset({"cam-cover-leak"}), denied=0.3, rng=rng) for _ in range(300)]
    told = [c.told for c in come if c]
    assert all(kinds[one.about] in NOTICED for said in told for one in said)
    assert all(any(one.present for one in said) for said in told)
    denied = [sum(not one.present for one in said) / (noticeable - sum(one.present for one in said)) for said in told]
    assert np.mean(denied) == pytest.approx(0.3, abs=0.02)
    assert 0 < len(told) < 300  # some have nothing to tell and stay away


def test_a_look_shows_what_its_accuracy_lets_it(few):
    """Oil stands in the boost pipe or not; who wipes it sees that with the book's sensitivity and specificity."""
    tracing, rng = few[0][0], np.random.default_rng(6)
    sure = tracing.book.inspections["feel-shaft"].observes["oil-in-boost-pipe"]
    brought = tracing.book.modes["turbo-shaft-play"].observations["oil-in-boost-pipe"]
    leak = tracing.book.observations["oil-in-boost-pipe"].leak
    for present, there in ((set(), leak), ({"turbo-shaft-play"}, 1 - (1 - leak) * (1 - brought))):
        come = [complaint(tracing, frozenset(present), rng=rng) for _ in range(1_500)]
        seen = [c.shows["feel-shaft", "oil-in-boost-pipe"] for c in come if c]
        chance = there * sure.sensitivity + (1 - there) * (1 - sure.specificity)
        assert np.mean(seen) == pytest.approx(chance, abs=4 * (chance * (1 - chance) / len(seen)) ** 0.5)


# ------------------------------------------------------------------------------------------------------------ the bills
def test_who_goes_on_until_nothing_is_left_repairs_at_least_what_is_there(few):
    for tracing, come in came_in(few, np.random.default_rng(7)):
        for policy in (likeliest_for_its_cost, commonest_first, likeliest_tested_first):
            bill = policy(tracing, come)
            assert bill.left == 0
            assert bill.total == bill.looks + bill.repairs + bill.checks
        by_chance, known = likeliest_for_its_cost(tracing, come), truth_known(tracing, come)
        assert by_chance.number == known.left == 0
        assert known.total <= by_chance.repairs + 1e-6


def test_what_was_found_good_by_mistake_is_cured_in_the_end(few):
    for tracing, come in came_in(few, np.random.default_rng(11)):
        blind = replace(come, shows=dict.fromkeys(come.shows, False))
        bill = likeliest_tested_first(tracing, blind)
        assert bill.number > 0
        assert bill.left == 0


def test_with_nothing_wrong_the_first_repair_in_vain_is_the_last(few):
    """The check after it says so: one repair and one check are paid, those that the order puts first."""
    for tracing, come in came_in(few, np.random.default_rng(8)):
        sound = replace(come, present=frozenset())
        facts = tracing.case.facts(come.told)
        asked = set(tracing.solver.in_question(facts))
        able = [r for r in tracing.means.repairs() if asked & set(r.cures)]
        chance = {r.name: 1 - tracing.solver.none_of(facts, sorted(asked & set(r.cures))) for r in able}
        first = max(able, key=lambda r: chance[r.name] / r.cost)
        often = max(
            able,
            key=lambda r: sum(
                tracing.evidence[m].failures for m in {c.partition("@")[0] for c in r.cures if c in asked}
            ),
        )
        check = tracing.means.stakes(asked).check
        assert likeliest_for_its_cost(tracing, sound).total == pytest.approx(first.cost + check)
        assert commonest_first(tracing, sound).total == pytest.approx(often.cost + check)


def test_with_nothing_wrong_the_advice_pays_for_looks_and_its_first_step(few):
    for tracing, come in came_in(few, np.random.default_rng(9)):
        bill, told, opened, paid = advice(tracing, replace(come, present=frozenset())), come.told, set(), 0.0
        while (step := tracing.next_step(told, opened)).look:
            paid += step.look.cost(tracing.means.per_minute)
            told += come.seen(step.look)
            opened |= set(tracing.book.inspections[step.look.name].needs)
        able = {repair.name: repair.cost for repair in tracing.means.repairs(opened)}
        first = step.acting.steps[0].repairs if step.acting.steps else ()
        assert bill.looks == pytest.approx(paid)
        assert bill.repairs == pytest.approx(sum(able[name] for name in {*first, *step.acting.beside}))
        assert bill.checks == tracing.means.stakes(()).check
        assert bill.left == 0


def test_the_advice_goes_on_until_what_can_be_cured_is(few):
    for tracing, come in came_in(few, np.random.default_rng(10)):
        bill = advice(tracing, come)
        assert bill.left == 0
        assert (
            bill.repairs + bill.looks >= truth_known(tracing, come).total - 1e-6
        )  # what a look laid open is paid there


# ------------------------------------------------------------------------------------------------------ the two results
@pytest.fixture(scope="module")
def driven(shop):
    bench, vans = shop
    return list(visits(bench, vans[:DRIVEN], rng=np.random.default_rng(2)))


def chances(driven, network=lambda network: network):
    """Stated for what is in question, and whether it is there; after up to two looks by chance."""
    rng, stated, found = np.random.default_rng(4), [], []
    for tracing, come in came_in(driven, rng):
        facts = tracing.case.facts(looked_at(tracing, come, int(rng.integers(3)), rng=rng))
        solver = Solver(network(tracing.case.network))
        chance = solver.posterior(facts).chance
        for name in solver.in_question(facts):
            stated.append(min(chance[name], 1.0))
            found.append(name in come.present)
    return calibration(stated, found, rng=rng)


def tripled(network: Network) -> Network:
    causes = tuple(replace(cause, prior=min(3 * cause.prior, 0.99)) for cause in network.causes)
    return Network(causes, network.findings)


@pytest.mark.slow
def test_stated_chances_are_found_as_often_and_wrong_ones_are_not(driven):
    """Lives are fitted from the fleet's own records; the second part shows that the measure can see a fault."""
    held = chances(driven)
    assert held.count > 1_800
    assert held.error.value < 0.03
    assert abs(held.bias.value) < 0.02
    assert held.skill is not None
    assert held.skill.low > 0.4
    broken = chances(driven, tripled)
    assert broken.error.low > 0.03
    assert broken.beyond_chance


@pytest.mark.slow
def test_following_the_advice_costs_less_than_the_habits(driven):
    vans = came_in(driven, np.random.default_rng(10))[:BILLED]
    costs = {name: np.array([policy(*van).total for van in vans]) for name, policy in POLICIES.items()}
    drawn = np.random.default_rng(0).integers(len(vans), size=(2_000, len(vans)))

    def at_most(habit: str) -> float:
        """Upper end of the 90 % interval of the ratio, vans drawn in pairs."""
        return float(np.quantile(costs["advice"][drawn].sum(1) / costs[habit][drawn].sum(1), 0.95))

    assert at_most("commonest first") < 0.70
    assert at_most("chance over cost") < 1.0
