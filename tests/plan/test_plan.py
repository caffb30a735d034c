"""The plan of a small family: money, ceilings, what is asked for, grouping, calendar, and what would change it."""

from dataclasses import replace
from itertools import product
from math import inf

import numpy as np
import pytest

from tests.plan.family import BOOK, TERMS, VEHICLE, builder, model, planned, weighed
from wearlore.errors import NameNotKnown, PlanError
from wearlore.estimate import Estimate
from wearlore.plan import PER, Asked, Measured, Terms, calendar, changes, oil_choice
from wearlore.plan.grouping import grouped, tasks_of, together
from wearlore.vehicle import ModeState

RNG = np.random.default_rng


@pytest.fixture(scope="module")
def whole():
    return planned()


@pytest.fixture(scope="module")
def each():
    return {one.subject.mode: one for one in weighed()}


def by_mode(plan):
    return {mode.mode: mode for mode in plan.modes}


def test_money_of_a_subject_is_that_of_its_visit(each):
    belt = each["cracks"].subject
    assert belt.planned == 40  # the part; the steps are labour
    assert belt.steps == {"cover", "change-belt"}
    assert belt.failure == pytest.approx(60 * 1.3 + 40 + 100 + 500)
    (sight,) = belt.sights
    assert sight.sensitivity == pytest.approx(0.81)
    assert sight.steps == {"cover", "(look: look)"}
    assert sight.money == pytest.approx(0.05 * (60 + 5))  # a false alarm looks once more


def test_what_lasts_at_random_is_left_until_it_fails(whole):
    assert by_mode(whole)["burns"].chosen.kind == "run-to-failure"


def test_cost_of_an_option_is_its_events_times_money(each):
    one = each["leaks"]
    option = next(o for o in one.options() if o.kind == "renew" and o.every == 80_000)
    good = model("leaks", "", "original").sf(80_000)
    planned_money = 20 + 60 * 1.6
    cycle = np.trapezoid(model("leaks", "", "original").sf(np.linspace(1, 80_000, 400)), dx=80_000 / 399)
    expected = PER * (planned_money * good + (planned_money + 800) * (1 - good)) / cycle
    assert option.cost.value == pytest.approx(float(expected), rel=0.01)


def test_positions_are_paid_one_by_one_and_looked_at_together(each):
    one = each["burns"]
    assert one.places == 2
    option = next(iter(one.options()))
    length = one.events("run-to-failure", "").length[:, 0]
    assert option.cost.value == pytest.approx(
        PER * 2 * (5 + 6 + 100) * float(one.subject.life.weight @ (1 / length)), rel=1e-9
    )


def test_a_mode_that_harms_the_engine_keeps_to_its_ceiling(whole):
    chain = by_mode(whole)["stretches"]
    assert chain.ceiling == 0.05
    assert chain.chosen.held
    assert chain.chosen.risk.value <= 0.05
    left = next(option for option in chain.options if option.kind == "run-to-failure")
    assert not left.held


def test_without_a_ceiling_money_decides():
    free = replace(TERMS, ceilings={})
    chain = by_mode(planned(free))["stretches"]
    assert chain.ceiling is None
    assert chain.chosen.cost.value == pytest.approx(min(option.cost.value for option in chain.options))


def test_a_strategy_by_name_that_breaks_the_ceiling_is_refused():
    with pytest.raises(PlanError, match=r"stretches \(engine-damage\): run to failure breaks the ceiling") as refused:
        planned(stretches=Asked("run-to-failure", inf))
    assert "--strategy stretches=" in str(refused.value)


def test_a_strategy_by_name_that_holds_is_taken_and_rounded_to_a_service():
    found = by_mode(planned(leaks=Asked("renew", 90_000)))["leaks"]
    assert found.asked
    assert found.chosen.kind == "renew"
    assert found.chosen.every in (80_000, 100_000)


def test_where_nothing_holds_the_least_risk_is_taken_and_said():
    hard = replace(TERMS, ceilings={"engine-damage": 1e-15})
    chain = by_mode(planned(hard))["stretches"]
    assert chain.unheld
    assert chain.chosen.risk.value == pytest.approx(min(o.risk.value for o in chain.options), abs=1e-4)
    assert by_mode(planned(hard, stretches=Asked(chain.chosen.kind, chain.chosen.every)))["stretches"].asked


def test_what_cannot_be_looked_for_cannot_be_asked_for():
    with pytest.raises(PlanError, match="leaks cannot be inspected for"):
        planned(leaks=Asked("inspect", 20_000))
    with pytest.raises(NameNotKnown, match="leaks"):
        planned(leeks=Asked("renew", 20_000))


@pytest.mark.parametrize(
    "wrong",
    [{"service_every": 0}, {"horizon": -1}, {"labour_rate": float("nan")}, {"ceilings": {"injury": 0}}],
    ids=lambda wrong: next(iter(wrong)),
)
def test_terms_that_make_no_sense(wrong):
    with pytest.raises(PlanError, match="It must be"):
        replace(TERMS, **wrong)


def test_grouping_is_as_good_as_the_best_of_all_combinations():
    items = [one for one in weighed() if one.subject.mode in ("cracks", "leaks", "stretches")]
    prices = builder().prices
    choices = []
    for one in items:
        every = [o for o in one.options() if o.kind == "renew" and 60_000 <= o.every <= 160_000]
        choices.append(tasks_of(one, every))
    _, cost = grouped(choices, prices, TERMS.service_every)
    best = min(PER * together(tasks, prices, TERMS.service_every) for tasks in product(*choices))
    assert cost == pytest.approx(best, rel=2e-3)


def test_sharing_access_never_costs_more_than_standing_alone(whole):
    assert whole.grouped <= whole.alone
    assert whole.saving == pytest.approx(whole.alone - whole.grouped)
    assert all(mode.chosen.every % 20_000 == 0 for mode in whole.modes if mode.chosen.kind != "run-to-failure")


def test_two_on_one_turn_pay_the_cover_once():
    prices = builder().prices
    belt, seal = (
        tasks_of(one, [next(o for o in one.options() if o.kind == "renew" and o.every == 80_000)])[0]
        for one in weighed()
        if one.subject.mode in ("cracks", "leaks")
    )
    apart = sum(together([task], prices, 20_000) for task in (belt, seal))
    both = together([belt, seal], prices, 20_000)
    share = float(np.prod([task.share[0] for task in (belt, seal)]))
    assert apart - both == pytest.approx(60 * share / 80_000, rel=1e-6)


def test_calendar_of_a_new_vehicle(whole):
    services = calendar(whole, VEHICLE, weighed(), builder().prices, 200_000)
    assert [service.km for service in services] == [20_000.0 * n for n in range(1, 11)]
    for mode in whole.modes:
        due = [s.km for s in services for job in s.jobs if mode.mode in job.modes]
        every = mode.chosen.every
        assert due == ([] if every == inf else [every * n for n in range(1, int(200_000 / every) + 1)])
    first = next(service for service in services if service.jobs)
    assert first.money > 0


def test_calendar_of_an_old_vehicle_whose_ages_are_known_in_part(whole):
    wanted = planned(leaks=Asked("renew", 100_000))
    units = []
    for unit in VEHICLE.units:
        states = tuple(
            ModeState(s.mode, None if s.mode == "leaks" else 30_000.0, 30_000.0, s.mode == "cracks") for s in unit.modes
        )
        units.append(replace(unit, modes=states))
    old = replace(VEHICLE, km=153_000.0, units=tuple(units))
    first, *_ = calendar(wanted, old, weighed(), builder().prices, 100_000)
    jobs = {job.modes: job for job in first.jobs}
    assert first.km == 160_000
    assert jobs["cracks",].kind == "cure"
    assert jobs["leaks",].kind == "renew"
    assert jobs["leaks",].guessed


def test_what_would_change_the_answer_does(each):
    one = each["stretches"]
    best = min(one.options(), key=lambda o: o.cost.value).kind
    found = tuple(changes(one, best))
    assert found
    for change in found:
        assert change.kind != best
        if change.what == "life":
            other = replace(one, subject=replace(one.subject, life=one.subject.life.scaled(change.factor)))
            costs = {}
            for option in other.options():
                costs[option.kind] = min(option.cost.value, costs.get(option.kind, inf))
            assert costs[change.kind] == pytest.approx(costs[best], rel=1e-3)
            assert costs[change.kind] == min(costs[kind] for kind in costs if kind != best)


def oil(ratio: float, change: float = 150.0, **rest):
    one = next(w for w in weighed() if w.subject.mode == "stretches")
    left = next(iter(one.options()))
    effect = Measured("stretches", Estimate(ratio, ratio * 0.95, ratio * 1.05), 10_000, 20_000)
    every = (10_000, 15_000, 20_000, 25_000, 30_000, 40_000)
    return oil_choice([(one, left, effect)], every, change, 20_000, (12_000, 30_000), rng=RNG(1), **rest)


def test_oil_that_does_nothing_is_changed_as_seldom_as_can_be():
    found = oil(1.0)
    assert found.best.value == 40_000
    assert found.beyond


def test_the_more_oil_ages_the_sooner_it_is_changed():
    best = [oil(ratio).best.value for ratio in (0.9, 0.6, 0.35)]
    assert best == sorted(best, reverse=True)
    assert best[0] > best[-1]
    assert oil(0.6, change=0.0).best.value == 10_000


def test_oil_at_the_usual_interval_costs_changes_and_the_plain_strategy():
    one = next(w for w in weighed() if w.subject.mode == "stretches")
    left = next(iter(one.options()))
    found = oil(0.7, draws=4000)
    assert found.cost[2].value == pytest.approx(left.cost.value + PER * 150 / 20_000, rel=0.01)
    assert found.cost[2].low < found.cost[2].value < found.cost[2].high


def test_oil_that_makes_no_sense():
    with pytest.raises(PlanError, match="an oil change costs -1"):
        oil(0.7, change=-1)
    with pytest.raises(PlanError, match="no intervals"):
        oil_choice([], (0, 1), 1, 1, (1, 2), rng=RNG(1))


def test_a_cure_that_ends_a_mode_is_not_planned_but_said():
    assert not builder().ended("cracks")
    assert isinstance(TERMS, Terms)
    assert len(tuple(builder().subjects())) == len(BOOK.modes)
