"""What a look is worth to a buyer: against all states one by one, by hand, and by its laws."""

from __future__ import annotations

import random
from itertools import permutations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.trace.family import case, means
from tests.trace.whole import random_facts, random_network, table
from wearlore.appraisal import Inspected, Offer, in_order, sighted, without_dismantling
from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace import Cause, Fact, Look, Network, Sight, Solver
from wearlore.trace.network import reported


def offers(seed: int):
    """A small network with facts that can be, what its causes cost, and a look at two things."""
    rng = random.Random(seed)
    while True:
        network = random_network(rng, causes=4, findings=4)
        facts = random_facts(rng, network)
        try:
            Solver(network).posterior(facts)
        except TraceError:
            continue
        costs = {cause.name: rng.choice([0.0, rng.uniform(10, 3000)]) for cause in network.causes}
        names = rng.sample(network.names, min(2, len(network.names)))
        look = Look("look", 10, tuple(Sight(n, rng.uniform(0.3, 1), rng.uniform(0.3, 1)) for n in names))
        even = rng.uniform(3000, 9000)
        return Offer(Solver(network), tuple(facts), costs, even, even + rng.uniform(-900, 900)), look


def by_enumeration(offer: Offer, look: Look) -> float:
    """Expected gain of deciding after the look less that of deciding now, over every state of everything."""
    network = offer.solver.network
    places = [network.names.index(name) for name in offer.costs]
    whole = table(network, offer.facts)
    chance = whole / whole.sum()

    def cost(weights) -> float:  # not scaled to 1
        return sum(
            float(weights[state])
            * sum(money * state[at] for at, money in zip(places, offer.costs.values(), strict=True))
            for state in product((0, 1), repeat=weights.ndim)
        )

    if_none = offer.even + cost(chance)  # the even price when no cause is there
    gained = 0.0
    for answers in product((False, True), repeat=len(look.sights)):
        said = [reported(s.about, a, s.sensitivity, s.specificity) for s, a in zip(look.sights, answers, strict=True)]
        weights = table(network, [*offer.facts, *said]) / whole.sum()
        gained += max(0.0, (if_none - offer.price) * weights.sum() - cost(weights))
    return gained - max(0.0, offer.even - offer.price)


@pytest.mark.parametrize("seed", range(60))
def test_worth_is_that_of_all_states_one_by_one(seed):
    offer, look = offers(seed)
    assert offer.inspected(look).worth == pytest.approx(by_enumeration(offer, look), abs=1e-6 * offer.price)


@given(st.integers(0, 10**6))
def test_a_look_is_never_worth_less_than_nothing_nor_more_than_knowing_everything(seed):
    offer, look = offers(seed)
    found = offer.inspected(look)
    everything = Look("all", 1, tuple(Sight(cause.name, 1.0, 1.0) for cause in offer.solver.network.causes))
    assert 0 <= found.worth <= offer.inspected(everything).worth + 1e-6 * offer.price


@given(st.integers(0, 10**6))
def test_the_even_price_moves_both_ways_and_on_the_mean_not_at_all(seed):
    offer, look = offers(seed)
    for finding in offer.inspected(look).findings:
        mean = finding.chance * finding.if_there + (1 - finding.chance) * finding.if_not
        assert mean == pytest.approx(offer.even, rel=1e-9)


@given(st.integers(0, 10**6))
def test_a_look_that_cannot_turn_the_decision_is_worth_nothing(seed):
    offer, look = offers(seed)
    most = sum(offer.costs.values())
    for price in (offer.even - 2 * most - 1, offer.even + 2 * most + 1):
        far = Offer(offer.solver, offer.facts, offer.costs, offer.even, price)
        found = far.inspected(look)
        assert found.worth == 0
        assert not any(finding.changes for finding in found.findings)


@pytest.mark.parametrize("seed", range(12))
def test_the_order_in_which_things_are_named_changes_nothing(seed):
    offer, look = offers(seed)
    for order in permutations(look.sights):
        turned = Offer(
            offer.solver,
            tuple(reversed(offer.facts)),
            dict(reversed(offer.costs.items())),
            offer.even,
            offer.price,
        )
        found = turned.inspected(Look("look", 10, order))
        assert found.worth == pytest.approx(offer.inspected(look).worth, abs=1e-6)
        assert {f.about for f in found.findings} == {f.about for f in offer.inspected(look).findings}


def test_a_perfect_look_at_one_fault_by_hand():
    """Worth 1000 if sound; the fault, one in four, takes off 600; asked 900: leave it. Known sound, it gains 100."""
    network = Network((Cause("fault", 0.25),), ())
    offer = Offer(Solver(network), (), {"fault": 600.0}, 1000.0 - 150.0, 900.0)
    found = offer.inspected(Look("look", 5, (Sight("fault", 1.0, 1.0),)))
    assert found.worth == pytest.approx(0.75 * 100)
    (finding,) = found.findings
    assert (finding.chance, finding.if_there, finding.if_not, finding.changes) == pytest.approx((0.25, 400, 1000, True))
    assert found.clear == pytest.approx((0.75, 1000))
    assert found.moves == pytest.approx(0.25 * 450 + 0.75 * 150)
    assert found.per_minute == pytest.approx(15.0)


def test_only_what_moves_the_price_counts_the_strongest_first():
    causes = tuple(Cause(f"c{k}", 0.3) for k in range(7))
    offer = Offer(Solver(Network(causes, ())), (), {f"c{k}": 100.0 * k for k in range(7)}, 5000.0, 5000.0)
    found = offer.inspected(Look("look", 5, tuple(Sight(f"c{k}", 0.9, 0.9) for k in range(7))))
    assert [finding.about for finding in found.findings] == ["c6", "c5", "c4", "c3"]
    blind = offer.inspected(Look("look", 5, (Sight("c0", 0.9, 0.9), Sight("c6", 0.5, 0.5))))
    assert (blind.findings, blind.worth, blind.moves) == ((), 0.0, 0.0)


def test_a_cost_of_no_cause_is_refused():
    with pytest.raises(NameNotKnown, match="no cause is called 'moon'"):
        Offer(Solver(Network((Cause("fault", 0.25),), ())), (), {"moon": 1.0}, 1.0, 1.0)


def looked(name, worth, moves=0.0):
    look = Look(name, 10, (Sight("x", 1.0, 1.0),))
    return Inspected(look, worth, moves, (), (0.0, 0.0), 10.0)


def test_what_is_laid_open_for_one_look_serves_the_next():
    """Alone b (30 / 10) comes before a (60 / 30) and c (59 / 30), which share 20 minutes of access."""

    def minutes(name, done):
        return 10.0 if name == "b" or done & {"a", "c"} else 30.0

    found = in_order([looked("c", 59.0), looked("a", 60.0), looked("b", 30.0)], minutes)
    assert [(one.look.name, one.minutes) for one in found] == [("b", 10.0), ("a", 30.0), ("c", 10.0)]


def test_looks_that_turn_nothing_go_by_how_far_they_move_the_price():
    found = in_order([looked("a", 0.0, 5.0), looked("b", 0.0, 9.0), looked("c", 0.1)], lambda *_: 10.0)
    assert [one.look.name for one in found] == ["c", "b", "a"]


def test_a_buyer_takes_off_covers_and_no_more():
    """The dye wants a cover off that spoils its gasket, the clutch a gearbox out."""
    able = means()
    found = {name: without_dismantling(able, name, frozenset()) for name in able.case.book.inspections}
    assert found == {"glance": True, "dye": False, "gauge": True, "feel": False}
    assert without_dismantling(able, "dye", frozenset({"cover-off"}))


def test_how_well_a_fault_is_seen_is_the_difference_it_makes_to_one_finding():
    one = case()
    solver = Solver(one.network)
    glance = next(look for look in means(one).looks(()) if look.name == "glance")
    found = {
        row.cause: row.shown for row in sighted(solver, (), ["gasket-leaks", "seal-leaks", "clutch-worn"], [glance])
    }
    there, absent = (solver.findings([Fact("gasket-leaks", 1 - on, on)], ["oil-top"])["oil-top"] for on in (1.0, 0.0))
    assert found["gasket-leaks"] == pytest.approx((0.8 + 0.9 - 1) * (there - absent))
    assert found["clutch-worn"] == pytest.approx(0, abs=1e-12)
