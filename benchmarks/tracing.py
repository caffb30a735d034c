"""Time the exact posterior, all that follows from it, and the choice of the next look; pgmpy beside it if installed."""

from __future__ import annotations

import time
from collections.abc import Callable
from importlib.util import find_spec
from itertools import product

import numpy as np

from wearlore.trace import (
    Cause,
    Edge,
    Fact,
    Finding,
    Look,
    Network,
    Repair,
    Sight,
    Solver,
    Stakes,
    next_step,
    not_seen,
    seen,
)


def family(seed: int, causes: int, findings: int, parents: float) -> Network:
    """Causes at random behind each finding, on the mean ``parents``; twenty findings lie one below the other."""
    rng = np.random.default_rng(seed)
    made = tuple(Cause(f"c{i}", float(rng.uniform(0.01, 0.2))) for i in range(causes))
    found = []
    for j in range(findings):
        chosen = rng.choice(causes, min(causes, 1 + rng.poisson(parents - 1)), replace=False)
        edges = [Edge(f"c{i}", float(rng.uniform(0.2, 0.95))) for i in chosen]
        edges += [Edge(f"f{j - 1}", 0.5)] if 0 < j < 20 else []
        found.append(Finding(f"f{j}", 0.01, tuple(edges)))
    return Network(made, tuple(found))


def facts(network: Network, seed: int, present: int, absent: int) -> list[Fact]:
    names = [finding.name for finding in network.findings]
    order = np.random.default_rng(seed).permutation(len(names))
    return [(seen if i < present else not_seen)(names[j]) for i, j in enumerate(order[: present + absent])]


def best_of(runs: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, ms."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1e3 * min(times)


def with_pgmpy(network: Network, known: list[Fact]) -> float:
    """Variable elimination on the same network, one query for each cause, ms."""
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

    model = DiscreteBayesianNetwork()
    for cause in network.causes:
        model.add_node(cause.name)
        model.add_cpds(TabularCPD(cause.name, 2, [[1 - cause.prior], [cause.prior]]))
    for finding in network.findings:
        model.add_node(finding.name)
        model.add_edges_from((edge.parent, finding.name) for edge in finding.edges)
        chances = [1 - edge.chance for edge in finding.edges]
        absent = [
            (1 - finding.leak) * float(np.prod(np.power(chances, state)))
            for state in product((0, 1), repeat=len(chances))
        ]
        parents = [edge.parent for edge in finding.edges]
        table = [absent, [1 - chance for chance in absent]]
        model.add_cpds(TabularCPD(finding.name, 2, table, evidence=parents, evidence_card=[2] * len(parents)))
    inference = VariableElimination(model)
    evidence = {fact.about: int(fact.present) for fact in known}
    ours = Solver(network).posterior(known).chance

    def query() -> None:
        for cause in network.causes:
            theirs = inference.query([cause.name], evidence=evidence, show_progress=False)
            assert abs(theirs.values[1] - ours[cause.name]) < 1e-9

    return best_of(1, query)


def main() -> None:
    small, large = (40, 60, 3.0), (150, 200, 4.0)
    Solver(family(1, 5, 5, 2)).posterior([seen("f0")])  # compiles
    print("exact posterior of all causes (ms; with the order of elimination, then with it known):")
    cases = [(small, 8, 25), (small, 20, 25), (small, 24, 25), (small, 28, 25), (large, 20, 100), (large, 40, 100)]
    for (causes, findings, parents), present, absent in cases:
        first, again = [], []
        for seed in range(5):
            network = family(seed, causes, findings, parents)
            known = facts(network, seed, present, absent)
            first.append(best_of(3, lambda network=network, known=known: Solver(network).posterior(known)))
            solver = Solver(network)
            again.append(best_of(5, lambda solver=solver, known=known: solver.posterior(known)))
        print(
            f"  {causes:3} causes, {findings:3} findings, {present:2} present, {absent:3} absent: "
            f"{np.median(first):6.2f} (worst of five {max(first):6.2f}), {np.median(again):6.2f}"
        )
    if find_spec("pgmpy"):
        network = family(0, *small)
        known = facts(network, 0, 8, 25)
        ours = best_of(5, lambda: Solver(network).posterior(known))
        theirs = with_pgmpy(network, known)
        print(f"  pgmpy, 8 present: {theirs:.0f} ms ({theirs / ours:,.0f} times as long)")
    follow_up(family(0, *large), facts(family(0, *large), 0, 20, 100))


def follow_up(network: Network, known: list[Fact]) -> None:
    """Everything else that is asked of the same large family."""
    solver = Solver(network)
    rng = np.random.default_rng(0)
    unseen = sorted({finding.name for finding in network.findings} - {fact.about for fact in known})
    looks = [
        Look(f"look {i}", 10.0, tuple(Sight(str(name), 0.9, 0.95) for name in rng.choice(unseen, 3, replace=False)))
        for i in range(20)
    ]
    repairs = [Repair(cause.name, float(rng.uniform(50, 900)), (cause.name,)) for cause in network.causes]
    stakes = Stakes({cause.name: 1500.0 for cause in network.causes}, 1.0, 30.0)
    for what, work in (
        ("chances of all findings", lambda: solver.findings(known)),
        ("five likeliest explanations", lambda: solver.explanations(known, 5)),
        ("influence of each of 120 facts", lambda: solver.influence(known)),
        ("next step, 20 looks of three sights", lambda: next_step(solver, known, looks, repairs, stakes)),
    ):
        print(f"  {what}: {best_of(1, work):.0f} ms, again {best_of(2, work):.0f} ms")


if __name__ == "__main__":
    main()
