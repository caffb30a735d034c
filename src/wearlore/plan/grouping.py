"""Many tasks on one calendar: distances that are multiples of the service interval, chosen so that access is shared.

A step that several tasks need is paid once at a service. Tasks fall on services by number, counted from new: one every
n services on each n-th. A renewal is due there only where the piece has lived so long, so it opens the way with that
share (independently of the others). From several starts, each task in turn moves to the distance that costs least
beside the others as they stand, until none moves; the best end is taken."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.plan.model import Option
from wearlore.plan.strategy import PER, Weighed

SERVICES = 60  # a calendar that holds a round of every two, three, four, five, six … services
ROUNDS = 30
SURE = 1 - 1e-9  # of what is opened for certain, so that it can be taken off again


@dataclass(frozen=True, slots=True)
class Task:
    """One option of one mode: ``own`` money per km beside opening; ``steps`` (s,), by number, with the ``share`` (s,)
    of the services of its ``turn`` at which it opens them (0: never)."""

    option: Option
    own: float
    steps: NDArray[np.int64]
    share: Array
    turn: int


def tasks_of(weighed: Weighed, options: Iterable[Option]) -> tuple[Task, ...]:
    """Each option with what it pays alone and what it opens."""
    number = {step: i for i, step in enumerate(weighed.prices)}
    return tuple(_task(weighed, option, number) for option in options)


def _task(weighed: Weighed, option: Option, number: Mapping[str, int]) -> Task:
    subject, weight = weighed.subject, weighed.subject.life.weight
    events = weighed.events(option.kind, option.inspection)
    planned = option.kind != "run-to-failure"
    column = int(np.argmin(np.abs(events.every - option.every))) if planned else 0
    renewed, failed, looks = (float(weight @ rate[:, column]) for rate in (events.renewed, events.failed, events.looks))
    own = weighed.places * (renewed * subject.planned + failed * subject.failure)
    uses: dict[str, float] = {}
    if planned:
        uses = dict.fromkeys(sorted(subject.steps), min(1.0, weighed.places * renewed * option.every))
    if sight := weighed.sight(option.inspection):
        own += looks * sight.money
        uses |= dict.fromkeys(sorted(sight.steps), 1.0)
    steps = np.array([number[step] for step in uses], np.int64)
    turn = round(option.every / weighed.terms.service_every) if planned else 0
    return Task(option, own, steps, np.array([*uses.values()]), turn)


class _Calendar:
    """``shut`` (steps, services): chance that none of the tasks taken up opens the step at that service."""

    def __init__(self, prices: Mapping[str, float], service_every: float) -> None:
        self.per_km = np.array([*prices.values()]) / (service_every * SERVICES)
        self.shut = np.ones((len(prices), SERVICES))

    def put(self, task: Task) -> None:
        if task.turn:
            self.shut[task.steps, task.turn - 1 :: task.turn] *= 1 - SURE * task.share[:, None]

    def take(self, task: Task) -> None:
        if task.turn:
            self.shut[task.steps, task.turn - 1 :: task.turn] /= 1 - SURE * task.share[:, None]

    def beside(self, task: Task) -> float:
        """Money per km that the task adds to what the others open."""
        if not task.turn:
            return task.own
        opened = self.shut[task.steps, task.turn - 1 :: task.turn].sum(axis=1)
        return task.own + float((self.per_km[task.steps] * task.share) @ opened)


def grouped(
    choices: Sequence[Sequence[Task]], prices: Mapping[str, float], service_every: float
) -> tuple[list[Task], float]:
    """One task for each mode, and money per 100,000 km of all together."""
    alone = [min(tasks, key=lambda task: task.option.cost.value) for tasks in choices]
    starts = [alone, *([_at_turn(*pair, turn) for pair in zip(choices, alone, strict=True)] for turn in (1, 2, 3, 4))]
    ends = [_settled(start, choices, prices, service_every) for start in starts]
    return min(ends, key=lambda end: end[1])


def _at_turn(tasks: Sequence[Task], lone: Task, turn: int) -> Task:
    """At the distance nearest to its own that is a multiple of ``turn`` services."""
    near = [task for task in tasks if task.turn and task.turn % turn == 0]
    return min(near, key=lambda task: abs(task.turn - lone.turn), default=lone) if lone.turn else lone


def _settled(
    start: Sequence[Task], choices: Sequence[Sequence[Task]], prices: Mapping[str, float], service_every: float
) -> tuple[list[Task], float]:
    chosen = list(start)
    calendar = _Calendar(prices, service_every)
    for task in chosen:
        calendar.put(task)
    for _ in range(ROUNDS):
        moved = False
        for i, tasks in enumerate(choices):
            calendar.take(chosen[i])
            best = min(tasks, key=calendar.beside)
            if calendar.beside(best) < calendar.beside(chosen[i]) * (1 - 1e-9):
                chosen[i], moved = best, True
            calendar.put(chosen[i])
        if not moved:
            break
    return chosen, PER * together(chosen, prices, service_every)


def together(tasks: Sequence[Task], prices: Mapping[str, float], service_every: float) -> float:
    """Money per km of all of them on one calendar."""
    calendar, total = _Calendar(prices, service_every), 0.0
    for task in tasks:
        total += calendar.beside(task)
        calendar.put(task)
    return total
