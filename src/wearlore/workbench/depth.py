"""What the evidence can and cannot say: lives compared, false economy, repairs, drifting readings, acceleration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wearlore.answers import (
    NOT_SAID,
    AcceleratedLives,
    ComparedLives,
    ComponentEconomy,
    DriftingReading,
    PieceReading,
    RepeatedRepairs,
    VehicleDrift,
    spoken,
    spoken_level,
    spoken_step,
)
from wearlore.book.model import Observation
from wearlore.economy import economy
from wearlore.errors import FitError, NameNotKnown
from wearlore.estimate import Estimate
from wearlore.life import (
    Covariate,
    Drift,
    Factor,
    FractionFit,
    Histories,
    LifeModel,
    Measure,
    Paths,
    acceleration,
    compare,
    compare_means,
    fit_drift,
    fractions_study,
    mean_cumulative,
    piece_path,
    power_law,
    record_curve,
    sentence,
    trend,
)
from wearlore.life.drift.chain import elongation, usual_limit
from wearlore.lifetimes import (
    ModeLives,
    Readings,
    RepairHistories,
    ages_of_readings,
    exposed,
    lifetimes,
    repairs,
    vehicle_at,
)
from wearlore.records.summary import newest_built
from wearlore.scope import Terms
from wearlore.units import Units
from wearlore.workbench.family import Family

COLUMNS = ("variant", "revision", "grade")  # what every life has; all else is a covariate
STEP, STEP_OF_HOURS = 10_000.0, 100.0  # of distance; where ages run in hours or days
AGES = 60  # at which a typical path is told
SAME_KM = 1.0  # readings whose pieces were new within this odometer are of one piece


class Place(NamedTuple):
    """The piece in place on a vehicle at odometer ``km``: its age, km, and the limit of its reading."""

    vehicle: str
    km: float
    age: float
    limit: float


class Depths(Family):
    """Questions that go deeper than when something fails."""

    # comparison ----------------------------------------------------------------------------------------------------

    def compare(self, mode: str, by: str, *, beside: Sequence[str] = (), units: Units | None = None) -> ComparedLives:
        """The lives of ``mode`` by revision, grade, variant or a covariate, those ``beside`` it held equal.

        A distance is told per round step in ``units``; unless given, the book's.
        Raises NameNotKnown; FitError when there is nothing to compare.
        """
        self._mode(mode)
        if len({by, *beside}) <= len(beside):
            raise FitError("a covariate is named twice", "Name each once: what is compared is not held equal.")
        seen = self._with_covariates(mode, [by, *beside])
        what, *others = (self._covariate(seen, name, units or self.book.units) for name in (by, *beside))
        self.progress("comparing", 0, 0)
        found = compare(seen.lives, what, beside=others)
        curves = {}
        if isinstance(what, Factor):
            groups = {name: seen.lives.where(what.codes == code) for code, name in enumerate(what.levels)}
            curves = {name: record_curve(group) for name, group in groups.items() if group.failures}
        words = {name: spoken(name) for name in (by, *beside)}
        if isinstance(what, Factor):
            words |= {level: spoken_level(by, level) for level in what.levels}
        else:
            words[what.step_name] = spoken_step(by, what.step_name)
        said = tuple(sentence(found, contrast, words) for contrast in found.contrasts)
        return ComparedLives(mode, self.book.modes[mode].name, by, found, said, curves, seen.covariate_unknown)

    def _with_covariates(self, mode: str, names: Sequence[str]) -> ModeLives:
        asked = [name for name in names if name not in COLUMNS]
        if not asked and self.store_path.exists():
            return self.lifetimes.modes[mode]
        with self._reading() as store:
            walked = lifetimes(store, self.book, group_km=self.group_km, by=asked, progress=self._walking)
        return walked.modes[mode]

    def _covariate(self, seen: ModeLives, name: str, units: Units) -> Covariate:
        column = seen.column(name)
        if column.dtype.kind == "f":
            step, unit = 1.0, "year"
            values = column.astype(np.float64)
            middle = float(np.average(values, weights=seen.lives.count)) if len(values) else 0.0
            if name != "built":
                step, unit = STEP if units.distance in ("km", "miles") else STEP_OF_HOURS, units.distance
                values, middle = units.from_km(1.0) * values, units.from_km(middle)
            return Measure(name, values, unit, step, middle)
        levels, codes = np.unique(column, return_inverse=True)
        first = next(iter(self.book.components[self.book.modes[seen.mode].component].revisions), None)
        reference = {"grade": "original", "revision": first}.get(name)
        failed = {str(level) for level in np.unique(column[~seen.lives.right]).tolist()}
        names = tuple(str(level) or NOT_SAID for level in levels.tolist())
        return Factor(name, names, codes.astype(np.int64), reference if reference in failed else None)

    # acceleration ---------------------------------------------------------------------------------------------------

    def while_present(self, mode: str, by: str) -> AcceleratedLives:
        """How much faster ``mode`` comes while ``by`` is present on the vehicle; the book's factor is the prior."""
        target, source = self._mode(mode), self._mode(by)
        if mode == by:
            raise FitError("a mode is not exposed to itself", "Name two failure modes.")
        with self._reading() as store:
            seen = exposed(store, self.book, mode, by, group_km=self.group_km, progress=self._walking)
        self.progress("estimating the factor", 0, 0)
        found = acceleration(seen.lives, seen.exposure, source.accelerates.get(mode, 1.0), target.belief)
        return AcceleratedLives(mode, target.name, by, source.name, found, seen.left_out)

    # false economy --------------------------------------------------------------------------------------------------

    def terms(self, **changes: object) -> Terms:
        """The workshop's terms, with what is given and not None put in their place."""
        given = {name: value for name, value in changes.items() if value is not None}
        return replace(Terms.of(self.book.economics), **given)  # type: ignore[arg-type]

    def economy(
        self,
        component: str,
        *,
        variant: str | None = None,
        position: str = "",
        labour_rate: float | None = None,
        per_year: float | None = None,
        horizon: float | None = None,
    ) -> ComponentEconomy:
        """What each remedy and grade of ``component`` costs per distance, on the newest vehicle of ``variant``.

        ``variant``: by default the first that has the component.
        """
        if component not in self.book.components:
            raise NameNotKnown("component", component, self.book.components)
        entry = self.book.components[component]
        terms = self.terms(labour_rate=labour_rate, per_year=per_year, horizon=horizon)
        fitted = variant or next(iter(entry.variants or self.book.variants))
        if fitted not in self.book.variants:
            raise NameNotKnown("variant", fitted, self.book.variants)
        self.progress("weighing remedies and grades", 0, 0)
        found = economy(
            self.book,
            component,
            fitted,
            self._newest_built(fitted),
            self._model_of,
            self._early,
            labour_rate=terms.labour_rate,
            visit_fixed=terms.visit_fixed,
            discount=terms.discount,
            per_year=terms.per_year,
            horizon=terms.horizon,
            rng=np.random.default_rng(self.seed),
            position=position,
        )
        names = {choice.remedy: self.book.remedies[choice.remedy].name for choice in found.choices}
        return ComponentEconomy(entry.name, found, names)

    def _newest_built(self, variant: str) -> date:
        """The newest vehicle of the variant on record; without any, from when the newest revision is fitted."""
        if self.store_path.exists():
            with self._reading() as store:
                if (built := newest_built(store, variant)) is not None:
                    return built
        dates = [r.from_date for c in self.book.components.values() for r in c.revisions.values() if r.from_date]
        start = self.book.variants[variant].built_from
        return max([*dates, *([start] if start else [])], default=date(2000, 1, 1))

    def _early(self, mode: str, revision: str, grade: str) -> FractionFit | None:
        """The life with an early-failure share of a stratum, where its own records ask for one.

        A share that never fails has no part in it: cost per distance would rest on what lies beyond the records.
        """
        lives = self.models(mode).strata.get((revision, grade))
        if lives is None or not lives.failures:
            return None
        leading = fractions_study(lives).leading
        if leading is None or leading.early.verdict != "needed":
            return None
        return leading.fits.get("early")

    def _model_of(self, mode: str, revision: str, grade: str) -> LifeModel:
        return self.models(mode).of(revision, grade)

    # repairs ----------------------------------------------------------------------------------------------------------

    def repeats(self, component: str, *, mode: str | None = None, by: str | None = None) -> RepeatedRepairs:
        """The repairs of ``component`` (or those that cured ``mode``) on the same vehicle, again and again."""
        with self._reading() as store:
            seen = repairs(store, self.book, component, mode=mode, by=by, group_km=self.group_km)  # type: ignore[arg-type]
        self.progress("counting repairs", 0, 0)
        groups = {name: _histories(seen, name) for name in np.unique(seen.group).tolist()} if by else {}
        whole = _histories(seen)
        told = sorted(groups, key=lambda name: (-groups[name].events, name))[:2]
        pair = (told[0], told[1]) if len(told) == 2 and all(groups[name].events for name in told) else None
        difference = None
        if pair:
            try:
                difference = compare_means(groups[pair[0]], groups[pair[1]])
            except FitError:
                pair = None  # too few were seen over the same distance
        law = tendency = None
        untold = ""
        try:
            law, tendency = power_law(whole), trend(whole)
        except FitError as error:
            untold = str(error)
        shown = groups if by else {"all": whole}
        return RepeatedRepairs(
            component=component,
            mode=mode or "",
            name=self.book.modes[mode].name if mode else self.book.components[component].name,
            by=by or "",
            places=len(whole),
            vehicles=int(np.unique(seen.vehicle).size),
            repairs=int(whole.events),
            found=int(np.count_nonzero(seen.found)),
            distance=whole.distance,
            curves={name: mean_cumulative(one) for name, one in shown.items() if len(one)},
            power_law=law,
            trend=tendency,
            untold=untold,
            comparison=difference,
            compared=pair,
            left_out=seen.left_out,
            ends_with_repair=seen.ends_with_repair,
        )

    # readings ---------------------------------------------------------------------------------------------------------

    def drift(
        self,
        reading: str,
        *,
        vehicle: str | None = None,
        km: float | None = None,
        mode: str | None = None,
        position: str | None = None,
    ) -> DriftingReading:
        """How ``reading`` drifts with the age of the piece, and what is left to the limit on ``vehicle``.

        ``km``: its odometer now; by default that of the last visit. Raises NameNotKnown, and FitError when the readings
        determine no path or the age of the piece is not known.
        """
        with self._reading() as store:
            seen = ages_of_readings(store, self.book, reading, mode=mode, position=position)
        aged = seen.where(seen.known)
        if not len(aged):
            lack = "is of a piece of known age" if len(seen) else "is on record"
            raise FitError(f"no {reading} {lack}", "Load readings of vehicles whose history is known.")
        entry = self.book.observations[reading]
        place = self._place(vehicle, km, aged, position, entry) if vehicle else None
        self.progress("fitting the drift", 0, 0)
        drift = fit_drift(Paths(_pieces(aged), aged.age, aged.value))
        ages = np.linspace(0.0, drift.unit, AGES)
        chain, limit = entry.chain, entry.limit
        return DriftingReading(
            reading=reading,
            name=entry.name,
            unit=entry.unit or "",
            mode=seen.mode,
            limit=limit,
            worse=entry.worse,
            elongation_at_limit=elongation(_lag(limit, entry, drift), chain) if chain and limit is not None else None,
            usual_elongation=usual_limit(max(s.teeth for s in chain.stages)) if chain else None,
            drift=drift,
            typical=drift.typical(ages),
            ages=aged.age,
            values=aged.value,
            left_out=len(seen) - len(aged),
            vehicle=self._on_vehicle(place, aged, entry, drift) if place else None,
        )

    def _place(self, vehicle: str, km: float | None, aged: Readings, position: str | None, entry: Observation) -> Place:
        """The piece in place at the last visit, or at odometer ``km`` since."""
        if entry.limit is None:
            raise FitError(f"the book states no limit of {aged.reading}", "Write it under the observation.")
        with self._reading() as store:
            standing = vehicle_at(store, self.book, vehicle, km=km)
        component = self.book.modes[aged.mode].component
        units = [u for u in standing.units if u.component == component and (position is None or u.position == position)]
        state = next((s for u in units for s in u.modes if s.mode == aged.mode), None)
        if state is None:
            raise FitError(
                f"{vehicle} has no {component} that can have {aged.mode}",
                "Name a vehicle of another variant or revision, or another --mode.",
            )
        if state.age is None:
            raise FitError(
                f"the age of {component} on {vehicle} is not known, so nothing can be said of what it has left",
                "Load the records of when it was fitted, or name another vehicle.",
            )
        return Place(vehicle, standing.km, state.age, entry.limit)

    def _on_vehicle(self, place: Place, aged: Readings, entry: Observation, drift: Drift) -> VehicleDrift:
        same = np.abs(aged.km - aged.age - (place.km - place.age)) < SAME_KM
        own = aged.where((aged.vehicle == place.vehicle) & same)
        path = piece_path(drift, own.age, own.value, rng=np.random.default_rng(self.seed))
        left = path.distance_left(place.limit, place.age, "upper" if entry.worse == "higher" else "lower")
        longer = None
        if entry.chain:
            ends = (_lag(float(end[0]), entry, drift) for end in path.values(np.array([place.age])))
            low, value, high = sorted(elongation(end, entry.chain) for end in ends)
            longer = Estimate(value, low, high, path.level)
        read = tuple(PieceReading(float(age), float(value)) for age, value in zip(own.age, own.value, strict=True))
        return VehicleDrift(place.vehicle, place.km, place.age, read, left, longer)


def _pieces(readings: Readings) -> NDArray[np.int64]:
    """A number for each piece on each vehicle; a piece's readings follow each other."""
    vehicle, piece = readings.vehicle, readings.piece
    return np.cumsum(np.r_[False, (vehicle[1:] != vehicle[:-1]) | (piece[1:] != piece[:-1])])


def _lag(value: float, entry: Observation, drift: Drift) -> float:
    """How far a reading of the cam has gone since new, the way in which things get worse."""
    return (value - drift.intercept.value) * (1.0 if entry.worse == "higher" else -1.0)


def _histories(seen: RepairHistories, group: str | None = None) -> Histories:
    return Histories.of(*seen.select(group))
