"""The plan of a vehicle: a strategy for each failure mode, rounded to services and grouped, or as a person asks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from wearlore.errors import NameNotKnown, PlanError
from wearlore.plan.grouping import Task, grouped, tasks_of
from wearlore.plan.model import Kind, ModePlan, Option, Plan, Subject, Terms
from wearlore.plan.strategy import FINE, Weighed, best_of_each, cheapest, services


@dataclass(frozen=True, slots=True)
class Asked:
    """A strategy by name; ``every`` km, inf for run to failure."""

    kind: Kind
    every: float


def weigh(subject: Subject, terms: Terms, prices: Mapping[str, float]) -> Weighed:
    """The subject with all its strategies at multiples of the service interval."""
    return Weighed(subject, terms, prices, services(terms))


def plan(
    weighed: Sequence[Weighed], terms: Terms, prices: Mapping[str, float], asked: Mapping[str, Asked] | None = None
) -> Plan:
    """The strategies that together cost least, each within its ceiling; ``asked``: by mode, what a person wants
    instead.

    Raises NameNotKnown for a mode that is not planned for; PlanError for a strategy that breaks its ceiling, or that
    cannot be.
    """
    wanted = asked or {}
    for mode in wanted:
        if mode not in {one.subject.mode for one in weighed}:
            raise NameNotKnown("mode of this plan", mode, [one.subject.mode for one in weighed])
    choices, options = [], []
    for one in weighed:
        every = tuple(one.options())
        options.append(every)
        request = wanted.get(one.subject.mode)
        open_to = _movable(every) if request is None else (_requested(one, every, request),)
        choices.append(tasks_of(one, open_to))
    tasks, together = grouped(choices, prices, terms.service_every)
    alone = sum(cheapest([task.option for task in tasks]).cost.value for tasks in choices)
    modes = [
        _mode_plan(one, every, task, one.subject.mode in wanted)
        for one, every, task in zip(weighed, options, tasks, strict=True)
    ]
    return Plan(terms.service_every, terms.horizon, tuple(modes), alone, together)


def _movable(options: Sequence[Option]) -> tuple[Option, ...]:
    """What the plan may choose from: the cheapest strategy that holds the ceiling, at every distance that holds it."""
    best = cheapest(options)
    same = tuple(option for option in options if option.held and _key(option) == _key(best))
    return same or (best,)


def _requested(weighed: Weighed, options: Sequence[Option], asked: Asked) -> Option:
    able = [option for option in options if option.kind == asked.kind]
    subject = weighed.subject
    if not able:
        raise PlanError(
            f"{subject.mode} cannot be inspected for: it has no lead, or no inspection shows it coming",
            "State its 'lead' in the book and an inspection that shows it, or ask for another strategy.",
        )
    near = min(abs(option.every - asked.every) for option in able) if asked.every < inf else 0.0
    fitting = [o for o in able if asked.every == inf or abs(o.every - asked.every) == near]
    option = min(fitting, key=lambda o: o.cost.value)
    safest = min(options, key=lambda o: o.risk.value)
    if not option.held and (option.risk.value > safest.risk.value):
        raise _broken(weighed, option, options)
    return option


def _broken(weighed: Weighed, option: Option, options: Sequence[Option]) -> PlanError:
    subject, best = weighed.subject, cheapest(options)
    what = "run to failure" if option.kind == "run-to-failure" else f"{option.kind} every {option.every:,.0f} km"
    instead = "run-to-failure" if best.kind == "run-to-failure" else best.label
    holds = "The cheapest that keeps to it" if best.held else "None keeps to it; the one that risks least"
    return PlanError(
        f"{subject.mode} ({subject.severity}): {what} breaks the ceiling, {option.risk.value:.1%} of a failure within "
        f"{weighed.terms.horizon:,.0f} km against {weighed.ceiling:.1%} at most".replace("%", " %"),
        f"{holds}: --strategy {subject.mode}={instead}.",
    )


def _mode_plan(weighed: Weighed, options: Sequence[Option], task: Task, asked: bool) -> ModePlan:
    subject = weighed.subject
    best = _with_chances(weighed, best_of_each(options))
    looking = task.option.inspection or next((option.inspection for option in best if option.kind == "inspect"), "")
    sight = weighed.sight(looking)
    exact = None if task.option.kind == "run-to-failure" else finely(weighed).best_every(*_key(task.option))
    return ModePlan(
        mode=subject.mode,
        name=subject.name,
        component=subject.component,
        units=subject.units,
        hidden=subject.hidden,
        severity=subject.severity,
        remedy=subject.remedy,
        planned=subject.planned + weighed.opening(subject.steps),
        failure=subject.failure,
        options=best,
        chosen=task.option,
        best_every=exact,
        look=sight.money + weighed.opening(sight.steps) if sight else 0.0,
        sensitivity=sight.sensitivity if sight else 0.0,
        ceiling=weighed.ceiling,
        unheld=not any(option.held for option in options),
        asked=asked,
        record_share=subject.record_share,
    )


def _key(option: Option) -> tuple[Kind, str]:
    return option.kind, option.inspection


def _with_chances(weighed: Weighed, best: Sequence[Option]) -> tuple[Option, ...]:
    """Each with the share of the posterior under which no other of them costs less."""
    column = {option.kind: _column(weighed, option) for option in best}
    least = np.argmin([weighed.costs(*_key(o))[:, column[o.kind]] for o in best], axis=0)
    weight = weighed.subject.life.weight
    return tuple(replace(option, cheapest=float(weight[least == i].sum())) for i, option in enumerate(best))


def _column(weighed: Weighed, option: Option) -> int:
    return (
        0
        if option.kind == "run-to-failure"
        else int(np.argmin(np.abs(weighed.events(*_key(option)).every - option.every)))
    )


def finely(weighed: Weighed) -> Weighed:
    """The same subject at distances finer than services, for the best of all distances and for the curve."""
    return replace(weighed, every=np.geomspace(weighed.every[0] / 2, weighed.every[-1], FINE))
