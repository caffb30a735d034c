"""What the records and the judgement of a family say of its failure modes; joined here, computed below."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import get_args

import numpy as np

from wearlore.answers import (
    Depth,
    EarlyShare,
    FamilyLives,
    ModeCurves,
    ModeStudy,
    ModeSummary,
    OfVariant,
    Ranked,
    UnderRule,
    basis,
    record_basis,
    round_classes,
    survival_points,
)
from wearlore.book.model import Book, Mode
from wearlore.errors import CannotOccur, NameNotKnown
from wearlore.life import (
    LOGNORMAL,
    WEIBULL,
    LifeModel,
    fractions_study,
    hazard,
    life_model,
    papers,
    rank,
    record_curve,
)
from wearlore.life.fit import furthest
from wearlore.life.fractions.study import FamilyFractions
from wearlore.life.strata import StrataModels
from wearlore.lifetimes import Lifetimes, ModeLives, UnknownStart, lifetimes, vehicle_at
from wearlore.lives import Evidence, Lives
from wearlore.records.summary import EvidenceLine, evidence_lines
from wearlore.units import Units
from wearlore.vehicle import FittedUnit, Vehicle
from wearlore.workbench.folder import Folder, once

NO_LIVES = Lives.of()


class Family(Folder):
    """What fails on the family and when, and what that rests on."""

    @once
    def lifetimes(self) -> Lifetimes:
        """The lives of all modes; none while there is no store: then the book's judgement speaks alone."""
        if not self.store_path.exists():
            return Lifetimes.none(self.book)
        with self._reading() as store:
            return lifetimes(
                store,
                self.book,
                group_km=self.group_km,
                progress=self._walking,
            )

    def _walking(self, done: int, of: int) -> None:
        self.progress("walking histories", done, of)

    @once
    def _models(self) -> dict[str, StrataModels]:
        return {}

    def models(self, mode: str) -> StrataModels:
        """The life models of a mode: of all its lives together, and of each revision and grade. Raises FitError."""
        if mode not in self._models:
            self._models[mode] = self._strata_models(mode, self.lifetimes.modes[mode])
        return self._models[mode]

    def _strata_models(self, mode: str, seen: ModeLives) -> StrataModels:
        """From these lives and the belief."""
        belief = self._mode(mode).belief
        together = life_model(mode, seen.lives, belief, seen.evidence)
        return StrataModels(together, belief, _strata(seen), self._factors(mode))

    def vehicle(self, vehicle_id: str, *, km: float | None = None) -> Vehicle:
        """The vehicle as its records leave it, at its last visit or at odometer ``km`` since."""
        with self._reading() as store:
            return vehicle_at(store, self.book, vehicle_id, km=km)

    def _place_of(self, vehicle: Vehicle, cause: str) -> tuple[FittedUnit, str]:
        """The unit and mode that ``MODE`` or ``MODE@POSITION`` means here. Raises NameNotKnown, CannotOccur."""
        mode, _, position = cause.partition("@")
        component = self._mode(mode).component
        units = [unit for unit in vehicle.units if any(state.mode == mode for state in unit.modes)]
        if not units:
            raise CannotOccur(mode, vehicle.id, vehicle.variant)
        fitting = [unit for unit in units if not position or unit.position == position]
        if len(fitting) != 1:
            raise NameNotKnown(
                f"position of {component}", position, [f"{mode}@{unit.position}" for unit in units if unit.position]
            )
        return fitting[0], mode

    def _weighable(self, vehicle: Vehicle) -> tuple[Book, Vehicle, tuple[str, ...]]:
        """Book and vehicle without the modes of which nothing is known, and the names of those it can have."""
        known = {}
        for number, (mode, entry) in enumerate(self.book.modes.items()):
            self.progress("fitting life models", number, len(self.book.modes))
            if self._model_or_none(mode):
                known[mode] = entry
        units = tuple(replace(u, modes=tuple(s for s in u.modes if s.mode in known)) for u in vehicle.units)
        unknown = {state.mode for unit in vehicle.units for state in unit.modes} - known.keys()
        return self.book.model_copy(update={"modes": known}), replace(vehicle, units=units), tuple(sorted(unknown))

    def lives(self) -> FamilyLives:
        """What fails when, soonest first."""
        rows = []
        for number, mode in enumerate(self.book.modes):
            self.progress("fitting life models", number, len(self.book.modes))
            rows.append(self._summary(mode, self._model_or_none(mode), self.lifetimes.modes[mode].evidence))
        self.progress("fitting life models", len(rows), len(rows))
        rows.sort(key=lambda row: (row.b10.value if row.b10 else float("inf"), row.mode))
        return FamilyLives(self.book.family.name, self.lifetimes.vehicles, tuple(rows))

    def study(
        self, mode: str, *, by: str | None = None, in_depth: bool = False, units: Units | None = None
    ) -> ModeStudy:
        """One mode in detail; ``by`` splits it by revision, grade or variant. Distances are round in ``units``.

        ``in_depth``: with what lies behind it, and the failures on record.
        """
        curves = self._curves(mode)
        lives, model, judged = curves.lives, curves.model, curves.judged
        return ModeStudy(
            summary=self._summary(mode, model, model.evidence),
            note=self.book.modes[mode].note,
            judgement=basis("judgement", judged) if judged else None,
            record=record_basis(model.fit) if model.fit else None,
            together=basis("together", model),
            ranking=tuple(Ranked(f.dist.name, f.log_likelihood, f.aicc) for f in rank(lives)) if lives.failures else (),
            points=survival_points(model, curves.curve, units or self.book.units),
            strata=self._split(mode, by) if by else (),
            records=self.failures_on_record(mode) if in_depth else (),
            curves=curves,
            depth=self._depth(mode, curves, units or self.book.units) if in_depth else None,
        )

    def _depth(self, mode: str, curves: ModeCurves, units: Units) -> Depth:
        lives, failed = curves.lives, curves.lives.failures > 0
        self.progress("looking deeper", 0, 0)
        fits = rank(lives, (WEIBULL, LOGNORMAL)) if failed else ()
        far = furthest(lives) if _seen(lives) else curves.model.quantile(0.5).value
        shares = fractions_study(lives) if failed else None
        return Depth(
            papers=papers(curves.curve, fits) if curves.curve and fits else None,
            hazard=hazard(curves.model, lives, edges=round_classes(far, units)),
            fractions=shares,
            early_by_grade=tuple(self._early_by_grade(mode, shares.leading)) if shares and shares.leading else (),
            rules=tuple(self._under_rule(mode, rule) for rule in get_args(UnknownStart)) if len(lives) else (),
        )

    def _early_by_grade(self, mode: str, leading: FamilyFractions) -> Iterator[EarlyShare]:
        seen = self.lifetimes.modes[mode]
        grades = np.unique(seen.grade).tolist()
        if leading.early.verdict == "not needed" or len(grades) < 2:
            return
        for grade in grades:
            lives = seen.select(grade=grade)
            if lives.failures:
                (family,) = fractions_study(lives, families=(leading.dist,)).families
                yield EarlyShare(grade, family.early, lives.failures, lives.total)

    def _under_rule(self, mode: str, rule: UnknownStart) -> UnderRule:
        seen = self._lives_under(rule).modes[mode]
        model = life_model(mode, seen.lives, self.book.modes[mode].belief, seen.evidence)
        evidence = seen.evidence
        b10, b50 = model.quantile(0.1), model.quantile(0.5)
        return UnderRule(rule, b10, b50, evidence.failures, evidence.lives, evidence.unknown_start)

    def _lives_under(self, rule: UnknownStart) -> Lifetimes:
        if rule == "left out":
            return self.lifetimes
        with self._reading() as store:
            return lifetimes(store, self.book, group_km=self.group_km, unknown_start=rule)

    def _curves(self, mode: str) -> ModeCurves:
        """The curves of one mode: model, judgement alone, records alone."""
        belief = self._mode(mode).belief
        model, lives = self.models(mode).together, self.lifetimes.modes[mode].lives
        return ModeCurves(
            self.book.modes[mode].name,
            lives,
            model,
            life_model(mode, NO_LIVES, belief, dist=model.dist) if belief else None,
            record_curve(lives) if _seen(lives) else None,
        )

    def _mode(self, mode: str) -> Mode:
        if mode not in self.book.modes:
            raise NameNotKnown("mode", mode, self.book.modes)
        return self.book.modes[mode]

    def failures_on_record(self, mode: str) -> tuple[EvidenceLine, ...]:
        """Where each failure of ``mode`` stands in the files that were taken. Raises NameNotKnown."""
        self._mode(mode)
        if not self.store_path.exists():
            return ()
        with self._reading() as store:
            return evidence_lines(store, self.book, mode, failures_only=True)

    def _model_or_none(self, mode: str) -> LifeModel | None:
        """None where there is neither a record nor a belief: then nothing can be said."""
        if not len(self.lifetimes.modes[mode].lives) and self.book.modes[mode].belief is None:
            return None
        return self.models(mode).together

    def _summary(self, mode: str, model: LifeModel | None, evidence: Evidence, stratum: str = "") -> ModeSummary:
        entry = self.book.modes[mode]
        return ModeSummary(
            mode=mode,
            name=entry.name,
            component=entry.component,
            system=self.book.components[entry.component].system,
            noticed=entry.noticed,
            severity=entry.consequence.severity,
            b10=model.quantile(0.1) if model else None,
            b50=model.quantile(0.5) if model else None,
            b90=model.quantile(0.9) if model else None,
            record_share=model.record_share if model else 0.0,
            evidence=evidence,
            stratum=stratum,
            variants=() if stratum else tuple(self._of_variants(mode)),
        )

    def _of_variants(self, mode: str) -> Iterator[OfVariant]:
        seen = self.lifetimes.modes[mode]
        for name in self.book.variants_with(mode):
            lives = seen.select(variant=name)
            yield OfVariant(name, round(lives.failures), round(lives.total))

    def _split(self, mode: str, by: str) -> tuple[ModeSummary, ...]:
        seen = self.lifetimes.modes[mode]
        names = {"revision": seen.revision, "grade": seen.grade, "variant": seen.variant}
        if by not in names:
            raise NameNotKnown("way to split", by, names)
        rows = []
        for name in sorted(set(names[by].tolist())):
            model = life_model(mode, seen.lives.where(names[by] == name), self.book.modes[mode].belief)
            rows.append(self._summary(mode, model, model.evidence, stratum=name or "(only one)"))
        return tuple(rows)

    def _factors(self, mode: str) -> dict[tuple[str, str], float]:
        """The book's ratio of lives for each revision and grade of the mode's component."""
        component = self.book.modes[mode].component
        revisions = self.book.components[component].revisions
        parts = [part for part in self.book.parts.values() if part.component == component]
        grades = {"original": 1.0} | {o.grade: o.life_factor for part in parts for o in part.offers}
        return {
            (revision, grade): (revisions[revision].life_factor if revision else 1.0) * factor
            for revision in (revisions or [""])
            for grade, factor in grades.items()
        }


def _seen(lives: Lives) -> bool:
    """Over any distance."""
    return len(lives) > 0 and furthest(lives) > 0


def _strata(seen: ModeLives) -> dict[tuple[str, str], Lives]:
    pairs = sorted(set(zip(seen.revision.tolist(), seen.grade.tolist(), strict=True)))
    return {(revision, grade): seen.select(revision=revision, grade=grade) for revision, grade in pairs}
