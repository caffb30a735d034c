"""One vehicle, or a fleet, as the computing modules see it: units, their ages, what is known to be wrong."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from wearlore.errors import NameNotKnown
from wearlore.lives import Array


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


@dataclass(frozen=True, slots=True)
class Fleet:
    """V vehicles with at least one visit, in the order of their names, each at its last visit.

    ``built``, ``last``: days since 1970-01-01. ``km``: odometer; ``leg``: median distance between a vehicle's visits,
    km (nan before the second). U units (``units``: component, position) and S slots, the modes of ``unit_slot[u]`` to
    ``unit_slot[u + 1]`` belonging to unit u: ``at_least`` km in place (V, U); ``age`` (nan: not known), ``seen_good``
    (V, S) km as in `ModeState`. ``revision``, ``grade`` (V, U) are numbers in ``revisions`` of the unit and ``grades``.
    """

    vehicle: tuple[str, ...]
    variant: NDArray[np.int32]
    built: NDArray[np.int32]
    last: NDArray[np.int32]
    km: Array
    leg: Array
    revision: NDArray[np.int32]
    grade: NDArray[np.int32]
    at_least: Array
    applies: NDArray[np.bool_]
    age: Array
    seen_good: Array
    present: NDArray[np.bool_]
    variants: tuple[str, ...]
    units: tuple[tuple[str, str], ...]
    revisions: tuple[tuple[str, ...], ...]
    unit_slot: NDArray[np.int32]
    modes: tuple[str, ...]  # of each slot
    hidden: NDArray[np.bool_]  # (S,)
    grades: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.vehicle)

    def of(self, rows: NDArray[np.int64]) -> Fleet:
        """Some of them, by number."""
        own = {name: getattr(self, name)[rows] for name in OF_VEHICLES}
        return replace(self, vehicle=tuple(self.vehicle[k] for k in rows.tolist()), **own)


OF_VEHICLES = (
    "variant", "built", "last", "km", "leg", "revision", "grade", "at_least", "applies", "age", "seen_good", "present",
)  # fmt: skip


def cause_named(mode: str, position: str) -> str:
    """``MODE@POSITION``; ``MODE`` where a vehicle has the component but once."""
    return f"{mode}@{position}" if position else mode
