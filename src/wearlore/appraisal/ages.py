"""Courses of a vehicle some of whose ages are not known: over many ages that its units may have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wearlore.outlook import Courses, courses
from wearlore.renewal import Process, unknown_age
from wearlore.renewal.upkeep import Mask, Renewable, Rule, Upkeep
from wearlore.vehicle import Vehicle

SETS = 16  # of ages; one age for each draw of a life's parameters in each of them


def over_ages(
    upkeep: Upkeep, vehicle: Vehicle, rule: Rule, *, rounds: int, seed: int, rng: np.random.Generator
) -> Courses:
    """`SETS` x ``rounds`` courses for each draw of the parameters, on the luck of ``seed``; run r lives by draw
    r mod d. ``vehicle``: of which ``upkeep`` was made, everything on it looked at and good."""
    runs = rounds * upkeep.renewables[0].age.shape[0]
    parts = [
        courses(_aged(upkeep, vehicle, rng), rule, runs=runs, seed=seed, start=number * runs) for number in range(SETS)
    ]
    names = Courses.__dataclass_fields__
    return Courses(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def _aged(upkeep: Upkeep, vehicle: Vehicle, rng: np.random.Generator) -> Upkeep:
    units = {unit.name: unit for unit in vehicle.units}
    items = []
    for item in upkeep.renewables:
        unit = units[item.unit]
        ages = {state.mode: state.age for state in unit.modes}
        unknown = np.array([mode in ages and ages[mode] is None for mode in item.modes])
        items.append(_with_ages(item, unknown, vehicle.km, unit.at_least, rng) if unknown.any() else item)
    return replace(upkeep, renewables=tuple(items))


def _with_ages(item: Renewable, unknown: Mask, odometer: float, at_least: float, rng: np.random.Generator) -> Renewable:
    """One age for each draw of the parameters, by the chances that these give it."""
    old = item.fitted
    part = Process(
        old.mu[:, unknown], old.sigma[:, unknown], old.lognormal[unknown], old.cost[unknown], old.rate[unknown],
        old.speed[unknown],
    )  # fmt: skip
    spread = unknown_age(part, odometer, at_least)
    draws = item.age.shape[0]
    lots = rng.permutation(np.arange(draws) + rng.random(draws)) / draws  # stratified
    case = np.minimum((np.cumsum(spread.weight, axis=1) <= lots[:, None]).sum(axis=1), spread.age.size - 1)
    age = np.where(unknown, spread.age[case][:, None], item.age)
    return replace(item, age=age, seen=np.where(unknown, age, item.seen))
