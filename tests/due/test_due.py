"""The due list of a fleet says of each vehicle what the scope of its visit says."""

from dataclasses import replace

import numpy as np
import pytest

from wearlore.errors import NameNotKnown, ScopeError
from wearlore.scope import Fault, formulate, problem, solve
from wearlore.scope.build import VISIT
from wearlore.workbench import Workbench

SAMPLE = 12
TOLERANCE = 0.03  # of the saving: half the draws, tables between points


@pytest.fixture(scope="module")
def bench(demo_folder):
    return Workbench(demo_folder)


@pytest.fixture(scope="module")
def found(bench):
    return bench.due(exact=False)


def alone(bench, found, v):
    """The problem of one vehicle at its next visit, faults on record to be cured, the visit itself made anyway."""
    book, vehicle, _ = bench._weighable(bench.vehicle(found.fleet.vehicle[v], km=found.fleet.km[v] + found.leg[v]))
    open_ = frozenset(Fault(unit.name, state.mode) for unit in vehicle.units for state in unit.modes if state.present)
    terms = replace(bench.terms(), must=open_)
    made = problem(book, vehicle, bench._model_of, terms, rng=np.random.default_rng(bench.seed))
    return replace(made, steps={**made.steps, VISIT: replace(made.steps[VISIT], money=0.0)})


@pytest.mark.slow
def test_each_vehicle_has_the_saving_and_the_set_of_its_scope(bench, found):
    rows = {row.vehicle: row for row in found.rows()}
    for v in np.random.default_rng(3).permutation(len(found.fleet))[:SAMPLE].tolist():
        row, made = rows[found.fleet.vehicle[v]], alone(bench, found, v)
        best = solve(formulate(made))
        saving = made.objective(()) - best.objective
        assert row.saving.value == pytest.approx(saving, rel=TOLERANCE, abs=15)
        assert row.now + row.done + row.saving.value == pytest.approx(row.left)
        ours = option_numbers(made, row)
        assert made.visit_cost(ours) == pytest.approx(row.now)
        # the same set, or one that costs hardly more by the scope's own reckoning
        assert made.objective(ours) <= best.objective + max(15, 0.01 * saving)


def option_numbers(made, row):
    """The row's items as options of the problem; each unit has at most one, companions and what is spoiled are in."""
    names = {
        (made.candidates[option.unit].name, option.remedy, option.grade): number
        for number, option in enumerate(made.options)
    }
    chosen = tuple(sorted(names[item.unit, item.remedy, item.grade] for item in row.items))
    assert len({made.options[o].unit for o in chosen}) == len(chosen)
    for o in chosen:
        assert all(set(group) & set(chosen) for group in made.options[o].companions)
    steps = made.needs(chosen)
    assert all(set(renewing) & set(chosen) for step, renewing in made.spoils if step in steps)
    for curing in made.must.values():
        assert set(curing) & set(chosen)
    return chosen


def test_savings_fall_down_the_list_and_what_is_open_comes_first_in_a_row(found):
    rows = list(found.rows())
    savings = [row.saving.value for row in rows]
    assert savings == sorted(savings, reverse=True)
    assert all(row.saving.low <= row.saving.value <= row.saving.high for row in rows)
    assert all(row.fails_soon <= row.fails_far + 1e-9 and row.stops_soon <= row.stops_far + 1e-9 for row in rows)
    for row in rows:
        whys = [item.why for item in row.items]
        assert whys.count("open fault") >= bool(row.faults) * (not row.uncured)
        assert "open fault" not in whys or whys[0] == "open fault"


def test_vehicles_not_seen_for_long_are_gone_and_counted(bench, found):
    newest = found.fleet.last.max()
    assert (found.fleet.last >= newest - 18 * 365.25 / 12).all()
    assert len(found) + found.gone == 300


def test_of_the_whole_fleet_the_total_is_the_sum(found):
    listed = found.top(5)
    assert len(listed.rows) == 5
    assert listed.vehicles == len(found)
    assert listed.total.value == pytest.approx(sum(row.saving.value for row in found.rows()))


def test_names_and_numbers_that_make_no_sense_are_refused(bench):
    with pytest.raises(NameNotKnown, match="variant"):
        bench.due(variant="m69")
    with pytest.raises(ScopeError, match="above 0"):
        bench.due(months=0)
    with pytest.raises(ScopeError, match="0 or more"):
        bench.due(driven=-1.0)
