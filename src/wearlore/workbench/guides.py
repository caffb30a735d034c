"""The guide of a family, for owners and for buyers: what the other answers say, gathered weak point by weak point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from wearlore.access import Access
from wearlore.answers.guide import Caution, Course, FamilyGuide, GuideLook, Reader, VariantGuide, WeakPoint
from wearlore.answers.plan import MaintenancePlan
from wearlore.appraisal import Inspected, Offer, in_order, offered, without_dismantling
from wearlore.book.model import Mode
from wearlore.errors import NameNotKnown
from wearlore.estimate import Estimate
from wearlore.life import LifeModel, record_curve
from wearlore.lifetimes import Lifetimes, lifetimes
from wearlore.lives import Lives
from wearlore.trace import Case, Means, Solver, suspects
from wearlore.units import DAYS_PER_YEAR, Units
from wearlore.vehicle import Vehicle
from wearlore.workbench.differing import Differing, counted
from wearlore.workbench.publishing import Publishing
from wearlore.workbench.remedying import Remedying

YEARS = 6  # age of a typical used vehicle (judgement)
REACH, POINTS = 2.6, 20  # horizons and distances for which the course of a weak point is told
TELLING = 0.1  # chance from which a sign brings its rule into the chapter of a weak point (judgement)
NOTHING: dict[Reader, float] = {"owners": 0.0, "buyers": 0.0}
HORIZONS = (1.0, 2.0)  # at which the share failed is told


class Guides(Publishing):
    """The guide of a family, for owners and for buyers."""

    def guide(self, *, variant: str | None = None, units: Units | None = None) -> FamilyGuide:
        """Everything the guide says, of all variants or of ``variant``; steps of measures are round in ``units``.

        Raises NameNotKnown, PlanError.
        """
        if variant is not None and variant not in self.book.variants:
            raise NameNotKnown("variant", variant, self.book.variants)
        told = (variant,) if variant else tuple(self.book.variants)
        lives = self.lives()
        variants = tuple(self._variant_guide(name) for name in told)
        plans = {one.variant: one.plan for one in variants}
        points = tuple(self._points(told, plans, units or self.book.units))
        on = {point.mode for point in points}
        compared = sum(len(point.differences) for point in points)
        economics, own = self.book.economics, self.book.guide
        return FamilyGuide(
            family=self.book.family.name,
            description=self.book.family.description,
            author=own.author,
            owners=own.owners,
            buyers=own.buyers,
            lives=replace(lives, rows=tuple(row for row in lives.rows if row.mode in on)),
            points=tuple(replace(point, differences=counted(point.differences, compared)) for point in points),
            variants=variants,
            compared=compared,
            labour_rate=economics.labour_rate,
            visit_fixed=economics.visit_fixed,
            per_year=economics.per_year,
            horizon=economics.horizon,
            used_km=self._used_km,
            rules=tuple(Caution(rule.signal, rule.name, rule.text) for rule in self.book.rules.values()),
        )

    # weak points ------------------------------------------------------------------------------------------------------

    def _points(self, told: Sequence[str], plans: dict[str, MaintenancePlan], units: Units) -> list[WeakPoint]:
        remedying = {name: Remedying.of(self.book, self._as_built(name)) for name in told}
        differing = Differing(self.book, self._seen_by, lambda seen, by: self._covariate(seen, by, units))
        points = []
        for number, (id_, mode) in enumerate(self.book.modes.items()):
            self.progress("writing down the weak points", number, len(self.book.modes))
            on = [name for name in self._variants_of(mode) if name in told]
            if on:
                points.append(self._point(id_, on[0], plans[on[0]], remedying[on[0]], differing))
        return points

    def _seen_by(self, covariate: str) -> Lifetimes:
        """The lives of all modes, those of which ``covariate`` is not known left out; empty: none is asked for."""
        if not covariate or not self.store_path.exists():
            return self.lifetimes
        with self._reading() as store:
            return lifetimes(store, self.book, group_km=self.group_km, by=[covariate])

    def _variants_of(self, mode: Mode) -> tuple[str, ...]:
        of_component = self.book.components[mode.component].variants
        return tuple(
            name
            for name in self.book.variants
            if (not mode.variants or name in mode.variants) and (not of_component or name in of_component)
        )

    def _point(
        self, id_: str, variant: str, plan: MaintenancePlan, remedying: Remedying, differing: Differing
    ) -> WeakPoint:
        mode, book = self.book.modes[id_], self.book
        component = book.components[mode.component]
        model = self._model_or_none(id_)
        on = self._variants_of(mode)
        remedies = remedying.told(id_)
        ahead, used = (_failed(model.survival(km)) if model else None for km in (book.economics.horizon, self._used_km))
        stake = mode.consequence.cost + min((one.price for one in remedies if one.kind == "renew"), default=0.0)
        return WeakPoint(
            summary=self._summary(id_, model, self.lifetimes.modes[id_].evidence),
            called=component.name,
            where=book.zones[component.zone].name,
            positions=component.positions,
            cause=mode.cause,
            severity=mode.consequence.severity,
            consequence=mode.consequence.note,
            stranded=mode.consequence.stranded,
            damage=mode.consequence.cost,
            variant=variant,
            only_on=() if len(on) == len(book.variants) else tuple(book.variants[name].name for name in on),
            without=tuple(
                (name, revision.note)
                for name, revision in component.revisions.items()
                if mode.revisions and name not in mode.revisions
            ),
            failed=tuple(
                (km, _failed(model.survival(km))) for times in HORIZONS for km in [times * book.economics.horizon]
            )
            if model
            else (),
            failed_used=used,
            expected={"owners": stake * ahead.value, "buyers": stake * used.value} if ahead and used else NOTHING,
            signs=remedying.signs(id_),
            looks=remedying.looks(id_),
            worse=remedying.speeds_up(id_),
            brings=remedying.is_sped_up_by(id_),
            differences=differing.of(id_),
            remedies=remedies,
            plan=next((one for one in plan.plan.modes if one.mode == id_), None),
            rules=tuple(
                Caution(rule.signal, rule.name, rule.text)
                for rule in book.rules.values()
                if any(mode.observations.get(sign, 0.0) >= TELLING for sign in rule.when)
            ),
            note=mode.note,
            told=mode.told,
            course=_course(model, self.lifetimes.modes[id_].lives, REACH * book.economics.horizon) if model else None,
        )

    # variants ---------------------------------------------------------------------------------------------------------

    def _variant_guide(self, variant: str) -> VariantGuide:
        built, km = self._typical(variant), self._used_km
        today = built + timedelta(days=YEARS * DAYS_PER_YEAR)
        standing = offered(self.book, variant, built, km, (), complete=False, today=today)
        return VariantGuide(
            variant, self.book.variants[variant].name, built, km, self.plan(variant=variant), self._looks(standing)
        )

    @property
    def _used_km(self) -> float:
        return YEARS * self.book.economics.per_year

    def _typical(self, variant: str) -> date:
        """When a used vehicle was built that is as old as `YEARS` when the newest on record was built."""
        newest = self._newest_built(variant)
        first = self.book.variants[variant].built_from or date.min
        return max(first, newest - timedelta(days=YEARS * DAYS_PER_YEAR))

    def _looks(self, whole: Vehicle) -> tuple[GuideLook, ...]:
        """What a buyer can look at, by the money that a minute is expected to move the value."""
        self.progress("weighing what a buyer looks at", 0, 0)
        book, vehicle, _ = self._weighable(whole)
        rng = np.random.default_rng(self.seed)
        found = suspects(book, vehicle, self._model_of, since=0.0, factors={}, rng=rng)
        case, terms = Case(book, vehicle, found), self.terms()
        access = Access.of(book, vehicle.variant, vehicle.built)
        means = Means(case, access, terms.labour_rate, terms.visit_fixed)
        costs = {cause: repair.cost for repair in means.repairs() for cause in repair.cures}
        beyond = {one.name: book.modes[one.mode].consequence.cost for one in found}
        stake = {cause: money + beyond[cause] for cause, money in costs.items()}
        even = sum(stake.values())
        offer = Offer(Solver(case.network), (), stake, even, even)
        nothing: frozenset[str] = frozenset()
        looks = [look for look in means.looks(()) if without_dismantling(means, look.name, nothing)]
        inspected = [one for look in looks if (one := offer.inspected(look)).findings]

        def minutes(name: str, done: frozenset[str]) -> float:
            opened = access.reach(need for other in done for need in book.inspections[other].needs)
            to_open = means.opens(book.inspections[name], opened)
            return book.inspections[name].minutes + 60.0 * sum(access.operations[o].total_hours for o in to_open)

        return tuple(self._look(one, means) for one in in_order(inspected, minutes))

    def _look(self, one: Inspected, means: Means) -> GuideLook:
        inspection, book = self.book.inspections[one.look.name], self.book
        opens = means.opens(inspection, frozenset())
        met = means.hazards(inspection, frozenset())
        return GuideLook(
            inspection=one.look.name,
            name=inspection.name,
            minutes=one.minutes,
            moves=one.moves,
            findings=tuple(replace(found, about=self._named(found.about)) for found in one.findings),
            opens=tuple(means.access.operations[o].name for o in sorted(opens)),
            tools=tuple(book.tools[tool].name for tool in inspection.tools),
            cautions=tuple(Caution(h.signal, h.name, h.caution) for id_, h in book.hazards.items() if id_ in met),
        )

    def _named(self, about: str) -> str:
        if about in self.book.observations:
            return self.book.observations[about].name
        mode, _, position = about.partition("@")
        return self.book.modes[mode].name + (f" ({position})" if position else "")


def _course(model: LifeModel, lives: Lives, reach: float) -> Course:
    km = np.linspace(0.0, reach, POINTS + 1)[1:]
    shares = [_failed(model.survival(at)) for at in km.tolist()]
    value, low, high = (np.array(column) for column in zip(*((s.value, s.low, s.high) for s in shares), strict=True))
    return Course(km, value, low, high, _steps(model, lives, reach))


def _steps(model: LifeModel, lives: Lives, reach: float) -> tuple[tuple[float, float], ...]:
    """Of the records alone, as far as they reach; where they begin late, from the model on."""
    if not lives.failures or lives.between.any():
        return ()
    curve = record_curve(lives)
    good = float(model.sf(curve.since)) if curve.since > 0 else 1.0
    steps = [(float(at), 1 - good * float(s)) for at, s in zip(curve.km, curve.survival, strict=True) if at <= reach]
    return ((float(curve.since), 1 - good), *steps)


def _failed(good: Estimate) -> Estimate:
    return Estimate(1 - good.value, 1 - good.high, 1 - good.low, good.level)
