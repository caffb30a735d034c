"""The advice on the whole demo family, from judgement alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from wearlore import jobcard, scope
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

KM, BUILT = 142_318.0, date(2016, 5, 1)


def van(book, variant: str, *, known: bool) -> Vehicle:
    units = []
    for id_, component in book.components.items():
        if component.variants and variant not in component.variants:
            continue
        revision = component.revision_at(BUILT)
        modes = tuple(
            ModeState(mode, KM if known else None, 0.0 if described.noticed == "hidden" else KM)
            for mode, described in book.modes_of(id_)
            if described.applies(variant, revision)
        )
        units += [
            FittedUnit(id_, place, revision, "original", KM if known else 30e3, modes) for place in component.places
        ]
    return Vehicle("v", variant, BUILT, KM, tuple(units))


@pytest.mark.parametrize("variant", ["m96", "m118"])
@pytest.mark.parametrize("known", [True, False], ids=["known ages", "unknown ages"])
def test_every_unit_gets_its_advice(book, judged, variant, known):
    must = frozenset({scope.Fault("rear-crank-seal", "rear-seal-leak")})
    terms = replace(scope.Terms.of(book.economics), must=must)
    vehicle = van(book, variant, known=known)
    case = scope.problem(book, vehicle, lambda mode, r, g: judged[mode], terms, rng=np.random.default_rng(1))
    advice = scope.choose(case)
    assert [a.unit for a in advice.advice] == [unit.name for unit in vehicle.units]
    assert advice.proof == "OPTIMAL"
    assert advice.total < min(advice.only_failed.total, advice.all_in_reach.total)
    by_unit = {a.unit: a for a in advice.advice}
    assert by_unit["rear-crank-seal"].reason == "must"
    assert by_unit["clutch"].hours_shared > 5  # the gearbox is out already
    assert len({(a.chosen, round(a.margin, 6)) for a in advice.advice if a.component == "glow-plug"}) == 1
    for a in advice.advice:
        assert 0 <= a.chance.low <= a.chance.value <= a.chance.high <= 1
        assert a.later_left.low <= a.later_left.value <= a.later_left.high
        assert a.hours_shared >= -1e-9
    if variant == "m118":
        assert (by_unit["balance-shafts"].reason, by_unit["balance-shafts"].because) == ("no-tool", ("balance-pin",))


@pytest.mark.parametrize(
    "fault",
    [
        ("chain-stretch", "timing-chain"),
        ("injector-wear", "injector/3"),
        ("oil-cooler-seep", "oil-cooler"),
        ("sump-leak", "sump-seal"),
        ("turbo-shaft-play", "turbo"),
        ("condenser-stone", "condenser"),
    ],
    ids=lambda fault: fault[0],
)
@pytest.mark.parametrize("habit", [False, True], ids=["advice", "only failed"])
def test_the_visit_costs_what_its_job_card_bills(book, judged, fault, habit):
    """Two independent routes to hours and money: the choice's union of steps, and the estimate of the job card."""
    terms = replace(scope.Terms.of(book.economics), must=frozenset({scope.Fault(fault[1], fault[0])}))
    vehicle = van(book, "m118", known=True)
    case = scope.problem(book, vehicle, lambda mode, r, g: judged[mode], terms, rng=np.random.default_rng(1))
    advice = scope.choose(case)
    if habit:  # what only the faults bring: refuse all that this habit leaves
        kept = advice.only_failed.units
        left = frozenset(unit.name for unit in vehicle.units if unit.name not in kept)
        case = scope.problem(
            book,
            vehicle,
            lambda mode, r, g: judged[mode],
            replace(terms, refuse=left),
            rng=np.random.default_rng(1),
        )
        advice = scope.choose(case)
    chosen = [jobcard.Chosen(a.remedy, a.position, a.grade, a.offers) for a in advice.chosen]
    card = jobcard.compose(book, vehicle, chosen, labour_rate=terms.labour_rate, visit_fixed=terms.visit_fixed)
    assert card.hours == pytest.approx(advice.hours, abs=1e-9)
    assert card.estimate.subtotal == pytest.approx(advice.visit_cost, abs=0.01 * len(card.estimate.lines))
