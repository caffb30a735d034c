"""What the choices of a vehicle's visits stand on, whatever the terms; kept to weigh the same vehicle again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from wearlore.access import Access
from wearlore.book.model import Book
from wearlore.renewal import Draws, Effect, Kept, Models
from wearlore.vehicle import FittedUnit, Vehicle
from wearlore.ways import Visit, Way, Ways

DRAWS = 64  # of the parameters of each mode


@dataclass(frozen=True)
class Ground:
    """What can be done to each unit of a ``vehicle`` with the tools at hand, the draws of the parameters of each mode,
    and what has been reckoned of each unit so far."""

    book: Book
    vehicle: Vehicle
    models: Models
    access: Access
    ways: Ways
    draws: Mapping[str, Draws]
    _kept: dict[str, Kept] = field(default_factory=dict)
    _visits: dict[tuple[str, str, Effect], Visit] = field(default_factory=dict)

    @classmethod
    def of(
        cls, book: Book, vehicle: Vehicle, models: Models, missing_tools: Iterable[str], *, rng: np.random.Generator
    ) -> Ground:
        """Raises NameNotKnown for a variant or tool that does not exist."""
        draws = {mode: Draws.of(DRAWS, rng=rng) for mode in book.modes}
        access = Access.of(book, vehicle.variant, vehicle.built, missing_tools)
        return cls(book, vehicle, models, access, Ways(access, vehicle.units), draws)

    def kept(self, unit: FittedUnit) -> Kept:
        """What has been reckoned of it."""
        return self._kept.setdefault(unit.name, Kept())

    def visit(self, unit: FittedUnit, way: Way) -> Visit:
        """A visit for ``way`` on ``unit`` alone."""
        key = (unit.name, way.remedy, way.effect)
        if key not in self._visits:
            self._visits[key] = self.ways.visit(unit, way)
        return self._visits[key]
