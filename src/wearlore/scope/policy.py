"""The advice as a policy for simulation: a vehicle's upkeep from the book, and the savings by which it decides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wearlore.book.model import Book
from wearlore.renewal import Models
from wearlore.renewal.upkeep import Mask, Renewable, Rule, Savings, Upkeep, savings
from wearlore.scope.build import VISIT, Builder
from wearlore.scope.model import Terms
from wearlore.vehicle import FittedUnit, Vehicle
from wearlore.ways import Way


def upkeep(book: Book, vehicle: Vehicle, models: Models, terms: Terms, *, rng: np.random.Generator) -> Upkeep:
    """The vehicle as things that fail and are renewed by their future cures; raises what `problem` raises.

    What the owner refuses today and what tools are missing today is not held against the years to come.
    """
    builder = Builder.of(book, vehicle, models, terms, rng=rng)
    numbered = builder.numbered()
    spoils, free = builder.spoils(numbered)
    found: list[Renewable] = []
    ways: list[tuple[FittedUnit, Way, frozenset[str]]] = []
    for u, unit in enumerate(vehicle.units):
        for cure, item in builder.worth(unit).renewables(unit.name):
            way = next(w for w in builder.ways[unit.name] if (w.remedy, w.effect) == (cure.remedy, cure.effect))
            option = builder.option(u, unit, way, free)
            found.append(replace(item, money=option.money, needs=option.needs))
            ways.append((unit, way, frozenset(item.modes)))
    steps = builder.steps(numbered, free)
    spoiled = [(step, {numbered[o][1].name: numbered[o][2] for o in group}) for step, group in spoils]
    setup = {VISIT: terms.visit_fixed} | {
        name: terms.labour_rate * step.hours for name, step in steps.items() if name in builder.shared
    }
    return Upkeep(
        tuple(found),
        {name: terms.labour_rate * step.hours + step.money for name, step in steps.items()},
        {name: setup.get(name, 0.0) for name in steps},
        _brings(builder, ways, spoiled),
        builder.span,
    )


def _brings(
    builder: Builder,
    ways: list[tuple[FittedUnit, Way, frozenset[str]]],
    spoils: list[tuple[str, dict[str, Way]]],
) -> Mask:
    """Companions, and units that a step spoils: (n, n), closed."""
    brings = np.zeros((len(ways), len(ways)), bool)
    for i, (unit, way, _) in enumerate(ways):
        wanted = [
            (beside.name, frozenset(builder.book.remedies[id_].cures))
            for id_, beside in builder.companions_of(way.remedy, unit)
        ]
        wanted += [
            (name, renewing.effect.cures)
            for step, by_unit in spoils
            if step in way.operations
            for name, renewing in by_unit.items()
        ]
        for name, cures in wanted:
            brings[i] |= [other.name == name and modes <= cures for other, _, modes in ways]
    for k in range(len(ways)):  # Warshall (1962)
        brings |= brings[:, k : k + 1] & brings[k]
    np.fill_diagonal(brings, False)
    return brings


def follow_advice(upkeep: Upkeep, table: Savings | None = None) -> Rule:
    """At each visit the cheapest choice by this visit's cost and the savings later.

    At the visit now, what may be there but is not certain counts by its chance; at a later one it has shown itself.
    """
    return Rule("worth", table or savings(upkeep))
