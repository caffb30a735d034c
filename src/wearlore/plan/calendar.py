"""What a plan asks for at each service ahead, by the odometer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Literal

from wearlore.plan.model import ModePlan, Plan
from wearlore.plan.strategy import Weighed
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

SOON = 0.05  # of a service interval: what is due so soon is done at the service before


@dataclass(frozen=True, slots=True)
class Job:
    """``inspect``: look for ``modes`` by one ``inspection``; ``renew``: what one ``remedy`` renews on ``units``;
    ``cure``: a fault that is known and open. ``guessed``: an age is not known, and taken as the most that it can be."""

    kind: Literal["inspect", "renew", "cure"]
    modes: tuple[str, ...]
    units: tuple[str, ...]
    inspection: str
    remedy: str
    guessed: bool


@dataclass(frozen=True, slots=True)
class Service:
    """``km``: on the odometer; ``number``: counted from new. ``money``: what the jobs cost beside the service itself,
    looks that find nothing."""

    km: float
    number: int
    jobs: tuple[Job, ...]
    money: float


@dataclass
class _Unit:
    """A mode on one unit on the way along the calendar: its ``age`` at ``km`` (of the mode when last cured), when it
    was last ``looked`` at, and whether the age is a guess."""

    name: str
    mode: ModePlan
    new_at: float
    looked_at: float
    guessed: bool
    open: bool


def calendar(
    plan: Plan, vehicle: Vehicle, weighed: Sequence[Weighed], prices: Mapping[str, float], ahead: float
) -> tuple[Service, ...]:
    """The services over the next ``ahead`` km of ``vehicle``; nothing fails in between.

    A renewal is due at the service nearest to its age; a look at every n-th service by number, and at once where the
    last one is longer ago than the plan allows.
    """
    units = [unit for fitted in vehicle.units for unit in _units(plan, fitted, vehicle.km)]
    subjects = {one.subject.mode: one for one in weighed}
    every = plan.service_every
    first = ceil((vehicle.km + SOON * every) / every)
    last = int((vehicle.km + ahead + SOON * every) // every)
    services = []
    for number in range(first, last + 1):
        km = number * every
        jobs = tuple(_jobs(units, km, number, every))
        services.append(Service(km, number, jobs, _money(jobs, subjects, prices)))
    return tuple(services)


def _units(plan: Plan, fitted: FittedUnit, km: float) -> Iterator[_Unit]:
    for mode in plan.modes:
        state = next((s for s in fitted.modes if s.mode == mode.mode), None)
        if state is not None and fitted.name in mode.units:
            yield _unit(mode, fitted, state, km)


def _unit(mode: ModePlan, fitted: FittedUnit, state: ModeState, km: float) -> _Unit:
    age = km if state.age is None else state.age
    seen = state.seen_good if mode.hidden and state.age is not None else age
    return _Unit(fitted.name, mode, km - age, km - age + seen, state.age is None, state.present)


def _jobs(units: Sequence[_Unit], km: float, number: int, every: float) -> Iterator[Job]:
    found: dict[tuple[str, str], list[_Unit]] = {}
    for unit in units:
        chosen = unit.mode.chosen
        age = km - unit.new_at
        if unit.open:
            found.setdefault(("cure", unit.mode.remedy), []).append(unit)
        elif chosen.kind == "renew" and age > chosen.every - every / 2:
            found.setdefault(("renew", unit.mode.remedy), []).append(unit)
        elif chosen.kind == "inspect" and (
            number % round(chosen.every / every) == 0 or km - unit.looked_at > chosen.every * (1 + SOON)
        ):
            found.setdefault(("inspect", chosen.inspection), []).append(unit)
    for (kind, name), due in found.items():
        yield Job(
            kind,  # type: ignore[arg-type]
            tuple(dict.fromkeys(unit.mode.mode for unit in due)),
            tuple(dict.fromkeys(unit.name for unit in due)),
            name if kind == "inspect" else "",
            "" if kind == "inspect" else name,
            any(unit.guessed for unit in due) and kind == "renew",
        )
        for unit in due:
            unit.looked_at = km
            if kind != "inspect":
                unit.new_at, unit.open, unit.guessed = km, False, False


def _money(jobs: Sequence[Job], subjects: Mapping[str, Weighed], prices: Mapping[str, float]) -> float:
    """Each step once."""
    steps: set[str] = set()
    money = 0.0
    for job in jobs:
        for mode in job.modes:
            one = subjects[mode]
            if job.kind == "inspect":
                sight = one.sight(job.inspection)
                steps |= sight.steps if sight else set()
            else:
                steps |= one.subject.steps
                count = sum(unit in one.subject.units for unit in job.units)
                money += one.subject.planned * count
                break  # one remedy renews them together
    return money + sum(prices[step] for step in sorted(steps))
