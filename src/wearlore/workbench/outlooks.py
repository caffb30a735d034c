"""What the years to come cost on one vehicle, under each way of caring for it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from wearlore.answers import ModeBehind, NothingShared, VehicleOutlook
from wearlore.errors import NameNotKnown
from wearlore.outlook import forecast as ahead_of
from wearlore.outlook.forecast import Ahead, Driver, Yearly, expected, forecast
from wearlore.outlook.improve import learn_share
from wearlore.outlook.spread import cost_spread
from wearlore.records.summary import driven
from wearlore.renewal.upkeep import Rule, Upkeep
from wearlore.scope import Terms, upkeep
from wearlore.vehicle import Vehicle
from wearlore.workbench.hindsights import Hindsights
from wearlore.workbench.visits import POLICIES

PATHS, YEARS = 20_000, 5
PLAN = "plan"


class Outlooks(Hindsights):
    """What the years to come cost on one vehicle, under each way of caring for it."""

    def outlook(
        self,
        vehicle_id: str,
        faults: Sequence[str] = (),
        *,
        probable: Mapping[str, float] | None = None,
        years: int | None = None,
        horizon: float | None = None,
        per_year: float | None = None,
        spread: float | None = None,
        km: float | None = None,
        paths: int = PATHS,
        policies: Sequence[str] = (),
        terms: Terms | None = None,
    ) -> VehicleOutlook:
        """What ``years`` (or a ``horizon``, km) to come cost under each of ``policies``, the first told in detail.

        ``faults``, ``probable``: as in `scope`. ``per_year``, km, and ``spread``: of the distance a year, unless given
        from the vehicle's own record and the book. ``km``: its odometer now. Raises NameNotKnown, ScopeError, and
        RecordsError when ``km`` lies before the last visit.
        """
        vehicle = self.vehicle(vehicle_id, km=km)
        distance = self._yearly(vehicle_id, per_year, spread)
        rng = np.random.default_rng(self.seed)
        ahead = (
            ahead_of.years_ahead(distance, YEARS if years is None else years, runs=paths, rng=rng)
            if horizon is None
            else ahead_of.distance_ahead(distance, horizon, runs=paths)
        )
        names = self._policies_named(policies)
        terms = replace(terms or self.terms(), horizon=ahead.expected, per_year=distance.km)
        terms = self._demanded(vehicle, terms, faults, probable or {})
        book, vehicle, unknown = self._weighable(vehicle)
        self._refuse_unweighed(terms, unknown)
        self.progress("weighing what may fail", 0, 0)
        care = upkeep(book, vehicle, self._model_of, terms, rng=rng)
        if PLAN in names:
            self.progress("making the plan", 0, 0)
        rules = self._rules(names, care, vehicle, terms, int(rng.integers(2**63)))
        made = forecast(
            care,
            rules,
            ahead,
            seed=int(rng.integers(2**63)),
            progress=partial(self.progress, "simulating the years to come"),
        )
        told = next(iter(made.policies))
        return VehicleOutlook(
            vehicle=vehicle,
            terms=terms,
            yearly=distance,
            ahead=ahead.expected,
            years=ahead.years,
            by_distance=horizon is not None,
            paths=paths,
            draws=len(care.renewables[0].age) if care.renewables else 0,
            told=told,
            policies=made.policies,
            savings=made.savings,
            apart=self._apart(care, ahead),
            modes=dict(self._behind(driver for one in made.policies.values() for driver in one.drivers)),
            found=self._names_of(care, 1.0),
            probable=self._names_of(care, 0.0),
            seen_to=self.records().greatest_km or 0.0,
            unknown=unknown,
            track_record=self.track_record(),
        )

    def _yearly(self, vehicle_id: str, per_year: float | None, spread: float | None) -> Yearly:
        economics = self.book.economics
        differs = economics.spread if spread is None else spread
        if per_year is not None:
            return Yearly(per_year, differs)
        with self._reading() as store:
            km, on_record = driven(store, vehicle_id)
        found = ahead_of.yearly(economics.per_year, differs, km / on_record if on_record else None, on_record)
        return found if spread is None else replace(found, spread=spread)

    @staticmethod
    def _policies_named(asked: Sequence[str]) -> tuple[str, ...]:
        known = (*POLICIES, PLAN)
        for name in asked:
            if name not in known:
                raise NameNotKnown("policy", name, known)
        return tuple(dict.fromkeys(asked)) or known

    def _rules(self, names: Iterable[str], care: Upkeep, vehicle: Vehicle, terms: Terms, seed: int) -> dict[str, Rule]:
        made: dict[str, Rule] = {}
        for name in names:
            if name == PLAN:
                made[name] = self._planned(care, vehicle, terms)
            elif name == "advice":
                made[name] = learn_share(care, seed=seed)[1]
            else:
                made[name] = POLICIES[name](care)
        return made

    @staticmethod
    def _apart(care: Upkeep, ahead: Ahead) -> NothingShared | None:
        if not care.renewables:
            return None
        found = cost_spread(care.renewables, ahead.expected)
        low, middle, high = (found.quantile(share) for share in ahead_of.SHARES)
        return NothingShared(ahead.expected, expected(found.means, found.means.size), (low, middle, high))

    def _behind(self, drivers: Iterable[Driver]) -> Iterator[tuple[str, ModeBehind]]:
        for mode in dict.fromkeys(mode for driver in drivers for mode in driver.modes):
            model, entry = self.models(mode).together, self.book.modes[mode]
            yield mode, ModeBehind(entry.name, entry.component, model.evidence, model.record_share)

    def _names_of(self, care: Upkeep, chance: float) -> tuple[str, ...]:
        """Modes that are there for certain (``chance`` 1), or that only may be (0)."""
        return tuple(
            f"{self.book.modes[mode].name} ({item.unit})"
            for item in care.renewables
            for mode, present in zip(item.modes, item.present, strict=True)
            if present > 0 and (present == 1) == (chance == 1)
        )
