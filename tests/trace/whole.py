"""The plain way: every state of every cause and finding, one by one; and networks drawn at random."""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import product

import numpy as np

from wearlore.trace import Cause, Edge, Fact, Finding, Network, not_seen, reported, seen


def table(network: Network, facts: Sequence[Fact]) -> np.ndarray:
    """Chance of each state together with the facts; axes as in ``network.names``, 0 absent, 1 present."""
    places = {name: i for i, name in enumerate(network.names)}
    chances = []
    for state in product((0, 1), repeat=len(places)):
        chance = 1.0
        for cause in network.causes:
            chance *= cause.prior if state[places[cause.name]] else 1 - cause.prior
        for finding in network.findings:
            silent = 1 - finding.leak
            for edge in finding.edges:
                silent *= 1 - edge.chance if state[places[edge.parent]] else 1
            chance *= 1 - silent if state[places[finding.name]] else silent
        for fact in facts:
            chance *= fact.present if state[places[fact.about]] else fact.absent
        chances.append(chance)
    return np.array(chances).reshape((2,) * len(places))


def over(whole: np.ndarray, network: Network, names: Sequence[str]) -> np.ndarray:
    """The table summed to ``names``, axes in their order, total 1."""
    axes = [network.names.index(name) for name in names]
    kept = whole.sum(axis=tuple(axis for axis in range(whole.ndim) if axis not in axes)) / whole.sum()
    return kept.transpose([sorted(axes).index(axis) for axis in axes])


def random_network(rng: random.Random, *, causes: int = 6, findings: int = 6, certain: bool = True) -> Network:
    """Findings with up to four parents among causes and findings before them; chances of 0 and 1 among them."""
    sure = [0.0, 1.0] if certain else []
    made = tuple(Cause(f"c{i}", rng.choice([rng.random(), 0.01, *sure[:1]])) for i in range(rng.randint(1, causes)))
    found: list[Finding] = []
    for j in range(rng.randint(1, findings)):
        names = [cause.name for cause in made] + [finding.name for finding in found]
        parents = rng.sample(names, rng.randint(0, min(4, len(names))))
        edges = tuple(Edge(parent, rng.choice([rng.random(), rng.random(), *sure])) for parent in parents)
        found.append(Finding(f"f{j}", rng.choice([0.02, rng.random(), *sure[:1]]), edges))
    rng.shuffle(found)
    return Network(made, tuple(found))


def zones(rng: random.Random, length: int) -> Network:
    """Zones one below the other, each with two leaks of its own; fluid may run past the next to the one after it."""
    causes = [Cause(f"leak-{i}{side}", rng.uniform(0.01, 0.3)) for i in range(length) for side in "ab"]
    wet = []
    for i in range(length):
        edges = [Edge(f"leak-{i}{side}", rng.uniform(0.5, 1)) for side in "ab"]
        edges += [Edge(f"wet-{above}", rng.uniform(0.1, 0.9)) for above in range(max(0, i - 2), i)]
        wet.append(Finding(f"wet-{i}", rng.uniform(0, 0.05), tuple(edges)))
    return Network(tuple(causes), tuple(wet))


def random_facts(rng: random.Random, network: Network) -> list[Fact]:
    facts = []
    for name in network.names:
        kinds = [seen(name), not_seen(name), reported(name, rng.random() < 0.5, rng.random(), rng.random())]
        kinds += [Fact(name, rng.random(), rng.random())]
        if name in {cause.name for cause in network.causes}:
            kinds = kinds[2:]
        facts += rng.choices([[], [rng.choice(kinds)], rng.choices(kinds[-2:], k=2)], [5, 4, 1])[0]
    rng.shuffle(facts)
    return facts
