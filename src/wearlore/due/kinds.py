"""What the book makes of vehicles of one kind: same variant, same parts on offer. What can be done, and its lines."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from wearlore.due.choice import Offered, Shop
from wearlore.due.line import Line, line_of
from wearlore.due.table import Table
from wearlore.renewal import Effect, Span, UnitWorth
from wearlore.vehicle import FittedUnit
from wearlore.ways import Way

Design = tuple[int, str, str]  # unit of the kind, revision, grade


class Builder(Protocol):
    """What `wearlore.scope` builds a problem with, for one vehicle."""

    @property
    def ways(self) -> Mapping[str, tuple[Way, ...]]: ...
    def numbered(self) -> list[tuple[int, FittedUnit, Way]]: ...
    def spoils(self, numbered: list[tuple[int, FittedUnit, Way]]) -> tuple[Any, frozenset[str]]: ...
    def option(self, number: int, unit: FittedUnit, way: Way, free: frozenset[str]) -> Any: ...
    def steps(self, numbered: list[tuple[int, FittedUnit, Way]], free: frozenset[str]) -> Mapping[str, Any]: ...
    def companions_of(self, remedy: str, unit: FittedUnit) -> list[tuple[str, FittedUnit]]: ...
    def worth(self, unit: FittedUnit) -> UnitWorth: ...


@dataclass(frozen=True, slots=True)
class Part:
    """A line of a unit: its table, its modes, and for each option of the unit the effect (1 …) that it has; 0: none."""

    table: Table
    modes: tuple[str, ...]
    effect: tuple[int, ...]


@dataclass
class Tables:
    """Tables of lines by what they hold: units of different positions and kinds share them."""

    span: Span
    longest: float
    exact: bool
    made: dict[tuple[object, ...], Table] = field(default_factory=dict)

    def of(self, line: Line, hidden: Sequence[bool]) -> Table:
        key = (*(part.tobytes() if isinstance(part, np.ndarray) else part for part in line), tuple(hidden))
        if key not in self.made:
            self.made[key] = Table(line, np.array(hidden, bool), self.span, self.longest, self.exact)
        return self.made[key]


@dataclass(frozen=True)
class Kind:
    """``shop`` of what can be done; ``options`` of each unit, by number; ``parts`` of each design met."""

    shop: Shop
    units: tuple[str, ...]
    options: tuple[tuple[int, ...], ...]
    parts: Mapping[Design, tuple[Part, ...]]


def kind_of(
    make: Callable[[tuple[FittedUnit, ...]], Builder],
    units: Sequence[FittedUnit],
    designs: Sequence[Sequence[tuple[str, str]]],
    tables: Tables,
    *,
    labour_rate: float,
    free_steps: frozenset[str],
    stranded: Mapping[str, float],
) -> Kind:
    """The kind of vehicles with these ``units``, each met in some ``designs`` (revision, grade).

    ``make`` gives the builder for a vehicle with units of given designs; ``free_steps`` are not paid.
    """
    builders = [
        make(tuple(replace(unit, revision=r, grade=g) for unit, (r, g) in zip(units, level, strict=True)))
        for level in _levels(designs)
    ]
    first = builders[0]
    offered, spoils = _offered(first)
    numbered = first.numbered()
    _, free = first.spoils(numbered)
    price = {
        name: 0.0 if name in free_steps else labour_rate * step.hours + step.money
        for name, step in sorted(first.steps(numbered, free).items())
    }
    parts: dict[Design, tuple[Part, ...]] = {}
    for level, builder in zip(_levels(designs), builders, strict=True):
        for u, (unit, (revision, grade)) in enumerate(zip(units, level, strict=True)):
            if (u, revision, grade) not in parts:
                own = replace(unit, revision=revision, grade=grade)
                effects = [way.effect for way in builder.ways[unit.name]]
                parts[u, revision, grade] = tuple(_parts(builder.worth(own), effects, tables, stranded))
    return Kind(
        Shop.of(offered, price, spoils),
        tuple(unit.name for unit in units),
        tuple(tuple(o for o, one in enumerate(offered) if one.unit == u) for u in range(len(units))),
        parts,
    )


def _levels(designs: Sequence[Sequence[tuple[str, str]]]) -> list[list[tuple[str, str]]]:
    """As few whole vehicles as hold every design of every unit."""
    most = max((len(each) for each in designs), default=1)
    return [[each[min(level, len(each) - 1)] for each in designs] for level in range(most)]


def _offered(builder: Builder) -> tuple[list[Offered], tuple[tuple[str, tuple[int, ...]], ...]]:
    numbered = builder.numbered()
    spoils, free = builder.spoils(numbered)
    offered = []
    for u, unit, way in numbered:
        option = builder.option(u, unit, way, free)
        brings = tuple(
            tuple(o for o, (_, other, w) in enumerate(numbered) if other.name == beside.name and w.remedy == id_)
            for id_, beside in builder.companions_of(way.remedy, unit)
        )
        offered.append(
            Offered(
                u, option.remedy, option.grade, option.revision, option.needs, option.money, option.cures, brings,
                bool(option.refused or option.tools),
            )
        )  # fmt: skip
    return offered, spoils


def _parts(worth: UnitWorth, effects: Sequence[Effect], tables: Tables, stranded: Mapping[str, float]) -> list[Part]:
    found = []
    for group in worth.groups:
        risks = [worth.risks[i] for i in group.modes]
        modes = frozenset(risk.mode for risk in risks)
        touching = [replace(e, cures=e.cures & modes) if e.cures & modes else None for e in effects]
        distinct = list(dict.fromkeys(e for e in touching if e is not None))
        line = line_of(worth, group, distinct, dict(stranded))
        found.append(
            Part(
                tables.of(line, [risk.hidden for risk in risks]),
                tuple(risk.mode for risk in risks),
                tuple(0 if e is None else 1 + distinct.index(e) for e in touching),
            )
        )
    return found
