"""The fleet after one walk is what `vehicle_at` says of each vehicle."""

import numpy as np
import pytest

from wearlore.lifetimes import vehicle_at
from wearlore.lifetimes.fleet import fleet
from wearlore.records.store import Store
from wearlore.records.summary import usual_leg
from wearlore.workbench import Workbench


@pytest.fixture(scope="module")
def told(demo_folder):
    bench = Workbench(demo_folder)
    with Store.open(bench.store_path, read_only=True) as store:
        yield bench.book, store, fleet(store, bench.book)


def states(found, book, v):
    """What the arrays say of one vehicle, as `vehicle_at` would."""
    variant = found.variants[found.variant[v]]
    for u, (component, position) in enumerate(found.units):
        only = book.components[component].variants
        if only and variant not in only:
            continue
        slots = [s for s in range(found.unit_slot[u], found.unit_slot[u + 1]) if found.applies[v, s]]
        modes = [(found.modes[s], found.age[v, s], found.seen_good[v, s], found.present[v, s]) for s in slots]
        yield component, position, found.revisions[u][found.revision[v, u]], found.grades[found.grade[v, u]], modes


def test_each_vehicle_is_the_one_that_is_walked_alone(told):
    book, store, found = told
    assert len(found) == 300
    for v in range(0, len(found), 23):
        alone = vehicle_at(store, book, found.vehicle[v])
        assert found.km[v] == alone.km
        assert found.leg[v] == pytest.approx(usual_leg(store, alone.id), nan_ok=True)
        together = list(states(found, book, v))
        assert len(together) == len(alone.units)
        for unit, (component, position, revision, grade, modes) in zip(alone.units, together, strict=True):
            assert (unit.component, unit.position, unit.revision, unit.grade) == (component, position, revision, grade)
            assert [state.mode for state in unit.modes] == [mode for mode, *_ in modes]
            for state, (_, age, seen_good, present) in zip(unit.modes, modes, strict=True):
                assert state.age == pytest.approx(age) if state.age is not None else np.isnan(age)
                assert (state.seen_good, state.present) == (pytest.approx(seen_good), present)


def test_how_long_a_unit_is_in_place_is_told(told):
    book, store, found = told
    alone = vehicle_at(store, book, found.vehicle[7])
    names = [f"{c}/{p}" if p else c for c, p in found.units]
    for unit in alone.units:
        assert found.at_least[7, names.index(unit.name)] == pytest.approx(unit.at_least)
