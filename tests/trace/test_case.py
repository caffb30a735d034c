"""Book, vehicle and what was said -> the engine's network and facts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from tests.scope.family import vehicle
from tests.trace.family import BOOK, case
from tests.trace.whole import over, table
from wearlore.errors import CannotOccur, NameNotKnown, TraceError
from wearlore.trace import Network, Solver, Told
from wearlore.trace.case import MISREAD
from wearlore.vehicle import FittedUnit


def finding(network, name):
    return next(finding for finding in network.findings if finding.name == name)


def edges(network, name):
    return {edge.parent: edge.chance for edge in finding(network, name).edges}


# network -------------------------------------------------------------------------------------------------------------


def test_each_mode_of_each_unit_is_a_cause_with_its_prior():
    one = case()
    assert [(c.name, c.prior) for c in one.network.causes] == [(s.name, s.prior) for s in one.suspects]
    assert {c.name for c in one.network.causes} == set(BOOK.modes)  # pump-cracks too: revision A is fitted


def test_observations_are_findings_with_leak_and_chances_of_the_book():
    network = case().network
    assert finding(network, "knock").leak == 0.05
    assert edges(network, "knock") == {"mount-torn": 0.7, "clutch-worn": 0.2}


def test_fluid_runs_down_each_by_itself_and_through_zones_that_nobody_can_see_it_in():
    network = case().network
    assert edges(network, "oil-back") == {"seal-leaks": 0.8, "oil-top": 0.25}
    assert edges(network, "oil-sump") == {"oil in side": 0.5, "oil-back": 0.4}
    assert edges(network, "oil in side") == {"oil-top": 0.5}
    assert finding(network, "oil in side").leak == 0
    assert edges(network, "water-sump") == {"coolant in side": 0.5, "coolant in back": 0.4}
    assert edges(network, "oil-top") == {"gasket-leaks": 0.9}


def test_a_wet_sump_points_up_as_far_as_the_chances_of_the_way_go():
    one = case(vehicle("gasket"))
    network, prior = one.network, one.suspects[0].prior
    some = Network(network.causes, tuple(f for f in network.findings if "oil" in f.name))
    facts = one.facts([Told("oil-sump")])
    expected = over(table(some, facts), some, ["gasket-leaks"])[1]
    assert_allclose(Solver(network).posterior(facts).chance["gasket-leaks"], expected)
    assert expected > prior


def test_each_position_of_a_component_is_a_cause_of_the_same_finding():
    left = vehicle("mount").units[0]
    twice = replace(vehicle(), units=tuple(replace(left, position=place) for place in ("left", "right")))
    assert edges(case(twice).network, "knock") == {"mount-torn@left": 0.7, "mount-torn@right": 0.7}


# facts ---------------------------------------------------------------------------------------------------------------


def test_what_a_person_says_is_certain():
    there, absent = case().facts([Told("oil-back"), Told("oil-top", False)])
    assert (there.absent, there.present) == (0, 1)
    assert (absent.absent, absent.present) == (1, 0)


def test_what_an_inspection_showed_counts_with_its_own_accuracy():
    one = case()
    (glance, told) = one.facts([Told("oil-back", by="glance"), Told("seal-leaks", False, by="dye")])
    assert_allclose([glance.absent, glance.present], [0.1, 0.7])
    assert_allclose([told.absent, told.present], [0.97, 0.05])
    assert glance.label == "oil at back: there (Glance)"


def test_a_cause_that_somebody_opened_and_saw_is_certain():
    (good, bad) = case().facts([Told("seal-leaks", False), Told("mount-torn")])
    assert (good.absent, good.present, bad.absent, bad.present) == (1, 0, 0, 1)


def test_a_reading_is_weighed_by_what_sound_and_faulty_pieces_read():
    one = case()
    (fact,) = one.facts([Told("pressure", value=1.1)])
    spread = 1.0 / 2 / 1.644853627  # the wider range, 1.2 to 2.2
    sound, faulty = (np.exp(-(((1.1 - middle) / spread) ** 2) / 2) for middle in (1.7, 0.5))
    top = max(sound, faulty)
    expected = [MISREAD + (1 - MISREAD) * chance / top for chance in (sound, faulty)]
    assert_allclose([fact.absent, fact.present], expected, rtol=1e-4)
    assert fact.label == "Pressure: 1.1 bar"


@given(st.floats(-20, 20), st.floats(0, 10))
def test_a_lower_pressure_never_speaks_less_for_a_fault_and_never_proves_it(value, less):
    one = case()
    ratios = [f.present / f.absent for v in (value - less, value) for f in one.facts([Told("pressure", value=v)])]
    assert ratios[0] >= ratios[1] * (1 - 1e-12)
    assert MISREAD * 0.999 <= ratios[1] <= ratios[0] <= 1.001 / MISREAD


def test_without_ranges_a_reading_counts_by_its_limit():
    one = case()
    facts = one.facts([Told("phase", value=6.1), Told("phase", value=5.9, by="gauge")])
    assert_allclose([[fact.absent, fact.present] for fact in facts], [[0, 1], [0.95, 0.1]])
    with pytest.raises(TraceError, match="neither a limit nor ranges of flow"):
        one.facts([Told("flow", value=3.0)])


@pytest.mark.parametrize(
    ("told", "error", "words"),
    [
        ([Told("oil-bakc")], NameNotKnown, "Did you mean oil-back"),
        ([Told("oil-back", by="dyee")], NameNotKnown, "no inspection is called 'dyee'"),
        ([Told("knock", by="dye")], NameNotKnown, "no thing that dye shows is called 'knock'"),
        ([Told("knock", value=3.0)], TraceError, "knock is not a reading"),
        ([Told("seal-leaks", value=3.0)], TraceError, "seal-leaks is not a reading"),
        (
            [Told("oil-back"), Told("oil-back", False)],
            TraceError,
            "it is said: oil at back: there; and: oil at back: n",
        ),
        ([Told("pump-leaks@left")], NameNotKnown, "no position of pump-leaks is called 'left'"),
    ],
)
def test_what_cannot_be_meant_is_named(told, error, words):
    with pytest.raises(error, match=words):
        case().facts(told)


def test_a_fault_that_the_vehicle_cannot_have_is_refused():
    bare = case(vehicle("seal"))
    with pytest.raises(CannotOccur, match=r"pump-cracks cannot occur on v \(a\)"):
        bare.facts([Told("pump-cracks")])


def test_the_same_from_two_inspections_counts_twice():
    one = case()
    facts = one.facts([Told("oil-back", by="glance"), Told("oil-back", by="dye")])
    once, twice = (Solver(one.network).posterior(f).chance["seal-leaks"] for f in (facts[1:], facts))
    assert twice > once


# rules ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "met"),
    [
        ([Told("lamp")], ("lamp",)),
        ([Told("lamp", False)], None),
        ([Told("pressure", value=0.9), Told("lamp")], ("lamp", "pressure")),
        ([Told("pressure", value=1.1)], None),
        ([Told("knock")], None),
        ([], None),
    ],
)
def test_a_rule_holds_by_what_was_seen_whatever_the_chances(told, met):
    assert [found for _, _, found in case().rules(told)] == ([met] if met else [])


def test_a_unit_without_modes_is_no_suspect():
    bare = replace(vehicle("seal"), units=(FittedUnit("radiator", "", "", "original", 1e5, ()),))
    assert case(bare).network.causes == ()
