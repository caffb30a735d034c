"""The dynamic choice: the published bus study, and its fixed point by another way."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from tests.plan.lives import rows
from wearlore.errors import FitError
from wearlore.plan import Months, Wear, choice, habit

WEAR = Wear(np.array([0.4, 0.5, 0.1]), 30, 0.9)


@pytest.fixture(scope="module")
def months() -> Months:
    table = rows("plan_bus_months.csv")
    return Months(*(np.array([float(row[name]) for row in table]) for name in ("cell", "step", "replaced", "months")))


def test_published_bus_engines(months):
    printed = {row["what"]: float(row["value"]) for row in rows("plan_bus.csv")}
    found = habit(months, cells=90, discount=0.9999)
    assert found.renewal.value == pytest.approx(printed["renewal"], abs=2e-4)
    assert found.running.value == pytest.approx(printed["running"], abs=2e-4)
    assert found.log_likelihood == pytest.approx(printed["log-likelihood"], abs=5e-4)
    assert_allclose(found.wear.steps[:2], [printed["step-0"], printed["step-1"]], atol=5e-5)
    assert found.renewal.low < 10.075 < found.renewal.high


def test_the_months_are_those_of_the_study(months):
    assert months.many.sum() == 4292
    assert months.many @ months.renewed == 33


@settings(max_examples=40)
@given(st.floats(1, 12), st.floats(0.5, 200))
def test_fixed_point_as_by_going_round_and_round(renewal, running):
    """Successive approximation shrinks its error by the discount each time: another road to the same point."""
    ahead = np.zeros(WEAR.cells)
    cost = 1e-3 * running * np.arange(WEAR.cells)
    for _ in range(260):
        ahead = WEAR.moves @ np.logaddexp(-cost + 0.9 * ahead, -renewal - cost[0] + 0.9 * ahead[0])
    assert_allclose(choice(WEAR, renewal, running).ahead, ahead, atol=1e-9)


@given(st.floats(1, 12), st.floats(0.5, 200))
def test_the_more_worn_the_sooner_renewed(renewal, running):
    assert (np.diff(choice(WEAR, renewal, running).renew) >= -1e-12).all()


def test_a_dearer_renewal_is_put_off():
    assert (choice(WEAR, 9, 100).renew < choice(WEAR, 5, 100).renew).all()


def test_moves_keep_all_and_stay_in_the_last_cell():
    assert_allclose(WEAR.moves.sum(axis=1), 1)
    assert WEAR.moves[-1, -1] == 1


def test_nothing_renewed_says_nothing(months):
    with pytest.raises(FitError, match="say nothing of costs"):
        habit(Months(months.cell, months.step, 0 * months.renewed, months.many), cells=90, discount=0.9999)
