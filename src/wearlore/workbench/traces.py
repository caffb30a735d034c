"""Where a fault comes from, on one vehicle of the store."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from wearlore.access import Access
from wearlore.answers import TracedFault
from wearlore.errors import FitError, RecordsError
from wearlore.records.summary import usual_leg
from wearlore.trace import Case, Means, Told, suspects
from wearlore.vehicle import Vehicle
from wearlore.workbench.folder import once
from wearlore.workbench.loop import Loop
from wearlore.workbench.tracing import Tracing


class Traces(Loop):
    """Tracing a fault."""

    def trace(
        self,
        vehicle_id: str,
        told: Sequence[Told],
        *,
        km: float | None = None,
        off: Iterable[str] = (),
        missing_tools: Iterable[str] = (),
        labour_rate: float | None = None,
    ) -> TracedFault:
        """What it may be and what to look at next, by what is ``told``; see `tracing`."""
        tracing = self.tracing(vehicle_id, km=km, missing_tools=missing_tools, labour_rate=labour_rate)
        self.progress("weighing what was told", 0, 0)
        return tracing.answer(told, off)

    def tracing(
        self,
        vehicle_id: str,
        *,
        km: float | None = None,
        missing_tools: Iterable[str] = (),
        labour_rate: float | None = None,
    ) -> Tracing:
        """The vehicle's case, to be asked again and again.

        ``km``: its odometer now; unless given, the usual distance between its visits beyond the last
        one (half a year's, where there is but one). Raises
        NameNotKnown, RecordsError when ``km`` lies before the last visit.
        """
        with self._reading() as store:
            leg = usual_leg(store, vehicle_id)
        book, vehicle, unknown = self._weighable(self.vehicle(vehicle_id))
        if km is not None and km < vehicle.km:
            raise RecordsError(
                vehicle_id, 0, "odometer", f"at least {book.units.show_odometer(vehicle.km)}, read at the last visit",
                f"It is {book.units.show_odometer(km)}.",
            )  # fmt: skip
        since = km - vehicle.km if km is not None else leg or book.economics.per_year / 2
        self.progress("weighing what may have failed", 0, 0)
        found = suspects(
            book,
            vehicle,
            self._model_of,
            since=since,
            factors=self._factors_on(vehicle),
            rng=np.random.default_rng(self.seed),
        )
        terms = self.terms(labour_rate=labour_rate)
        access = Access.of(book, vehicle.variant, vehicle.built, missing_tools)
        case = Case(book, vehicle, found)
        means = Means(case, access, terms.labour_rate, terms.visit_fixed)
        evidence = {mode: self.lifetimes.modes[mode].evidence for mode in book.modes}
        return Tracing(case, means, since, km is None, evidence, unknown)

    def _factors_on(self, vehicle: Vehicle) -> dict[tuple[str, str], float]:
        """By how much the faults open on the vehicle speed up others: as the records tell, where they do."""
        pairs = [
            (state.mode, mode)
            for unit in vehicle.units
            for state in unit.modes
            if state.present
            for mode in self.book.modes[state.mode].accelerates
        ]
        return {pair: factor for pair in dict.fromkeys(pairs) if (factor := self._factor(*pair)) is not None}

    def _factor(self, source: str, mode: str) -> float | None:
        if (source, mode) not in self._factors_found:
            try:
                self._factors_found[source, mode] = self.while_present(mode, source).acceleration.together.value
            except FitError:  # the records tell nothing of it: the book's own stands
                self._factors_found[source, mode] = None
        return self._factors_found[source, mode]

    @once
    def _factors_found(self) -> dict[tuple[str, str], float | None]:
        return {}
