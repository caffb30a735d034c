"""Lines and their tables against the reckoning of one unit by `UnitWorth`, and choices against every subset."""

from itertools import product

import numpy as np
import pytest
from numpy.testing import assert_allclose

from wearlore.book.model import Belief, Quantile
from wearlore.due.choice import Offered, Shop, choices
from wearlore.due.line import DRAWS, States, line_of, worths
from wearlore.due.table import Table
from wearlore.life import life_model
from wearlore.lives import Lives
from wearlore.renewal import Cure, Draws, Effect, ModeRisk, Span, UnitWorth

SPAN = Span(100e3, 2e-6, 100)
RENEW = Effect(frozenset({"leaks"}), "", "original")
OTHER = Effect(frozenset({"leaks"}), "", "economy")
CLEAN = Effect(frozenset({"leaks"}), "", "original", restores=0.6)
GUARD = Effect(frozenset({"leaks"}), "", "original", lowers=0.5)
EFFECTS = [RENEW, OTHER, CLEAN, GUARD]
JUDGED = Belief(
    quantiles=(
        Quantile(share=0.1, at=60e3, between=(40e3, 80e3)),
        Quantile(share=0.5, at=130e3, between=(100e3, 170e3)),
    )
)
MODEL = life_model("leaks", Lives.of(), JUDGED)


def models(mode, revision, grade):
    return MODEL if grade == "original" else MODEL.scaled(0.6, grade=grade)


def unit(age, seen, *, hidden, odometer=150e3, at_least=150e3):
    risk = ModeRisk("leaks", age, seen, 200.0, hidden, lambda revision: True)
    draws = {"leaks": Draws.of(64, rng=np.random.default_rng(1))}
    return UnitWorth([risk], [Cure("renew", RENEW, 300.0)], "", "original", odometer, at_least, models, SPAN, draws)


def line(hidden):
    worth = unit(0.0, 0.0, hidden=hidden)
    return line_of(worth, worth.groups[0], EFFECTS, {"leaks": 0.25})


def states(age, seen, odometer=0.0, at_least=0.0, unknown=False):
    columns = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x, float)) for x in (age, seen, odometer, at_least)))
    return States(columns[0][:, None], columns[1][:, None], columns[2], columns[3], unknown)


@pytest.mark.parametrize(("age", "seen", "hidden"), [(0, 0, False), (90e3, 90e3, False), (90e3, 20e3, True)])
def test_a_line_costs_what_the_unit_costs(age, seen, hidden):
    found, worth = worths(line(hidden), states(age, seen), SPAN), unit(age, seen, hidden=hidden)
    left, chance = worth.later(None, 0.0, DRAWS)
    assert_allclose(found.cost[0, 0], left, rtol=2e-3)
    assert found.chance[0, -1] == pytest.approx(chance.mean(), rel=1e-3)
    assert_allclose(found.stranded, 0.25 * found.chance)
    for column, effect in enumerate(EFFECTS, start=2):
        assert_allclose(found.cost[0, column], worth.later(effect, 0.0, DRAWS)[0], rtol=5e-3)


@pytest.mark.parametrize("hidden", [False, True])
def test_an_age_that_nobody_knows_costs_what_the_unit_costs(hidden):
    worth = unit(None, 50e3 if hidden else 60e3, hidden=hidden, odometer=180e3, at_least=60e3)
    unseen = 10e3 if hidden else 0.0
    found = worths(line(hidden), states(unseen, 0.0, 180e3, 60e3, unknown=True), SPAN)
    assert_allclose(found.cost[0, 0], worth.later(None, 0.0, DRAWS)[0], rtol=3e-3)
    assert_allclose(found.cost[0, 4], worth.later(CLEAN, 0.0, DRAWS)[0], rtol=5e-3)


@pytest.mark.parametrize("hidden", [False, True])
@pytest.mark.parametrize("unknown", [False, True])
def test_between_the_points_of_a_table_it_is_right_too(hidden, unknown):
    rng = np.random.default_rng(2)
    n = 500
    if unknown:
        odometer = rng.uniform(20e3, 300e3, n)
        at_least = odometer * rng.uniform(0, 1, n)
        unseen = at_least * rng.uniform(0, 1, n) * hidden
        asked = states(unseen, np.zeros(n), odometer, at_least, unknown=True)
    else:
        age = rng.uniform(0, 300e3, n)
        asked = states(age, age * (rng.uniform(0, 1, n) if hidden else 1.0))
    one = line(hidden)
    table = Table(one, np.array([hidden]), SPAN, 300e3).at(asked)
    true = Table(one, np.array([hidden]), SPAN, 300e3, exact=True).at(asked)
    scale = 500.0  # money: a failure with its cure
    off = np.abs(table.cost - true.cost)
    assert off.mean() < (0.015 if unknown else 0.008) * scale
    assert np.quantile(off, 0.99) < (0.06 if unknown else 0.04) * scale
    assert np.abs(table.chance - true.chance).mean() < 0.01
    some = np.arange(0, n, 7)
    assert_allclose(table.draws(some, 0).mean(axis=1), table.cost[some, 0])
    assert_allclose(true.draws(some, 3).mean(axis=1), true.cost[some, 3])


def shop_of(units, rng):
    """A shop with two remedies of some units, steps that are shared, companions."""
    steps = {f"s{k}": float(rng.uniform(5, 60)) for k in range(4)}
    offered = []
    for u in range(units):
        for remedy in range(int(rng.integers(1, 3))):
            needs = frozenset(name for name in steps if rng.random() < 0.5)
            offered.append(
                Offered(u, f"r{u}{remedy}", "", "", needs, float(rng.uniform(5, 40)), frozenset({f"m{u}"}), (), False)
            )
    with_first = [o for o, one in enumerate(offered) if one.unit == 1]
    offered = [
        one
        if one.unit != 0
        else Offered(0, one.remedy, "", "", one.needs, one.money, one.cures, ((with_first[0],),), False)
        for one in offered
    ]
    return offered, steps


def best_by_hand(offered, steps, saving, faulty, units):
    """The best of every choice of at most one option for each unit."""
    best = -np.inf
    options = [[None, *(o for o, one in enumerate(offered) if one.unit == u)] for u in range(units)]
    for picked in product(*options):
        chosen = [o for o in picked if o is not None]
        if any(faulty[u] and picked[u] is None for u in range(units)):
            continue
        if any(not set(group) & set(chosen) for o in chosen for group in offered[o].brings):
            continue
        paid = frozenset().union(*(offered[o].needs for o in chosen))
        worth = sum(saving[o] - offered[o].money for o in chosen) - sum(steps[s] for s in paid)
        best = max(best, worth)
    return best


@pytest.mark.parametrize("seed", range(25))
def test_the_choice_is_the_best_of_all_subsets(seed):
    rng = np.random.default_rng(seed)
    offered, steps = shop_of(4, rng)
    saving = rng.uniform(0, 130, (6, len(offered)))
    faulty = rng.random((6, 4)) < 0.3
    able = np.ones((6, len(offered)), bool)
    found = choices(Shop.of(offered, steps, ()), saving, able, faulty)
    for v in range(6):
        assert found.worth[v] == pytest.approx(best_by_hand(offered, steps, saving[v], faulty[v], 4), abs=1e-6)
