"""Each mode's chance to be present now, before anything is said: against closed forms and a simulation."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from tests.scope.family import FAMILY, KnownLife
from wearlore.book.model import Book
from wearlore.trace import Cause, Finding, Network, Solver, not_seen, suspects, with_intervals
from wearlore.trace.network import Edge, seen
from wearlore.trace.suspects import OPEN, UNNOTICED
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

BOOK = Book.model_validate(FAMILY)
LIFE = KnownLife(150_000.0, 3.0)


def survival(km, life=LIFE):
    return np.exp(-((km / life.scale) ** life.shape))


def van(*units):
    return Vehicle("van", "a", date(2015, 1, 1), 100_000.0, units)


def unit(component, *states, at_least=100_000.0, position=""):
    return FittedUnit(component, position, "", "original", at_least, states)


def found(vehicle, since, life=LIFE, factors=None):
    lives = (lambda *_: life) if isinstance(life, KnownLife) else lambda mode, *_: life[mode]
    rows = suspects(BOOK, vehicle, lives, since=since, factors=factors or {}, rng=np.random.default_rng(1))
    return {row.name: row for row in rows}


def test_an_evident_mode_has_come_since_the_last_visit():
    row = found(van(unit("seal", ModeState("seal-leaks", 100_000, 100_000))), 12_000.0)["seal-leaks"]
    assert_allclose(row.prior, 1 - survival(112_000) / survival(100_000))
    assert (row.age, row.unseen, row.open) == (112_000, 12_000, False)
    assert_allclose(row.draws, row.prior)  # a life that is known leaves nothing open


def test_an_evident_mode_may_have_gone_unnoticed_at_the_last_visit():
    row = found(van(unit("seal", ModeState("seal-leaks", 100_000, 100_000))), 0.0)["seal-leaks"]
    assert_allclose(row.prior, 1 - survival(100_000) / survival(100_000 - UNNOTICED))
    new = found(van(unit("seal", ModeState("seal-leaks", 200, 200))), 0.0)["seal-leaks"]
    assert new.unseen == 200  # it is no older than the piece


def test_a_hidden_mode_has_come_since_it_was_looked_at():
    row = found(van(unit("clutch", ModeState("clutch-worn", 100_000, 40_000))), 10_000.0)["clutch-worn"]
    assert_allclose(row.prior, 1 - survival(110_000) / survival(40_000))
    assert row.unseen == 70_000


def test_a_hidden_mode_never_looked_at_is_as_old_as_the_vehicle_where_nobody_knows():
    row = found(van(unit("clutch", ModeState("clutch-worn", None, 0.0), at_least=30_000.0)), 5_000.0)["clutch-worn"]
    assert_allclose(row.prior, 1 - survival(105_000))
    assert (row.age, row.unseen) == (None, 105_000)
    looked = ModeState("clutch-worn", None, 20_000.0)
    since_looked = found(van(unit("clutch", looked, at_least=30_000.0)), 5_000.0)["clutch-worn"]
    assert since_looked.unseen == 15_000
    assert since_looked.prior < row.prior


def test_a_fault_open_on_record_is_still_there():
    row = found(van(unit("seal", ModeState("seal-leaks", 100_000, 91_000, present=True))), 1_000.0)["seal-leaks"]
    assert row.open
    assert row.prior == OPEN
    assert set(row.draws) == {OPEN}


def test_an_open_fault_has_sped_up_the_other_since_it_was_found():
    leaking = unit("seal", ModeState("seal-leaks", 100_000, 90_000, present=True))
    mount = unit("mount", ModeState("mount-torn", 60_000, 60_000))
    row = found(van(leaking, mount), 5_000.0)["mount-torn"]  # factor 2 since 10,000 km at the last visit
    assert_allclose(row.prior, 1 - survival(65_000 + 15_000) / survival(60_000 + 10_000))
    judged = found(van(leaking, mount), 5_000.0, factors={("seal-leaks", "mount-torn"): 1.0})["mount-torn"]
    assert_allclose(judged.prior, 1 - survival(65_000) / survival(60_000))


def test_what_a_piece_has_survived_tells_of_its_life():
    life = KnownLife(80_000.0, 4.0, or_scale=300_000.0)
    row = found(van(unit("seal", ModeState("seal-leaks", 120_000, 120_000))), 10_000.0, life)["seal-leaks"]
    short, long = (KnownLife(scale, 4.0) for scale in (80_000.0, 300_000.0))
    before, after = ([survival(km, one) for one in (short, long)] for km in (120_000, 130_000))
    assert_allclose(row.prior, 1 - sum(after) / sum(before))
    assert row.draws.min() < row.prior < row.draws.max() or len(set(row.draws)) == 1


@pytest.mark.parametrize("at_least", [0.0, 45_000.0])
def test_an_age_that_nobody_recorded_is_weighed_by_how_pieces_are_renewed(at_least):
    """Pieces always renewed on failure, up to the last visit; then driven on."""
    life, odometer, since = KnownLife(60_000.0, 3.0), 150_000.0, 15_000.0
    rng = np.random.default_rng(3)
    end = np.cumsum(60_000 * rng.weibull(3.0, (400_000, 24)), axis=1)
    number = (end <= odometer).sum(axis=1)
    fails = np.take_along_axis(end, number[:, None], 1)[:, 0]
    begun = np.where(number > 0, np.take_along_axis(end, np.maximum(number - 1, 0)[:, None], 1)[:, 0], 0.0)
    kept = odometer - begun >= at_least
    expected = np.mean(fails[kept] <= odometer + since)
    state = ModeState("seal-leaks", None, at_least)
    vehicle = replace(van(unit("seal", state, at_least=at_least)), km=odometer)
    row = found(vehicle, since, life)["seal-leaks"]
    assert row.age is None
    assert row.unseen == since
    assert_allclose(row.prior, expected, atol=0.012)  # the ages stand on a grid of 24 steps


@given(
    age=st.floats(1_000, 400_000),
    good=st.floats(0, 1),
    since=st.floats(0, 60_000),
    more=st.floats(0, 60_000),
    hidden=st.booleans(),
    known=st.booleans(),
)
def test_a_chance_it_is_and_it_grows_on_the_road(age, good, since, more, hidden, known):
    mode, component = ("clutch-worn", "clutch") if hidden else ("seal-leaks", "seal")
    state = ModeState(mode, age if known else None, good * age if hidden else age)
    vehicle = replace(van(unit(component, state, at_least=age)), km=400_000.0)
    life = KnownLife(120_000.0, 2.5, or_scale=200_000.0)
    one, two = (found(vehicle, km, life)[mode] for km in (since, since + more))
    assert 0 <= one.prior <= two.prior + 1e-12 <= 1 + 2e-12
    assert ((one.draws >= 0) & (one.draws <= 1)).all()
    assert one.unseen <= (age if known else vehicle.km) + since + 1e-6


def test_positions_are_causes_of_their_own():
    rows = found(van(unit("seal", ModeState("seal-leaks", 9e4, 9e4), position="left")), 1_000.0)
    assert set(rows) == {"seal-leaks@left"}
    assert rows["seal-leaks@left"].unit == "seal/left"


def test_intervals_hold_what_is_not_known_of_the_lives():
    life = KnownLife(110_000.0, 3.0, or_scale=200_000.0)
    vehicle = van(unit("seal", ModeState("seal-leaks", 1e5, 1e5)), unit("gasket", ModeState("gasket-leaks", 1e5, 1e5)))
    rows = tuple(found(vehicle, 2e4, life).values())
    network = Network(
        tuple(Cause(row.name, row.prior) for row in rows),
        (Finding("wet", 0.02, tuple(Edge(row.name, 0.8) for row in rows)),),
    )
    prior, chance = with_intervals(Solver(network), rows, [seen("wet")])["seal-leaks"]
    drawn = rows[0].draws
    assert (prior.low, prior.value, prior.high) == (drawn.min(), rows[0].prior, drawn.max())
    exact = []
    for a, b in zip(*(row.draws for row in rows), strict=True):
        wet = 1 - 0.98 * (1 - 0.8 * a) * (1 - 0.8 * b)
        exact.append(a * (1 - 0.98 * 0.2 * (1 - 0.8 * b)) / wet)
    assert_allclose([chance.low, chance.high], np.quantile(exact, [0.025, 0.975]), rtol=1e-9)
    assert chance.low < chance.value < chance.high
    ruled_out = with_intervals(Solver(network), rows, [not_seen("seal-leaks")])["seal-leaks"][1]
    assert (ruled_out.low, ruled_out.value, ruled_out.high) == (0, 0, 0)
