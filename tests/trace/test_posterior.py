"""Exact chances against all states one by one; what the order, silence and idle facts may not change."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction
from importlib import import_module
from itertools import product
from math import exp, inf, isclose, log

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace import Cause, Edge, Fact, Finding, Network, Solver, not_seen, posterior, reported, seen

from .whole import over, random_facts, random_network, table, zones

CLOSE = {"rel": 0, "abs": 1e-9}


def check(network: Network, facts: list[Fact], rng: random.Random) -> bool:
    """Compare all answers; False when the facts cannot be together (then the error is checked)."""
    whole, solver = table(network, facts), Solver(network)
    if whole.sum() == 0:
        with pytest.raises(TraceError, match="cannot be"):
            solver.posterior(facts)
        assert solver.log_evidence(facts) == -inf
        return False
    answer, found = solver.posterior(facts), solver.findings(facts)
    assert answer.log_evidence == pytest.approx(log(whole.sum()), **CLOSE)
    for name in network.names:
        absent, present = over(whole, network, [name])
        assert (answer.chance | found)[name] == pytest.approx(present, **CLOSE)
        if name in answer.log_odds and absent and present:
            assert answer.log_odds[name] == pytest.approx(log(present / absent), **CLOSE)
    names = rng.sample(network.names, min(3, len(network.names)))
    assert solver.joint(facts, names) == pytest.approx(over(whole, network, names), **CLOSE)
    return True


@given(st.integers(0, 2**32))
def test_all_chances_agree_with_enumeration(seed):
    rng = random.Random(seed)
    network = random_network(rng)
    check(network, random_facts(rng, network), rng)


def test_all_chances_agree_with_enumeration_on_three_hundred_networks():
    rng = random.Random(7)
    possible = 0
    for _ in range(300):
        network = random_network(rng)
        possible += check(network, random_facts(rng, network), rng)
    assert 200 < possible < 300


@pytest.mark.parametrize("seed", range(40))
def test_chains_of_zones_agree_with_enumeration(seed):
    rng = random.Random(seed)
    network = zones(rng, 4)
    facts = [rng.choice([seen, not_seen])(f"wet-{i}") for i in rng.sample(range(4), rng.randint(1, 3))]
    facts += [reported(f"wet-{rng.randrange(4)}", True, 0.9, 0.8), Fact("leak-0a", 0.3, 0.9)]
    check(network, facts, rng)


def test_fluid_from_above_explains_a_wet_zone_below():
    network = Network(
        (Cause("cover", 0.2), Cause("sump", 0.2)),
        (Finding("top", 0.0, (Edge("cover", 0.9),)), Finding("low", 0.0, (Edge("sump", 0.9), Edge("top", 0.8)))),
    )
    alone, with_top = (posterior(network, facts).chance for facts in ([seen("low")], [seen("low"), seen("top")]))
    assert alone["sump"] > 0.5 > with_top["sump"] > 0.2
    assert with_top["cover"] == 1


@given(st.integers(0, 2**32))
def test_explanations_are_the_likeliest_in_order(seed):
    rng = random.Random(seed)
    network = random_network(rng, causes=5, findings=5)
    facts = random_facts(rng, network)
    whole = table(network, facts)
    assume(whole.sum() > 0)
    among = rng.sample([cause.name for cause in network.causes], rng.randint(1, len(network.causes)))
    chances = over(whole, network, among)
    told = Solver(network).explanations(facts, 4, among)
    best = np.sort(chances[chances > 0])[::-1][:4]
    assert [explanation.chance for explanation in told] == pytest.approx(best, **CLOSE)
    for explanation in told:
        state = tuple(int(name in explanation.causes) for name in among)
        assert chances[state] == pytest.approx(explanation.chance, **CLOSE)


def test_explanations_ask_by_themselves_after_what_the_facts_speak_for():
    network = Network(
        (Cause("a", 0.1), Cause("b", 0.2), Cause("elsewhere", 0.4)),
        (Finding("wet", 0.0, (Edge("a", 1), Edge("b", 1))), Finding("dry", 0.0, (Edge("elsewhere", 0.5),))),
    )
    told = Solver(network).explanations([seen("wet"), not_seen("dry")], 9)
    assert [explanation.causes for explanation in told] == [("b",), ("a",), ("a", "b")]
    assert [explanation.chance for explanation in told] == pytest.approx([0.18 / 0.28, 0.08 / 0.28, 0.02 / 0.28])


@given(st.integers(0, 2**32))
def test_influence_is_the_log_odds_with_less_those_without(seed):
    rng = random.Random(seed)
    network = random_network(rng, certain=False)
    facts = random_facts(rng, network)
    assume(facts and table(network, facts).sum() > 0)
    told = Solver(network).influence(facts)
    assert [influence.fact for influence in told] == facts
    name = network.causes[0].name
    for i, influence in enumerate(told):
        with_it, without = (over(table(network, some), network, [name]) for some in (facts, facts[:i] + facts[i + 1 :]))
        if with_it.min() > 0:
            moved = log(with_it[1] / with_it[0]) - log(without[1] / without[0])
            assert influence.log_odds[name] == pytest.approx(moved, **CLOSE)


def test_influence_on_what_becomes_certain_has_no_end_and_on_the_certain_is_none():
    network = Network((Cause("a", 0.1), Cause("b", 1.0)), (Finding("wet", 0.0, (Edge("a", 0.5),)),))
    (moved,) = Solver(network).influence([seen("wet")])
    assert moved.log_odds == {"a": inf, "b": 0.0}


@given(st.integers(0, 2**32))
def test_the_order_of_causes_findings_and_facts_changes_nothing(seed):
    rng = random.Random(seed)
    network = random_network(rng)
    facts = random_facts(rng, network)
    assume(table(network, facts).sum() > 0)
    before = posterior(network, facts)
    causes, findings = (
        list(network.causes),
        [replace(finding, edges=tuple(rng.sample(finding.edges, len(finding.edges)))) for finding in network.findings],
    )
    for some in (causes, findings, facts):
        rng.shuffle(some)
    after = posterior(Network(tuple(causes), tuple(findings)), facts)
    assert after.chance == pytest.approx(before.chance, rel=1e-12)
    assert after.log_evidence == pytest.approx(before.log_evidence, abs=1e-12)


@given(st.integers(0, 2**32), st.sampled_from([1.0, 0.3]))
def test_what_nobody_looked_at_might_as_well_not_be_in_the_network(seed, idle):
    rng = random.Random(seed)
    network = random_network(rng)
    facts = random_facts(rng, network)
    assume(table(network, facts).sum() > 0)
    before = posterior(network, facts)
    unseen = Finding("unseen", rng.random(), tuple(Edge(name, rng.random()) for name in network.names[:4]))
    larger = Network(network.causes, (*network.findings, unseen))
    assert posterior(larger, facts) == before
    told_nothing = posterior(larger, [*facts, Fact("unseen", idle, idle)])
    assert told_nothing.chance == before.chance
    assert told_nothing.log_evidence == pytest.approx(before.log_evidence + log(idle), abs=1e-12)


def test_facts_about_one_name_multiply():
    network = Network((Cause("a", 0.3),), (Finding("f", 0.1, (Edge("a", 0.8),)),))
    twice = posterior(network, [reported("f", True, 0.9, 0.7), reported("f", False, 0.6, 0.9)])
    once = posterior(network, [Fact("f", 0.3 * 0.9, 0.9 * 0.4)])
    assert twice.chance == pytest.approx(once.chance, rel=1e-14)
    assert twice.evidence == pytest.approx(once.evidence, rel=1e-13)


def implausible(seed: int, causes: int, present: int) -> tuple[Network, list[Fact]]:
    """Many findings present together that nearly nothing brings about."""
    rng = random.Random(seed)
    made = tuple(Cause(f"c{i}", rng.uniform(1e-6, 1e-4)) for i in range(causes))
    findings = tuple(
        Finding(
            f"f{j}", rng.uniform(1e-5, 1e-3), tuple(Edge(f"c{i}", rng.random()) for i in rng.sample(range(causes), 3))
        )
        for j in range(present)
    )
    return Network(made, findings), [seen(finding.name) for finding in findings]


def in_fractions(network: Network, facts: list[Fact]) -> tuple[Fraction, dict[str, Fraction]]:
    """Chance of the facts (all "present"), and of each cause with them, in rational numbers."""
    total, present = Fraction(0), {cause.name: Fraction(0) for cause in network.causes}
    about = {fact.about for fact in facts}
    one = Fraction(1)
    for state in product((False, True), repeat=len(network.causes)):
        there = {cause.name for cause, is_there in zip(network.causes, state, strict=True) if is_there}
        chance = one
        for cause in network.causes:
            chance *= Fraction(cause.prior) if cause.name in there else one - Fraction(cause.prior)
        for finding in network.findings:
            silent = one - Fraction(finding.leak)
            for edge in finding.edges:
                if edge.parent in there:
                    silent *= one - Fraction(edge.chance)
            if finding.name in about:
                chance *= one - silent
        total += chance
        for name in there:
            present[name] += chance
    return total, present


@pytest.mark.parametrize(("causes", "present"), [(8, 16), (9, 20), (6, 24)])
def test_many_implausible_findings_keep_their_digits(causes, present):
    network, facts = implausible(causes, causes, present)
    answer = posterior(network, facts)
    total, together = in_fractions(network, facts)
    assert total < 1e-15
    assert isclose(answer.evidence, float(total), rel_tol=1e-12)
    for name, chance in answer.chance.items():
        assert isclose(chance, float(together[name] / total), rel_tol=1e-12)
        odds = float(together[name] / (total - together[name]))
        assert isclose(exp(answer.log_odds[name]), odds, rel_tol=1e-11)


def test_evidence_below_the_least_number_still_weighs_on_all_causes():
    n, leak, chance = 80, 1e-9, 2e-9  # each finding lies between two causes: a chain
    network = Network(
        tuple(Cause(f"c{i}", 0.5) for i in range(n + 1)),
        tuple(Finding(f"f{i}", leak, (Edge(f"c{i}", chance), Edge(f"c{i + 1}", chance))) for i in range(n)),
    )
    answer = posterior(network, [seen(finding.name) for finding in network.findings])
    step = np.array([[1.0, 3.0], [3.0, 5.0]])  # in units of the leak
    before = [np.ones(2)]
    for _ in range(n):
        before.append(before[-1] @ step / (before[-1] @ step).sum())
    for i in range(n + 1):
        absent, present = before[i] * before[n - i]
        assert answer.log_odds[f"c{i}"] == pytest.approx(log(present / absent), abs=1e-7)
    assert answer.log_evidence < -1000
    assert answer.evidence == 0


def test_a_few_steps_find_the_likeliest_explanations_of_a_large_family(monkeypatch):
    monkeypatch.setattr(import_module("wearlore.trace.posterior"), "PASSES", 180)
    for seed in range(3):
        network = family(seed, 40, 60, 3)
        facts = [*(seen(f"f{j}") for j in range(0, 60, 3)), *(not_seen(f"f{j}") for j in range(1, 60, 3))]
        assert len(Solver(network).explanations(facts, 5)) == 5


def test_a_contradiction_names_facts_none_of_which_can_be_spared():
    network = Network(
        (Cause("a", 0.1), Cause("b", 0.2)),
        (
            Finding("wet", 0.0, (Edge("a", 0.9), Edge("b", 0.5))),
            Finding("hum", 0.01, (Edge("a", 1.0),)),
            Finding("code", 0.01, (Edge("b", 1.0),)),
            Finding("smoke", 0.02, (Edge("a", 0.5),)),
        ),
    )
    facts = [seen("smoke"), seen("wet"), not_seen("hum"), not_seen("code")]
    with pytest.raises(TraceError) as caught:
        posterior(network, facts)
    told = str(caught.value)
    assert "wet: present, hum: absent, code: absent" in told
    assert "smoke" not in told
    assert posterior(network, facts[:3]).chance["b"] == 1


def test_one_fact_alone_or_two_about_one_name_may_contradict():
    network = Network((Cause("a", 0.0),), (Finding("wet", 0.0, (Edge("a", 0.9),)), Finding("f", 0.5)))
    with pytest.raises(TraceError, match="this cannot be in this network: wet: present"):
        posterior(network, [seen("f"), seen("wet")])
    solver = Solver(network)
    for answer in (solver.posterior, solver.findings, solver.explanations, lambda facts: solver.joint(facts, ["a"])):
        with pytest.raises(TraceError, match="cannot be together in this network: f: present, f: absent"):
            answer([seen("f"), not_seen("f")])
    assert solver.log_evidence([seen("f"), not_seen("f")]) == -inf


def test_a_fact_about_nothing_known_is_refused():
    network = Network((Cause("seal", 0.1),), ())
    with pytest.raises(NameNotKnown, match="Did you mean seal"):
        posterior(network, [seen("seel")])
    with pytest.raises(NameNotKnown, match="no finding is called 'seal'"):
        Solver(network).findings([], ["seal"])
    with pytest.raises(ValueError, match="once"):
        Solver(network).joint([], ["seal", "seal"])


def test_a_network_too_entangled_names_findings_without_which_it_can_be_weighed():
    causes = tuple(Cause(f"c{i}", 0.05) for i in range(45))
    edges = tuple(Edge(cause.name, 0.3) for cause in causes)
    network = Network(causes, tuple(Finding(f"f{j}", 0.01, edges) for j in range(45)))
    facts = [seen(finding.name) for finding in network.findings]
    with pytest.raises(TraceError, match="too many findings share too many causes") as caught:
        posterior(network, facts)
    dropped = set(caught.value.args[1].removeprefix("Leave out: ").split(", "))
    assert 15 < len(dropped) < 40
    assert posterior(network, [fact for fact in facts if fact.about not in dropped]).chance["c0"] > 0.05


def test_too_many_names_at_once_are_refused():
    network = Network(tuple(Cause(f"c{i}", 0.05) for i in range(40)), ())
    with pytest.raises(TraceError, match="Ask for fewer names at once"):
        Solver(network).joint([], [cause.name for cause in network.causes])


def test_a_search_cut_short_tells_only_what_is_proven(monkeypatch):
    network = family(3, 12, 12, 3)
    facts = [seen(finding.name) for finding in network.findings]
    whole = Solver(network).explanations(facts, 20)
    assert len(whole) == 20
    monkeypatch.setattr(import_module("wearlore.trace.posterior"), "PASSES", 40)
    some = Solver(network).explanations(facts, 20)
    assert 0 < len(some) < 20
    assert some == whole[: len(some)]


def family(seed: int, causes: int, findings: int, parents: float) -> Network:
    rng = np.random.default_rng(seed)
    made = tuple(Cause(f"c{i}", float(rng.uniform(0.01, 0.2))) for i in range(causes))
    found = []
    for j in range(findings):
        chosen = rng.choice(causes, min(causes, 1 + rng.poisson(parents - 1)), replace=False)
        edges = [Edge(f"c{i}", float(rng.uniform(0.2, 0.95))) for i in chosen]
        edges += [Edge(f"f{j - 1}", 0.5)] if 0 < j < 20 else []
        found.append(Finding(f"f{j}", 0.01, tuple(edges)))
    return Network(made, tuple(found))


def test_a_large_family_is_weighed_exactly():
    network = family(1, 150, 200, 4)
    names = np.random.default_rng(1).permutation([finding.name for finding in network.findings])
    facts = [*map(seen, names[:20]), *map(not_seen, names[20:120])]
    answer = posterior(network, facts)
    assert 0 < min(answer.chance.values()) < max(answer.chance.values()) <= 1
