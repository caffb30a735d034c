"""Published networks and decisions (checks 5.01, 5.02, 5.04, 5.05, 5.07, 5.09)."""

from __future__ import annotations

import csv
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from wearlore.trace import Cause, Edge, Fact, Finding, Network, Solver, reported, search_order, seen
from wearlore.trace.acting import Batch, best_way

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def table(name: str, without: float, **parents: float) -> Finding:
    """The noisy-OR with these chances: with no parent, and with each parent alone."""
    edges = tuple(Edge(parent, 1 - (1 - chance) / (1 - without)) for parent, chance in parents.items())
    return Finding(name, without, edges)


def asia() -> tuple[Network, dict[str, Fact]]:
    findings = (
        table("T", 0.01, A=0.05),
        table("L", 0.01, S=0.1),
        table("B", 0.3, S=0.6),
        table("E", 0, T=1, L=1),
        table("X", 0.05, E=0.98),
        table("D", 0, E=5 / 7, B=5 / 6),
    )
    d = reported("D", True, 0.94, 0.9)  # .1 (neither), .7, .8, .9 (both)
    return Network((Cause("A", 0.01), Cause("S", 0.5)), findings), {"A": seen("A"), "D": d}


def burglary() -> tuple[Network, dict[str, Fact]]:
    top = 0.94 * 0.29 - 0.001 * 0.95
    top /= 0.94 + 0.29 - 0.001 - 0.95  # so that the four numbers of the alarm are top less a product
    none = top - 0.001
    findings = (
        Finding("shaken", 0, (Edge("B", 1 - (top - 0.94) / none), Edge("E", 1 - (top - 0.29) / none))),
        table("A", 0.001, shaken=top),
        table("J", 0.05, A=0.9),
        table("M", 0.01, A=0.7),
    )
    return Network((Cause("B", 0.001), Cause("E", 0.002)), findings), {name: seen(name) for name in "JM"}


def fever() -> tuple[Network, dict[str, Fact]]:
    inhibited = {"cold": 0.6, "flu": 0.2, "malaria": 0.1}
    finding = Finding("fever", 0, tuple(Edge(name, 1 - chance) for name, chance in inhibited.items()))
    return Network(tuple(Cause(name, 0.5) for name in inhibited), (finding,)), {name: seen(name) for name in inhibited}


NETWORKS = {"asia": asia, "burglary": burglary, "fever": fever}


@pytest.mark.parametrize("row", rows("trace_posterior.csv"), ids=lambda row: f"{row['given']}-{row['of']}")
def test_chances_are_the_published_ones(row):
    network, facts = NETWORKS[row["network"]]()
    given = [facts[name] for name in filter(None, row["given"].split("+"))]
    if row["network"] == "fever":
        given += [Fact(name, 1, 0) for name in facts if facts[name] not in given]
    solver = Solver(network)
    if "+" in row["of"]:
        chance = solver.posterior([*given, *(facts[name] for name in row["of"].split("+"))]).evidence
    elif row["of"] == "D":
        chance = np.exp(solver.log_evidence([*given, facts["D"]]) - solver.log_evidence(given))
    else:
        chance = (solver.posterior(given).chance | solver.findings(given))[row["of"]]
    digits = len(row["chance"].partition(".")[2])
    assert chance == pytest.approx(float(row["chance"]), rel=0, abs=0.5 * 10.0**-digits if digits > 4 else 1e-9)


def test_the_tables_of_two_parents_are_the_published_ones():
    network, facts = asia()
    for (e, b), chance in {(0, 0): 0.1, (1, 0): 0.7, (0, 1): 0.8, (1, 1): 0.9}.items():
        known = [Fact(name, 1 - there, there) for name, there in (("E", e), ("B", b))]
        solver = Solver(network)
        assert np.exp(solver.log_evidence([*known, facts["D"]]) - solver.log_evidence(known)) == pytest.approx(chance)
    network, _ = burglary()
    for (b, e), chance in {(1, 1): 0.95, (1, 0): 0.94, (0, 1): 0.29, (0, 0): 0.001}.items():
        known = [Fact(name, 1 - there, there) for name, there in (("B", b), ("E", e))]
        assert Solver(network).findings(known)["A"] == pytest.approx(chance)


def wildcatter(states: np.ndarray) -> float:
    """What the best decision is worth: oil is one fault (wet or soaking), much oil another; drilling cures both.

    Not drilling forgoes 120 where there is oil and 150 more where there is much; drilling costs 70 whatever is there;
    no check tells of oil without it.
    """
    cost = best_way(states, np.array([120.0, 150.0]), np.array([70.0]), [frozenset({0, 1})], 1e9).cost
    return states[1].sum() * 120 + states[1, 1] * 150 - cost


def test_wildcatter():
    expected = {row["what"]: float(row["value"]) for row in rows("trace_wildcatter.csv")}
    prior = np.array([[0.5, 0.0], [0.3, 0.2]])  # dry; wet, soaking
    says = {
        "none": np.array([[0.6, 0], [0.3, 0.1]]),
        "open": np.array([[0.3, 0], [0.4, 0.4]]),
        "closed": np.array([[0.1, 0], [0.3, 0.5]]),
    }
    assert wildcatter(prior) == pytest.approx(expected["act now"])
    tested = sum(wildcatter(prior * likelihood) for likelihood in says.values())
    assert tested == pytest.approx(expected["free test"])
    assert tested - wildcatter(prior) - 10 == pytest.approx(expected["test of price 10"])
    perfect = sum(
        wildcatter(prior * (np.indices((2, 2)) == np.reshape(at, (2, 1, 1))).all(0)) for at in np.ndindex(2, 2)
    )
    assert perfect - wildcatter(prior) == pytest.approx(expected["perfect information"])
    for answer, likelihood in says.items():
        drilled = (prior * likelihood / (prior * likelihood).sum() * np.array([[-70, 0], [50, 200]])).sum()
        assert drilled == pytest.approx(expected[f"drill after {answer}"], abs=5e-5)
        assert wildcatter(prior * likelihood / (prior * likelihood).sum()) == pytest.approx(max(0.0, drilled))


def test_search_order_of_one_fault():
    places = rows("trace_search.csv")
    chances, costs = ([float(row[column]) for row in places] for column in "pc")
    told = search_order(chances, costs)
    assert [int(row["rank"]) for row in places] == [told.order.index(i) + 1 for i in range(3)]
    assert told.cost == pytest.approx(10.0)
    every = [
        sum(costs[i] * sum(chances[j] for j in order[k:]) for k, i in enumerate(order))
        for order in permutations(range(3))
    ]
    assert (min(every), max(every)) == pytest.approx((10.0, 13.6))


def test_repair_and_check_of_one_fault_goes_in_the_same_order():
    places = rows("trace_search.csv")
    chances, costs = (np.array([float(row[column]) for row in places]) for column in "pc")
    states = np.zeros((2, 2, 2))
    states[1, 0, 0], states[0, 1, 0], states[0, 0, 1] = chances
    way = best_way(states, np.full(3, 1e9), costs, [frozenset({i}) for i in range(3)], 0.0)
    assert [batch.repairs for batch in way.batches] == [(1,), (0,), (2,)]
    assert way.batches[0] == Batch((1,), True)
    assert way.cost == pytest.approx(10.0)
