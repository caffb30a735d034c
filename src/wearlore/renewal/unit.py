"""One unit with all its modes: the expected cost later if it is left, renewed, cleaned or guarded.

Each mode is cured in future by the remedy that is cheapest for it in the long run. Modes with the same future cure form
one group, a competing-risks renewal process which that cure renews; groups add up. What is not known of a life is
carried by d equally likely draws of the parameters from the mode's posterior, reweighted by what the unit has shown:
that the mode was absent at the age at which it was last seen to be.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from typing import TypeVar

import numpy as np

from wearlore.life.likelihood import LOGNORMAL
from wearlore.life.model import LifeModel
from wearlore.lives import Array
from wearlore.renewal.equation import (
    Draws,
    Process,
    Span,
    draw_nodes,
    survival,
    there_now,
    unknown_age,
    worth_left,
    worth_new,
)
from wearlore.renewal.risk import Cure, Effect, Group, Kept, ModeRisk, Parameters
from wearlore.renewal.upkeep import Renewable

T = TypeVar("T")
Models = Callable[[str, str, str], LifeModel]  # mode, revision, grade -> its life model
MEDIAN_Z = np.log(np.log(2.0))  # of the smallest extreme value distribution


@dataclass
class UnitWorth:
    """A unit as it stands: its modes, what may cure them later, and the draws; built once, asked for each effect.

    What is to come is a number of failures by each mode times what one costs, so that the numbers are ``kept``.

    ``odometer``, ``at_least`` (distance the unit has certainly been in place): km. ``draws``: for each mode, all of
    one length d.
    """

    risks: Sequence[ModeRisk]
    cures: Sequence[Cure]
    revision: str
    grade: str
    odometer: float
    at_least: float
    models: Models
    span: Span
    draws: Mapping[str, Draws]
    kept: Kept = field(default_factory=Kept)
    groups: tuple[Group, ...] = field(init=False)

    @property
    def count(self) -> int:
        return next(iter(self.draws.values())).order.size

    def __post_init__(self) -> None:
        self.kept.over(self.span)
        for risk in self.risks:
            if risk.applies(self.revision):
                self._parameters(risk, self.revision, self.grade)
        self.groups = self._grouped()

    def later(self, effect: Effect | None = None, offset: float = 0.0, draws: int | None = None) -> tuple[Array, Array]:
        """Expected discounted cost over the span, and the chance of needing a cure within it: both (d,).

        ``effect``: what is done now (None: the unit is left). ``offset``: as if the vehicle stood that many km further
        on with nothing failed. ``draws``: only the first so many.
        """
        cost, chance = self._later_at(effect, (offset,), draws or self.count)
        return cost[:, 0], chance[:, 0]

    def course(self, effect: Effect | None, offsets: Array, draws: int) -> Array:
        """Expected cost as `later` has it at each of ``offsets`` (k,): (k,)."""
        return self._later_at(effect, tuple(offsets.tolist()), draws)[0].mean(axis=0)  # type: ignore[no-any-return]

    def _later_at(self, effect: Effect | None, offsets: tuple[float, ...], draws: int) -> tuple[Array, Array]:
        cost, kept = np.zeros((draws, len(offsets))), np.ones((draws, len(offsets)))
        for group in self.groups:
            group_cost, group_chance = self._group_later(group, effect, offsets, draws)
            cost += group_cost
            kept *= 1 - group_chance
        return cost, 1 - kept

    def renewables(self, unit: str) -> tuple[tuple[Cure, Renewable], ...]:
        """The groups that have a cure, each with it; one age for each draw. Its money and steps stay empty here."""
        found = []
        for group in self.groups:
            if group.cure is None:
                continue
            effect, risks = group.cure.effect, [self.risks[i] for i in group.modes]
            fresh = self._process(group, [(effect.revision, effect.grade)] * len(risks), None, self.count)
            age, seen, weight = self._ages(group, None, 0.0, self.count)
            case = (np.cumsum(weight, axis=1) > self._lots()[:, None]).argmax(axis=1)
            item = Renewable(
                unit=unit,
                modes=tuple(risk.mode for risk in risks),
                remedy=group.cure.remedy,
                fitted=self._process(group, [(self.revision, self.grade)] * len(risks), None, self.count),
                fresh=fresh,
                consequence=np.array([risk.consequence for risk in risks]),
                age=age[case],
                seen=seen[case],
                start=self._start(fresh, effect),
                worth=self._worth_renewed(group, None, self.count),
                money=0.0,
                needs=frozenset(),
                present=np.array([risk.present for risk in risks]),
                lead=np.array([risk.lead for risk in risks]),
                hidden=np.array([risk.hidden for risk in risks]),
                stranded=np.array([risk.stranded for risk in risks]),
                damaging=np.array([risk.damaging for risk in risks]),
            )
            found.append((group.cure, item))
        return tuple(found)

    def _lots(self) -> Array:
        """One number in (0, 1) for each draw, evenly spread, in an order of their own."""
        order = next(iter(self.draws.values())).order
        return (order[::-1] + 0.5) / order.size

    def _group_later(
        self, group: Group, effect: Effect | None, offsets: tuple[float, ...], draws: int
    ) -> tuple[Array, Array]:
        """Cost and chance (d, k) at k ``offsets``."""
        modes = frozenset(self.risks[i].mode for i in group.modes)
        done = replace(effect, cures=effect.cures & modes) if effect and effect.cures & modes else None
        guard = done if done and done.lowers is not None else None
        present = np.array([0.0 if _restarts(done, self.risks[i].mode) else self.risks[i].present for i in group.modes])
        charge, absent = there_now(group.cost, present)
        cost = np.full((draws, 1), charge)
        if absent < 1:
            cost += (1 - absent) * _money(group.cost, self._failures_renewed(group, guard, draws)[:, :, -1:])
        if absent == 0:
            return cost.repeat(len(offsets), axis=1), np.ones((draws, len(offsets)))
        if done and done.renews and done.cures == modes:
            offsets = (0.0,) * min(len(offsets), 1)  # nothing old is left in it: the same at every offset
        failures, chance = self._failures_left(group, done, offsets, draws)
        return cost + absent * _money(group.cost, failures), 1 - absent + absent * chance

    def _worth_renewed(self, group: Group, guard: Effect | None, draws: int) -> Array:
        """What the group costs once it is cured, over 0, 1, … steps of the span: (d, steps + 1)."""
        return _money(group.cost, self._failures_renewed(group, guard, draws))

    def _failures_renewed(self, group: Group, guard: Effect | None, draws: int) -> Array:
        """Discounted number of failures by each mode once the group is cured: (m, d, steps + 1)."""
        if group.cure is None:
            return np.zeros((len(group.modes), draws, self.span.steps + 1))
        effect = group.cure.effect

        def reckon() -> Array:
            process = self._process(group, [(effect.revision, effect.grade)] * len(group.modes), guard, draws)
            start = self._start(process, effect)
            return np.stack([worth_new(one, start, self.span) for one in _each_alone(process)])

        return self._counted(("renewed", group.modes, effect, guard, draws), group, reckon)

    def _failures_left(
        self, group: Group, effect: Effect | None, offsets: tuple[float, ...], draws: int
    ) -> tuple[Array, Array]:
        """Discounted number of failures by each mode (m, d, k), and the chance of any (d, k), at k ``offsets``."""
        guard = effect if effect and effect.lowers is not None else None

        def reckon() -> tuple[Array, Array]:
            renewed = self._failures_renewed(group, guard, draws)
            process = self._process(group, self._designs(group, effect), guard, draws)
            cases = [self._ages(group, effect, offset, draws) for offset in offsets]
            age, seen = (np.concatenate([case[i] for case in cases]) for i in (0, 1))
            weight = np.concatenate([case[2] for case in cases], axis=1)
            first = np.cumsum([0, *(case[0].shape[0] for case in cases[:-1])])
            left = [
                worth_left(one, age, seen, w, self.span) for one, w in zip(_each_alone(process), renewed, strict=True)
            ]
            failures = [np.add.reduceat(one.cost * weight, first, axis=1) for one in left]
            return np.stack(failures), np.add.reduceat(left[0].chance * weight, first, axis=1)

        cured = group.cure.effect if group.cure else None
        return self._counted(("left", group.modes, cured, effect, offsets, draws), group, reckon)

    def _counted(self, what: tuple[Hashable, ...], group: Group, reckon: Callable[[], T]) -> T:
        key = (*what, *(self.risks[i].speed for i in group.modes))
        if key not in self.kept.counted:
            self.kept.counted[key] = reckon()
        return self.kept.counted[key]  # type: ignore[no-any-return]

    def _designs(self, group: Group, effect: Effect | None) -> list[tuple[str, str]]:
        """Revision and grade that each mode of the group stands in after ``effect``."""
        return [
            (effect.revision, effect.grade)
            if effect and effect.renews and self.risks[i].mode in effect.cures
            else (self.revision, self.grade)
            for i in group.modes
        ]

    @staticmethod
    def _start(process: Process, effect: Effect) -> Array:
        """Age at which a future cure starts the modes: 0, or what a clean leaves of the median life."""
        median = np.exp((process.mu + np.where(process.lognormal, 0.0, MEDIAN_Z) * process.sigma).mean(axis=0))
        return np.zeros_like(median) if effect.restores is None else (1 - effect.restores) * median

    def _process(self, group: Group, designs: list[tuple[str, str]], guard: Effect | None, draws: int) -> Process:
        """The group's modes in units of the given (revision, grade), one for each mode, under a guard if any."""
        lowers = guard.lowers if guard and guard.lowers is not None else 1.0
        guarded = guard.cures if guard else frozenset()
        risks = [self.risks[i] for i in group.modes]
        parameters = [self._parameters(risk, *design) for risk, design in zip(risks, designs, strict=True)]
        rate = [
            (lowers if risk.mode in guarded else 1.0) if risk.applies(revision) else 0.0
            for risk, (revision, _) in zip(risks, designs, strict=True)
        ]
        return Process(
            np.stack([p.mu[:draws] for p in parameters], axis=1),
            np.stack([p.sigma[:draws] for p in parameters], axis=1),
            np.array([p.lognormal for p in parameters]),
            group.cost,
            np.array(rate),
            np.array([risk.speed for risk in risks]),
        )

    def _ages(self, group: Group, effect: Effect | None, offset: float, draws: int) -> tuple[Array, Array, Array]:
        """Ages and ages last seen good (k, m) with weights (d, k): one case, or the ages that a unit may have."""
        risks = [self.risks[i] for i in group.modes]
        renewed = effect.cures if effect and effect.renews else frozenset()
        unknown = [m for m, risk in enumerate(risks) if risk.age is None and risk.mode not in renewed]
        cases, weight = np.zeros(1), np.ones((draws, 1))
        if unknown:
            part = Group(tuple(group.modes[m] for m in unknown), group.cure, group.cost[unknown])
            process = self._process(part, [(self.revision, self.grade)] * len(unknown), None, draws)
            spread = unknown_age(process, self.odometer + offset, self.at_least + offset)
            cases, weight = spread.age, spread.weight
        age, seen = np.empty((cases.size, len(risks))), np.empty((cases.size, len(risks)))
        for m, risk in enumerate(risks):
            now = cases if risk.age is None else np.full(cases.size, max(risk.age + offset, 0.0))  # cases of 0: renewed
            last = np.minimum(now, self._last_seen(risk, now, offset))
            if _restarts(effect, risk.mode):
                assert effect is not None
                now = (1 - effect.restores) * now if effect.restores is not None else np.zeros_like(now)
                last = now
            age[:, m], seen[:, m] = now, last
        return age, seen, weight

    def _last_seen(self, risk: ModeRisk, now: Array, offset: float) -> Array:
        if not risk.hidden or risk.judged:
            return now
        if risk.age is None:
            return np.maximum(now - max(self.at_least - risk.seen_good, 0.0) - offset, 0.0)
        return np.full(now.size, risk.seen_good)

    def _parameters(self, risk: ModeRisk, revision: str, grade: str) -> Parameters:
        """Draws of the mode's parameters in a unit of this design; those of the unit itself weigh what it has shown."""
        if not risk.applies(revision):
            return Parameters(np.zeros(self.count), np.ones(self.count), False)
        key = (risk.mode, revision, grade)
        if key not in self.kept.drawn:
            model = self.models(*key)
            mu, sigma, weight = (np.asarray(a, float) for a in model.nodes)
            lognormal = model.dist.name == LOGNORMAL.name
            if (revision, grade) == (self.revision, self.grade):
                shown = self._likelihood(risk, mu, sigma, lognormal)
                weight = weight * shown if (weight * shown).sum() > 0 else weight
            chosen = draw_nodes(weight, self.draws[risk.mode])
            self.kept.drawn[key] = Parameters(mu[chosen], sigma[chosen], lognormal)
        return self.kept.drawn[key]

    def _likelihood(self, risk: ModeRisk, mu: Array, sigma: Array, lognormal: bool) -> Array:
        """Chance of what the unit has shown under each node: the mode absent when last seen, or in place so long."""
        if risk.age is not None:
            alive: Array = survival(min(risk.seen_good, risk.age) if risk.hidden else risk.age, mu, sigma, lognormal)
            return alive
        one = np.ones(1)
        single = Process(mu[:, None], sigma[:, None], np.array([lognormal]), one, one, one)
        return unknown_age(single, self.odometer, self.at_least).likelihood

    def _grouped(self) -> tuple[Group, ...]:
        chosen = [self._future_cure(i) for i in range(len(self.risks))]
        members: dict[int | None, list[int]] = {}
        for i, cure in enumerate(chosen):
            members.setdefault(cure, []).append(i)
        return tuple(
            Group(
                tuple(modes),
                None if cure is None else self.cures[cure],
                np.array([self._failure_cost(i, cure) for i in modes]),
            )
            for cure, modes in members.items()
        )

    def _failure_cost(self, i: int, cure: int | None) -> float:
        return self.risks[i].consequence + (0.0 if cure is None else self.cures[cure].money)

    def _future_cure(self, i: int) -> int | None:
        """The number of the cure that costs least over the span, used for ever."""
        able = [c for c, cure in enumerate(self.cures) if self.risks[i].mode in cure.effect.cures]
        best, least = None, inf
        for c in able:
            group = Group((i,), self.cures[c], np.array([self._failure_cost(i, c)]))
            failures = self._failures_renewed(group, None, self.count)
            total = group.cost[0] * (1 + failures[0, :, -1].mean())
            if total < least:
                best, least = c, float(total)
        return best


def _money(cost: Array, failures: Array) -> Array:
    """What failures by each mode (m, d, k) come to: (d, k)."""
    return cost[0] * failures[0] if cost.size == 1 else np.tensordot(cost, failures, 1)


def _each_alone(process: Process) -> list[Process]:
    """The process with a failure of one mode costing 1 and those of the others nothing, for each mode."""
    return [replace(process, cost=alone) for alone in np.eye(process.cost.size)]


def _restarts(effect: Effect | None, mode: str) -> bool:
    return effect is not None and effect.lowers is None and mode in effect.cures
