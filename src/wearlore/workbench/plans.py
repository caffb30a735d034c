"""What to look at, renew at an age, or leave until it fails; when, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil, inf
from typing import NamedTuple

import numpy as np

from wearlore import plan as planning
from wearlore import scope
from wearlore.access import Access
from wearlore.answers.plan import FluidInterval, MaintenancePlan, PlannedMode
from wearlore.book.model import Book, Severity
from wearlore.errors import FitError, NameNotKnown, PlanError
from wearlore.life import Measure
from wearlore.life.compare.verdict import Contrast, compare
from wearlore.lifetimes import ModeLives, lifetimes
from wearlore.plan import Asked, Measured, Plan, Weighed
from wearlore.renewal.upkeep import PlannedLook, Rule, Schedule, Upkeep
from wearlore.scope.build import VISIT
from wearlore.vehicle import Vehicle
from wearlore.workbench.visits import Visits

FAMILY_AHEAD = 2.0  # horizons that the calendar of a variant tells
CHANCE = 0.05  # that any of the modes is said to go with an interval although none does
CANDIDATES = tuple(1000.0 * km for km in (8, 10, 12, 15, 18, 20, 22, 25, 28, 30, 35, 40))


class Weighing(NamedTuple):
    """All that a plan is made from."""

    book: Book
    vehicle: Vehicle
    weighed: tuple[Weighed, ...]
    prices: Mapping[str, float]
    unknown: tuple[str, ...]
    uncured: tuple[str, ...]
    ended: tuple[str, ...]


class Plans(Visits):
    """What to look at, renew at an age, or leave until it fails; when, and why."""

    def plan_terms(
        self,
        *,
        labour_rate: float | None = None,
        service_every: float | None = None,
        horizon: float | None = None,
        ceilings: Mapping[Severity, float] | None = None,
    ) -> planning.Terms:
        """The workshop's terms for a plan, with what is given in their place. Raises PlanError."""
        economics = self.book.economics
        if service_every is None and "service_every" not in economics.model_fields_set:
            self._refuse_usual_distances()
        return planning.Terms(
            economics.labour_rate if labour_rate is None else labour_rate,
            economics.visit_fixed,
            economics.service_every if service_every is None else service_every,
            economics.horizon if horizon is None else horizon,
            {**planning.CEILINGS, **(ceilings or {})},
        )

    def _refuse_usual_distances(self) -> None:
        if (unit := self.book.units.distance) not in ("km", "miles"):
            raise PlanError(
                f"the book's ages run in {unit}, and it states no service interval",
                "Add 'service_every:' to its economics.",
            )

    def plan(
        self,
        vehicle_id: str | None = None,
        *,
        variant: str | None = None,
        strategies: Mapping[str, Asked] | None = None,
        terms: planning.Terms | None = None,
        km: float | None = None,
    ) -> MaintenancePlan:
        """The plan of ``variant`` (by default the first) from new, or of one vehicle at its odometer.

        ``strategies``: by mode, what a person wants instead of the cheapest. Raises NameNotKnown, PlanError.
        """
        terms = terms or self.plan_terms()
        made = self._weighing(vehicle_id, variant, terms, km)
        self.progress("joining it on one calendar", 0, 0)
        found = planning.plan(made.weighed, terms, made.prices, strategies)
        ahead = terms.horizon * (1.0 if vehicle_id else FAMILY_AHEAD)
        return MaintenancePlan(
            family=self.book.family.name,
            variant=made.vehicle.variant,
            vehicle=made.vehicle.id,
            km=made.vehicle.km,
            ahead=ahead,
            terms=terms,
            plan=found,
            services=planning.calendar(found, made.vehicle, made.weighed, made.prices, ahead),
            unknown=made.unknown,
            uncured=made.uncured,
            ended=made.ended,
            names=self._names(),
        )

    def planned_mode(
        self,
        mode: str,
        vehicle_id: str | None = None,
        *,
        variant: str | None = None,
        asked: Asked | None = None,
        terms: planning.Terms | None = None,
    ) -> PlannedMode:
        """One mode in detail, standing alone. Raises NameNotKnown, PlanError."""
        entry = self._mode(mode)
        terms = terms or self.plan_terms()
        made = self._weighing(vehicle_id, variant, terms, None, only=mode)
        if not made.weighed:
            raise PlanError(
                f"{mode} has no plan on {vehicle_id or made.vehicle.variant}: it cannot occur there, its cure ends "
                "it for good, nothing in the book cures it with the tools at hand, or nothing is known of it",
                "Look at its variants and revisions, its remedies and its belief.",
            )
        (one,) = made.weighed
        found = planning.plan(made.weighed, terms, made.prices, {mode: asked} if asked else None).modes[0]
        fine = planning.finely(one)
        keys = {("renew", ""), *((o.kind, o.inspection) for o in found.options if o.kind == "inspect")}
        return PlannedMode(
            variant=made.vehicle.variant,
            vehicle=made.vehicle.id,
            terms=terms,
            mode=found,
            lead=entry.lead,
            curves=tuple(fine.curve(*key) for key in sorted(keys, reverse=True)),  # type: ignore[arg-type]
            changes=tuple(planning.changes(one, found.options[0].kind)),
            names=self._names(),
        )

    def _weighing(
        self, vehicle_id: str | None, variant: str | None, terms: planning.Terms, km: float | None, only: str = ""
    ) -> Weighing:
        if vehicle_id is not None and variant is not None:
            raise PlanError("a vehicle has its own variant", "Name one of the two.")
        whole = self.vehicle(vehicle_id, km=km) if vehicle_id else self._as_built(variant)
        return self._weighed(whole, terms, only)

    def _as_built(self, variant: str | None) -> Vehicle:
        named = variant or next(iter(self.book.variants))
        if named not in self.book.variants:
            raise NameNotKnown("variant", named, self.book.variants)
        return planning.as_built(self.book, named, self._newest_built(named))

    def _weighed(self, whole: Vehicle, terms: planning.Terms, only: str = "") -> Weighing:
        if only:
            known = self._model_or_none(only) is not None
            kept = {only: self.book.modes[only]} if known else {}
            book, vehicle = self.book.model_copy(update={"modes": kept}), whole
            unknown: tuple[str, ...] = () if known else (only,)
        else:
            book, vehicle, unknown = self._weighable(whole)
        access = Access.of(book, vehicle.variant, vehicle.built)
        builder = planning.Builder(book, vehicle, self._model_of, terms, access)
        subjects = tuple(builder.subjects())
        weighed = []
        for number, subject in enumerate(subjects):
            self.progress("weighing strategies", number, len(subjects))
            weighed.append(planning.weigh(subject, terms, builder.prices))
        can_be = {state.mode for unit in vehicle.units for state in unit.modes}
        without = sorted((can_be & book.modes.keys()) - {subject.mode for subject in subjects})
        cured = {mode for mode in without if builder.ended(mode)}
        uncured = tuple(mode for mode in without if mode not in cured)
        return Weighing(book, vehicle, tuple(weighed), builder.prices, unknown, uncured, tuple(sorted(cured)))

    def _names(self) -> dict[str, str]:
        book = self.book
        kinds = (book.modes, book.remedies, book.inspections, book.components)
        return {id_: entry.name for entries in kinds for id_, entry in entries.items()}

    # the plan as a policy ---------------------------------------------------------------------------------------------

    def _planned(self, care: Upkeep, vehicle: Vehicle, terms: scope.Terms) -> Rule:
        """The plan of this vehicle, beside curing what fails."""
        own = self.plan_terms(labour_rate=terms.labour_rate)
        made = self._weighed(vehicle, own)
        found = planning.plan(made.weighed, own, made.prices)
        return Rule("failed", schedule=schedule_of(care, found, vehicle.km))

    # an interval between changes --------------------------------------------------------------------------------------

    def fluid_interval(
        self,
        component: str,
        *,
        change: float,
        variant: str | None = None,
        every: Sequence[float] = CANDIDATES,
        terms: planning.Terms | None = None,
    ) -> FluidInterval:
        """The interval between changes of ``component`` (engine oil) that costs least, ``change`` being money of one.

        Those modes count whose lives go with the vehicle's mean interval by more than chance (Bonferroni over all that
        could be compared). Raises NameNotKnown, PlanError where none does.
        """
        terms = terms or self.plan_terms()
        if component not in self.book.components:
            raise NameNotKnown("component", component, self.book.components)
        with self._reading() as store:
            walked = lifetimes(
                store, self.book, group_km=self.group_km, by=[f"interval:{component}"], progress=self._walking
            )
        self.progress("holding lives against the interval", 0, 0)
        step = terms.service_every / 2
        contrasts = {
            mode: (contrast, seen)
            for mode, seen in walked.modes.items()
            if (contrast := _contrast(seen, component, step)) is not None
        }
        told = {
            mode: _measured(mode, contrast, seen, component, step)
            for mode, (contrast, seen) in contrasts.items()
            if contrast.ratio.p < CHANCE / len(contrasts)
        }
        if not told:
            raise PlanError(
                f"no mode's life goes with the {component} interval beyond chance ({len(contrasts)} compared)",
                "Load more records, or compare one mode: wearlore compare MODE --by interval:" + component,
            )
        return self._chosen_interval(component, change, variant, every, terms, told, walked.modes, len(contrasts))

    def _chosen_interval(
        self,
        component: str,
        change: float,
        variant: str | None,
        every: Sequence[float],
        terms: planning.Terms,
        told: Mapping[str, Measured],
        seen: Mapping[str, ModeLives],
        compared: int,
    ) -> FluidInterval:
        vehicle = self._as_built(variant)
        made = [self._weighed(vehicle, terms, mode) for mode in told]
        items = []
        for each in made:
            for one in each.weighed:
                (planned,) = planning.plan([one], terms, each.prices).modes
                items.append((one, planned.chosen, told[one.subject.mode]))
        values = np.concatenate([_intervals(seen[mode], component) for mode in told])
        low, usual, high = (float(x) for x in np.quantile(values, [0.05, 0.5, 0.95]))
        choice = planning.oil_choice(items, every, change, usual, (low, high), rng=np.random.default_rng(self.seed))
        return FluidInterval(component, vehicle.variant, terms, choice, compared, self._names())


def schedule_of(upkeep: Upkeep, plan: Plan, km: float) -> Schedule:
    """The plan as work planned by distance, from odometer ``km`` on: what a simulation follows as a policy.

    The vehicle is in for its service anyway, so the visit itself is not paid; a look that serves several modes is paid
    once at services where all of them have their turn.
    """
    every = plan.service_every
    number = ceil(km / every + 1e-9)
    modes = {mode.mode: mode for mode in plan.modes}
    renew_at = np.full(len(upkeep.renewables), inf)
    looks: list[PlannedLook] = []
    paid: set[tuple[str, int]] = set()
    for i, item in enumerate(upkeep.renewables):
        for m, name in enumerate(item.modes):
            if (mode := modes.get(name)) is None:
                continue
            chosen = mode.chosen
            if chosen.kind == "renew":
                renew_at[i] = min(renew_at[i], chosen.every)
            elif chosen.kind == "inspect":
                each = round(chosen.every / every)
                key = chosen.inspection, each
                cost = 0.0 if key in paid else mode.look
                paid.add(key)
                looks.append(PlannedLook(i, m, each, -number % each, cost, mode.sensitivity))
    return Schedule(every, number * every - km, renew_at, tuple(looks), frozenset({VISIT}))


def _intervals(seen: ModeLives, component: str) -> np.ndarray:
    return np.asarray(seen.column(f"interval:{component}"), np.float64)


def _contrast(seen: ModeLives, component: str, step: float) -> Contrast | None:
    """None where the records determine no ratio."""
    values = _intervals(seen, component)
    if not seen.lives.failures or np.unique(values).size < 2:
        return None
    middle = float(np.average(values, weights=seen.lives.count))
    try:
        found = compare(seen.lives, Measure("interval", values, "km", step, middle))
    except FitError:
        return None
    return found.contrasts[0]


def _measured(mode: str, contrast: Contrast, seen: ModeLives, component: str, step: float) -> Measured:
    usual = float(np.average(_intervals(seen, component), weights=seen.lives.count))
    return Measured(mode, contrast.ratio.estimate, step, usual)
