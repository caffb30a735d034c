"""One vehicle as the computing modules see it: its units, their ages, what is known to be wrong."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from wearlore.errors import NameNotKnown


@dataclass(frozen=True, slots=True)
class ModeState:
    """One failure mode on one unit.

    ``age`` is the distance (km) since the mode's clock last started (fitted new, or a clean: then the virtual age,
    Kijima type II); None when it began before the records. ``seen_good`` is the age at which the mode was last known to
    be absent (for an evident mode: now). ``present``: found failed and not cured since.
    """

    mode: str
    age: float | None
    seen_good: float
    present: bool = False


@dataclass(frozen=True, slots=True)
class FittedUnit:
    """One physical piece on the vehicle: component, position, design level and source grade, and its modes.

    ``at_least`` is the distance (km) for which this piece has certainly been in place; it bounds an unknown age.
    """

    component: str
    position: str
    revision: str
    grade: str
    at_least: float
    modes: tuple[ModeState, ...]

    @property
    def name(self) -> str:
        return f"{self.component}/{self.position}" if self.position else self.component


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle at a visit; ``km`` is the odometer."""

    id: str
    variant: str
    built: date
    km: float
    units: tuple[FittedUnit, ...] = field(default=())

    def unit(self, name: str) -> FittedUnit:
        """The unit called ``component`` or ``component/position``; raises NameNotKnown."""
        for unit in self.units:
            if unit.name == name:
                return unit
        raise NameNotKnown("unit", name, [unit.name for unit in self.units])
