"""What the facts say: exact chances of causes and findings, the likeliest explanations, the weight of each fact.

All is exact (see `elimination` for how); a network too entangled for that is an error that names what to leave out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from itertools import count as counter
from math import exp, inf, log

import numpy as np

from wearlore.errors import NameNotKnown, TraceError
from wearlore.lives import Array
from wearlore.trace.elimination import Bools, Compiled, Entangled, Folded, Plan, backward, fold, forward, plan
from wearlore.trace.network import Fact, Network, not_seen

PASSES = 20_000  # most steps in search of the likeliest explanations, two sums each
NO_STORE = np.empty(0)


@dataclass(frozen=True, slots=True)
class Posterior:
    """``chance`` that each cause is present given the facts; ``log_odds`` keeps the digits where the chance is near 1.

    ``log_evidence``: log of the chance of the facts (of their likelihoods' expectation).
    """

    log_evidence: float
    chance: Mapping[str, float]
    log_odds: Mapping[str, float]

    @property
    def evidence(self) -> float:
        return exp(self.log_evidence)


@dataclass(frozen=True, slots=True)
class Explanation:
    """Exactly these of the causes in question are present; ``chance`` of that given the facts."""

    causes: tuple[str, ...]
    chance: float


@dataclass(frozen=True, slots=True)
class Influence:
    """How far one fact moved each cause: its log-odds with the fact less those without it, all others kept.

    0 where the cause is certain, either way, already without the fact.
    """

    fact: Fact
    log_odds: Mapping[str, float]


class Solver:
    """One network, and the orders of elimination found for it so far. Solves for many sets of facts."""

    def __init__(self, network: Network) -> None:
        self.network = network
        self._compiled = Compiled.of(network)
        self._place = {name: i for i, name in enumerate(network.names)}
        self._plans: dict[bytes, Plan] = {}

    # ------------------------------------------------------------------------------------------------------- answers
    def posterior(self, facts: Sequence[Fact]) -> Posterior:
        """Raises NameNotKnown; TraceError for facts that cannot be together or too many that hang together."""
        log_evidence, weights = self._marginals(facts)
        causes = [cause.name for cause in self.network.causes]
        weights = weights[: len(causes)]
        with np.errstate(divide="ignore"):  # log 0 = -inf is meant: certain
            log_odds = np.log(weights[:, 1]) - np.log(weights[:, 0])
        chance = weights[:, 1] / weights.sum(axis=1)
        return Posterior(
            log_evidence,
            dict(zip(causes, chance.tolist(), strict=True)),
            dict(zip(causes, log_odds.tolist(), strict=True)),
        )

    def shifted(self, facts: Sequence[Fact], names: Sequence[str], likelihoods: Array) -> dict[str, Array]:
        """Chance of each cause given the facts under each of d shifts of the causes ``names``.

        ``likelihoods``, shape (d, len(names), 2): of absent and present, all above 0; a shift counts as facts do. Each
        array has shape (d,). Raises as `posterior`.
        """
        log_constant, weight = self._weights(facts)
        if log_constant == -inf:
            raise self._contradiction(facts)
        places = [self._at(name) for name in names]
        chances = np.empty((len(likelihoods), len(self.network.causes)))
        for row, shift in zip(chances, likelihoods, strict=True):
            moved = weight.copy()
            moved[places] *= shift
            log_evidence, weights = self._sums(moved / moved.max(axis=1, keepdims=True))
            if log_evidence == -inf:
                raise self._contradiction(facts)
            row[:] = weights[: row.size, 1] / weights[: row.size].sum(axis=1)
        return {cause.name: chances[:, i] for i, cause in enumerate(self.network.causes)}

    def findings(self, facts: Sequence[Fact], names: Iterable[str] | None = None) -> dict[str, float]:
        """Chance that each finding (all of them, or ``names``) is present given the facts, to 1e-12 absolute.

        Raises as `posterior`.
        """
        known = [finding.name for finding in self.network.findings]
        log_evidence, weights = self._marginals(facts)
        chances = {}
        for name in known if names is None else names:
            if name not in known:
                raise NameNotKnown("finding", name, known)
            absent, present = weights[self._place[name]]
            if absent + present > 0:
                chances[name] = float(present / (absent + present))
            else:  # no bit of its own: its absence is but a weight on what lies upstream
                without = self.log_evidence([*facts, Fact(name, 1.0, 0.0)])
                chances[name] = min(1.0, max(0.0, -np.expm1(without - log_evidence)))
        return chances

    def joint(self, facts: Sequence[Fact], names: Sequence[str]) -> Array:
        """Chances of all combinations of a few causes and findings given the facts.

        Shape (2,) * len(names): index 0 absent, 1 present. Raises as `posterior`.
        """
        if len(set(names)) < len(names):
            raise ValueError("each name once")
        log_constant, weight = self._weights(facts)
        kept = np.zeros(len(weight), np.bool_)
        kept[[self._at(name) for name in names]] = True
        folded, order = self._prepare(weight, kept)
        log_sum, frontier = self._forward(folded, order)
        if log_constant + folded.log_constant + log_sum == -inf:
            raise self._contradiction(facts)
        k = len(names)
        table = frontier.reshape((2,) * k)
        for place, what in enumerate(order.last):
            shape = [1] * k
            shape[k - 1 - place] = 2
            table = table * folded.end[what].reshape(shape)
        places = {int(what): place for place, what in enumerate(order.last)}
        table = table.transpose([k - 1 - places[self._at(name)] for name in names])
        if not (total := float(table.sum())) > 0:
            raise self._contradiction(facts)
        return table / total

    def explanations(
        self, facts: Sequence[Fact], count: int = 5, among: Iterable[str] | None = None
    ) -> tuple[Explanation, ...]:
        """The ``count`` likeliest combinations of the causes in question, likeliest first; other causes are summed out.

        ``among``: the causes in question; without it those that can bring about something that the facts speak for.
        Found by best-first search under the bound that sums after it maximises (Park & Darwiche 2003, "Solving MAP
        exactly using systematic search", UAI), the surest cause decided first. Each one returned is proven; fewer than
        asked for are returned only when there are no more, or when `PASSES` steps did not prove more. Raises as
        `posterior`.
        """
        weight = self._weights(facts)[1]
        folded, order = self._prepare(weight, np.zeros(len(weight), np.bool_))
        chance, log_evidence = self.posterior(facts), self._forward(folded, order)[0]
        names = self.in_question(facts) if among is None else tuple(dict.fromkeys(among))
        names = tuple(sorted(names, key=lambda name: -abs(chance.log_odds[self._cause(name)])))
        places = [self._at(name) for name in names]
        maximised = np.zeros(len(weight), np.bool_)
        maximised[places] = True

        def bound(states: tuple[bool, ...]) -> float:
            end = folded.end.copy()
            for place, present in zip(places, states, strict=False):
                end[place, 0 if present else 1] = 0.0
            return self._forward(replace(folded, end=end), order, maximised)[0] - log_evidence

        found: list[Explanation] = []
        tie = counter()
        open_: list[tuple[float, int, tuple[bool, ...]]] = [(-bound(()), next(tie), ())]
        for _ in range(PASSES):
            if not open_ or len(found) == count:
                break
            negative, _, states = heappop(open_)
            if len(states) == len(names):
                present = {name for name, is_present in zip(names, states, strict=True) if is_present}
                ordered = tuple(cause.name for cause in self.network.causes if cause.name in present)
                found.append(Explanation(ordered, exp(-negative)))
                continue
            for value in (False, True):
                if (at_most := bound((*states, value))) > -inf:
                    heappush(open_, (-at_most, next(tie), (*states, value)))
        return tuple(found)

    def in_question(self, facts: Sequence[Fact]) -> tuple[str, ...]:
        """Causes that can bring about something that the facts speak for. Raises NameNotKnown."""
        compiled, weight = self._compiled, self._weights(facts)[1]
        upstream = weight[:, 1] > weight[:, 0]
        for e in range(compiled.source.size - 1, -1, -1):
            if upstream[compiled.target[e]] and compiled.chance[e] > 0:
                upstream[compiled.source[e]] = True
        return tuple(cause.name for cause, is_up in zip(self.network.causes, upstream, strict=False) if is_up)

    def none_of(self, facts: Sequence[Fact], names: Sequence[str]) -> float:
        """Chance that none of these causes and findings is present given the facts. Raises as `posterior`."""
        log_evidence = self.log_evidence(facts)
        if log_evidence == -inf:
            raise self._contradiction(facts)
        return min(1.0, exp(self.log_evidence([*facts, *(not_seen(name) for name in names)]) - log_evidence))

    def influence(self, facts: Sequence[Fact]) -> tuple[Influence, ...]:
        """For each fact, how far it moved each cause. Raises as `posterior`."""
        with_all = self.posterior(facts).log_odds
        influences = []
        for i, fact in enumerate(facts):
            without = self.posterior([*facts[:i], *facts[i + 1 :]]).log_odds
            moved = {name: 0.0 if odds == without[name] else odds - without[name] for name, odds in with_all.items()}
            influences.append(Influence(fact, moved))
        return tuple(influences)

    def log_evidence(self, facts: Sequence[Fact]) -> float:
        """Log of the chance of the facts; -inf when they cannot be together. Raises NameNotKnown, TraceError."""
        log_constant, weight = self._weights(facts)
        folded, order = self._prepare(weight, np.zeros(len(weight), np.bool_))
        return log_constant + folded.log_constant + self._forward(folded, order)[0]

    # --------------------------------------------------------------------------------------------------------- steps
    def _at(self, name: str) -> int:
        if name not in self._place:
            raise NameNotKnown("cause or finding", name, self._place)
        return self._place[name]

    def _cause(self, name: str) -> str:
        if self._at(name) >= len(self.network.causes):
            raise NameNotKnown("cause", name, [cause.name for cause in self.network.causes])
        return name

    def _weights(self, facts: Sequence[Fact]) -> tuple[float, Array]:
        """Log of what is taken out in front (-inf: facts about one name contradict each other); likelihoods (n, 2) of
        absent and present, the greater of them 1.
        """
        weight = [1.0] * (2 * len(self._place))
        log_constant = 0.0
        for fact in facts:
            at = 2 * self._at(fact.about)
            if fact.says_nothing:
                log_constant += log(fact.present)
                continue
            weight[at] *= fact.absent
            weight[at + 1] *= fact.present
            if not (top := max(weight[at], weight[at + 1])) > 0:  # two facts about one name contradict each other
                return -inf, np.ones((len(self._place), 2))
            weight[at] /= top
            weight[at + 1] /= top
            log_constant += log(top)
        return log_constant, np.array(weight).reshape(-1, 2)

    def _prepare(self, weight: Array, kept: Bools) -> tuple[Folded, Plan]:
        compiled = self._compiled
        folded = self._fold(weight, kept)
        key = folded.bit.tobytes() + folded.active.tobytes() + kept.tobytes()
        if key not in self._plans:
            try:
                self._plans[key] = plan(folded, compiled, kept)
            except Entangled:
                raise self._too_entangled(weight, kept) from None
        return folded, self._plans[key]

    def _fold(self, weight: Array, kept: Bools) -> Folded:
        c = self._compiled
        return Folded(*fold(c.causes, c.one, c.source, c.target, c.chance, weight, kept))

    def _forward(
        self, folded: Folded, order: Plan, maximised: Bools | None = None, store: Array = NO_STORE
    ) -> tuple[float, Array]:
        if maximised is None:
            maximised = np.zeros(folded.bit.size, np.bool_)
        result: tuple[float, Array] = forward(
            order.operations, order.peak, self._compiled.chance, folded.begin, folded.end, maximised, store
        )
        return result

    def _marginals(self, facts: Sequence[Fact]) -> tuple[float, Array]:
        """Log evidence; weights (n, 2) of absent and present, each pair in its own scale, 0 and 0 for what
        has no bit."""
        log_constant, weight = self._weights(facts)
        log_evidence, weights = self._sums(weight)
        if log_constant + log_evidence == -inf:
            raise self._contradiction(facts)
        return log_constant + log_evidence, weights

    def _sums(self, weight: Array) -> tuple[float, Array]:
        """As `_marginals`, from the likelihoods of `_weights`; -inf where they cannot be together."""
        folded, order = self._prepare(weight, np.zeros(len(weight), np.bool_))
        store = np.empty(order.cells)
        log_evidence = folded.log_constant + self._forward(folded, order, store=store)[0]
        if log_evidence == -inf:
            return log_evidence, weight
        weights: Array = backward(order.operations, order.peak, self._compiled.chance, folded.begin, folded.end, store)
        return log_evidence, weights

    # -------------------------------------------------------------------------------------------------------- errors
    def _contradiction(self, facts: Sequence[Fact]) -> TraceError:
        """Names facts that cannot be together, none of which can be spared."""
        held = list(facts)
        for fact in facts:
            rest = [other for other in held if other is not fact]
            if rest and self.log_evidence(rest) == -inf:
                held = rest
        named = ", ".join(fact.label for fact in held)
        if len(held) == 1:
            problem = f"this cannot be in this network: {named}"
        else:
            problem = f"these facts cannot be together in this network: {named}"
        return TraceError(problem, "Look again at one of them, or give the finding a leak: something else may cause it")

    def _too_entangled(self, weight: Array, kept: Bools) -> TraceError:
        """Names findings without which the sums can be made, taken out by falling number of unknown parents."""
        weight, dropped = weight.copy(), []
        while True:
            folded = self._fold(weight, kept)
            try:
                plan(folded, self._compiled, kept, attempts=2)
                break
            except Entangled:
                degree = np.bincount(self._compiled.target[folded.active], minlength=len(weight))
                degree[(weight[:, 0] == weight[:, 1]) | kept] = 0
                worst = int(degree.argmax())
                if degree[worst] == 0:
                    break
                dropped.append(self.network.names[worst])
                weight[worst] = 1.0
        return TraceError(
            "too many findings share too many causes to be weighed together exactly",
            f"Leave out: {', '.join(dropped)}" if dropped else "Ask for fewer names at once",
        )


def posterior(network: Network, facts: Sequence[Fact]) -> Posterior:
    """Chance of each cause given the facts. Raises as `Solver.posterior`; use a `Solver` for many sets of facts."""
    return Solver(network).posterior(facts)
