"""Courses of a vehicle over the ages that its units may have: not known to its owner, or known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np

from wearlore.lives import Array
from wearlore.outlook import Courses, courses
from wearlore.renewal import Process, unknown_age
from wearlore.renewal.upkeep import Mask, Renewable, Rule, Upkeep
from wearlore.vehicle import Vehicle

SETS = 16  # of ages


def over_ages(
    upkeep: Upkeep,
    vehicle: Vehicle,
    advise: Callable[[Upkeep], Rule],
    *,
    known: bool,
    rounds: int,
    seed: int,
    rng: np.random.Generator,
) -> Courses:
    """`SETS` x ``rounds`` courses for each of the d draws of the parameters, on the luck of ``seed``; run r lives by
    draw r mod d.

    ``vehicle``: of which ``upkeep`` was made, everything on it looked at and good. Ages that it does not have are drawn
    as renewal at each failure leaves them, in strata. ``known``: each set is one vehicle whose owner knows the ages and
    has it advised by them; otherwise he is advised once, by what the ages may be.
    """
    draws = upkeep.renewables[0].age.shape[0]
    runs = rounds * draws
    strata = {unit.name: rng.permutation(SETS) for unit in vehicle.units}
    rule = None if known else advise(upkeep)
    parts = []
    for number in range(SETS):
        if known:
            lots = {name: np.full(draws, (order[number] + 0.5) / SETS) for name, order in strata.items()}
        else:
            lots = {name: rng.permutation(np.arange(draws) + rng.random(draws)) / draws for name in strata}
        aged = _aged(upkeep, vehicle, lots, known=known)
        parts.append(courses(aged, rule or advise(aged), runs=runs, seed=seed, start=number * runs))
    return Courses(*(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Courses)))


def _aged(upkeep: Upkeep, vehicle: Vehicle, lots: dict[str, Array], *, known: bool) -> Upkeep:
    """``lots`` (d,) for each unit: in (0, 1), the share of its possible ages that lies below the one it has."""
    units = {unit.name: unit for unit in vehicle.units}
    items = []
    for item in upkeep.renewables:
        unit = units[item.unit]
        ages = {state.mode: state.age for state in unit.modes}
        open_ = np.array([mode in ages and ages[mode] is None for mode in item.modes])
        if open_.any():
            item = _with_ages(item, open_, _spread(item, open_, vehicle.km, unit.at_least), lots[item.unit], known)
        items.append(item)
    return replace(upkeep, renewables=tuple(items))


def _spread(item: Renewable, open_: Mask, odometer: float, at_least: float) -> tuple[Array, Array]:
    """Ages (k,) that the piece may have, and their weights under each draw (d, k)."""
    old = item.fitted
    part = Process(
        old.mu[:, open_], old.sigma[:, open_], old.lognormal[open_], old.cost[open_], old.rate[open_], old.speed[open_]
    )
    found = unknown_age(part, odometer, at_least)
    order = np.argsort(found.age)
    return found.age[order], found.weight[:, order]


def _with_ages(item: Renewable, open_: Mask, spread: tuple[Array, Array], lots: Array, known: bool) -> Renewable:
    """One age for each draw of the parameters; a known one is the same in all of them."""
    ages, weight = spread
    share = np.broadcast_to(weight.mean(axis=0), weight.shape) if known else weight
    case = np.minimum((np.cumsum(share, axis=1) <= lots[:, None]).sum(axis=1), ages.size - 1)
    age = np.where(open_, ages[case][:, None], item.age)
    return replace(item, age=age, seen=np.where(open_, age, item.seen))
