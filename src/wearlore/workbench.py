"""The workbench: one workshop folder (its book and its store), and the whole job joined on it. It holds no formula.

folder/book.yaml or folder/book/*.yaml    the book
folder/records.duckdb                     the store
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date
from functools import cached_property, partial
from pathlib import Path

import numpy as np

from wearlore import jobcard, outlook
from wearlore.answers import (
    FamilyLives,
    Job,
    ModeCurves,
    ModeStudy,
    ModeSummary,
    Ranked,
    VisitScope,
    basis,
    record_basis,
    survival_points,
)
from wearlore.book import load
from wearlore.book.model import Book, Mode
from wearlore.errors import NameNotKnown, ScopeError
from wearlore.jobcard.reasons import reasons
from wearlore.life import LifeModel, kaplan_meier, life_model, rank
from wearlore.life.strata import StrataModels
from wearlore.lifetimes import Lifetimes, ModeLives, lifetimes, vehicle_at
from wearlore.lives import Evidence, Lives
from wearlore.records import intake
from wearlore.records.files import open_file
from wearlore.records.store import Store
from wearlore.records.summary import EvidenceLine, Summary, evidence_lines, summary
from wearlore.renewal.upkeep import draw_luck
from wearlore.renewal.upkeep import lives as lives_of
from wearlore.scope import Fault, Terms, choose, follow_advice, problem, upkeep
from wearlore.units import Units
from wearlore.vehicle import Vehicle

NO_LIVES = Lives.of()
RUNS = 100  # courses of events in which policies are held against each other
POLICIES = {
    "advice": follow_advice,
    "only failed": outlook.only_failed,
    "all in reach": outlook.all_in_reach,
}
Progress = Callable[[str, int, int], None]  # what is being done, how much of it, of how much (0: not known)


def silent(_what: str, _done: int, _of: int) -> None:
    """No progress shown."""


class Workbench:
    """The book and the store of ``folder``, and every answer drawn from them.

    Everything read is read once. ``seed`` starts the generator that every draw comes from, so that the same question
    has the same answer. Methods raise WearloreError of the kind that fits.
    """

    def __init__(
        self, folder: str | Path, *, group_km: float | None = None, seed: int = 1, progress: Progress = silent
    ) -> None:
        self.folder = Path(folder)
        self.group_km = group_km
        self.seed = seed
        self.progress = progress
        self._models: dict[str, StrataModels] = {}

    @property
    def store_path(self) -> Path:
        return self.folder / "records.duckdb"

    @property
    def book_path(self) -> Path:
        """The folder ``book`` where there is one, otherwise the file ``book.yaml``."""
        several = self.folder / "book"
        return several if several.is_dir() else self.folder / "book.yaml"

    @cached_property
    def book(self) -> Book:
        """The book, refused when its review finds an error."""
        return load.load(self.book_path)

    # records -----------------------------------------------------------------------------------------------------

    def take(self, paths: Iterable[str | Path], *, today: date, quarantine: bool = False) -> tuple[intake.Intake, ...]:
        """Load files of records, vehicles before what happened to them; each file is one transaction."""
        book = self.book
        with Store.open(self.store_path) as store:
            return tuple(
                intake.take(
                    store,
                    book,
                    path,
                    today=today,
                    quarantine=quarantine,
                    progress=partial(self.progress, f"taking {Path(path).name}"),
                )
                for path in sorted(paths, key=lambda path: open_file(path).kind != "vehicles")
            )

    def records(self) -> Summary:
        """What the store holds."""
        with Store.open(self.store_path, read_only=True) as store:
            return summary(store)

    # lives -------------------------------------------------------------------------------------------------------

    @cached_property
    def lifetimes(self) -> Lifetimes:
        """The lives of all modes; none while there is no store: then the book's judgement speaks alone."""
        if not self.store_path.exists():
            return Lifetimes.none(self.book)
        with Store.open(self.store_path, read_only=True) as store:
            return lifetimes(
                store,
                self.book,
                group_km=self.group_km,
                progress=partial(self.progress, "walking histories"),
            )

    def models(self, mode: str) -> StrataModels:
        """The life models of a mode: of all its lives together, and of each revision and grade. Raises FitError."""
        if mode not in self._models:
            belief = self._mode(mode).belief
            seen = self.lifetimes.modes[mode]
            self._models[mode] = StrataModels(
                life_model(mode, seen.lives, belief, seen.evidence), belief, _strata(seen), self._factors(mode)
            )
        return self._models[mode]

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
        self, mode: str, *, by: str | None = None, with_records: bool = False, units: Units | None = None
    ) -> ModeStudy:
        """One mode in detail; ``by`` splits it by revision, grade or variant. Distances are round in ``units``."""
        curves = self.curves(mode)
        lives, model, judged = curves.lives, curves.model, curves.judged
        return ModeStudy(
            summary=self._summary(mode, model, model.evidence),
            note=self.book.modes[mode].note,
            judgement=basis("judgement", judged) if judged else None,
            record=record_basis(model.fit) if model.fit else None,
            together=basis("together", model),
            ranking=tuple(Ranked(f.dist.name, f.log_likelihood, f.aicc) for f in rank(lives)) if lives.failures else (),
            points=survival_points(model, curves.curve, units or self.book.units),
            placed=curves.curve.placed if curves.curve else 0.0,
            strata=self._split(mode, by) if by else (),
            records=self._evidence(mode) if with_records else (),
        )

    def curves(self, mode: str) -> ModeCurves:
        """The curves of one mode: model, judgement alone, records alone."""
        belief = self._mode(mode).belief
        model, lives = self.models(mode).together, self.lifetimes.modes[mode].lives
        return ModeCurves(
            self.book.modes[mode].name,
            lives,
            model,
            life_model(mode, NO_LIVES, belief, dist=model.dist) if belief else None,
            kaplan_meier(lives) if len(lives) else None,
        )

    def _mode(self, mode: str) -> Mode:
        if mode not in self.book.modes:
            raise NameNotKnown("mode", mode, self.book.modes)
        return self.book.modes[mode]

    def _evidence(self, mode: str) -> tuple[EvidenceLine, ...]:
        with Store.open(self.store_path, read_only=True) as store:
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
            record_share=model.record_share if model else 0.0,
            evidence=evidence,
            stratum=stratum,
        )

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

    # one visit ---------------------------------------------------------------------------------------------------

    def vehicle(self, vehicle_id: str, *, km: float | None = None) -> Vehicle:
        """The vehicle as its records leave it, at its last visit or at odometer ``km`` since."""
        with Store.open(self.store_path, read_only=True) as store:
            return vehicle_at(store, self.book, vehicle_id, km=km)

    def terms(self, **changes: object) -> Terms:
        """The workshop's terms, with what is given and not None put in their place."""
        given = {name: value for name, value in changes.items() if value is not None}
        return replace(Terms.of(self.book.economics), **given)  # type: ignore[arg-type]

    def scope(
        self,
        vehicle_id: str,
        faults: Sequence[str],
        *,
        terms: Terms | None = None,
        km: float | None = None,
    ) -> VisitScope:
        """What to do in this visit. ``faults``: confirmed failure modes, each ``mode`` or ``mode@position``."""
        vehicle = self.vehicle(vehicle_id, km=km)
        found = frozenset(self._fault(vehicle, fault) for fault in faults)
        terms = terms or self.terms()
        terms = replace(terms, must=terms.must | found)
        book, vehicle, unknown = self._weighable(vehicle)
        if unweighed := [fault.mode for fault in sorted(terms.must) if fault.mode in unknown]:
            said = f"of {', '.join(unweighed)} there is neither a record nor a judgement"
            raise ScopeError(said, "State a belief for it in the book.")
        self.progress("weighing the visit", 0, 0)
        advice = choose(problem(book, vehicle, self._model_of, terms, rng=np.random.default_rng(self.seed)))
        self.progress("simulating the years to come", 0, 0)
        return VisitScope(vehicle, terms, advice, self._long_run(book, vehicle, terms), unknown)

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

    def _long_run(self, book: Book, vehicle: Vehicle, terms: Terms) -> outlook.Comparison:
        """The advice and the two habits at this visit and every later one, on the same lives."""
        rng = np.random.default_rng(self.seed)
        care = upkeep(book, vehicle, self._model_of, terms, rng=rng)
        return outlook.simulate([(care, lives_of(care, draw_luck(care, RUNS, rng=rng)))], POLICIES)

    def job(self, visit: VisitScope) -> Job:
        """Job card, estimate and owner's page of a visit."""
        chosen = [
            jobcard.Chosen(advice.remedy, advice.position, advice.grade or "original", advice.offers)  # type: ignore[arg-type]
            for advice in visit.scope.chosen
            if advice.remedy
        ]
        # the owner's own loss by a visit (visit_fixed) weighs in the advice; the workshop does not bill it
        card = jobcard.compose(self.book, visit.vehicle, chosen, labour_rate=visit.terms.labour_rate, visit_fixed=0.0)
        found = tuple(f"{self.book.modes[fault.mode].name}." for fault in sorted(visit.terms.must))
        owner = jobcard.owner_page(
            card, found=found, reasons=reasons(visit.scope, self.book), horizon_km=visit.terms.horizon
        )
        return Job(visit, card, owner)

    def _model_of(self, mode: str, revision: str, grade: str) -> LifeModel:
        return self.models(mode).of(revision, grade)

    def _fault(self, vehicle: Vehicle, fault: str) -> Fault:
        """The unit and mode that ``mode`` or ``mode@position`` means on this vehicle."""
        mode, _, position = fault.partition("@")
        component = self._mode(mode).component
        units = [unit for unit in vehicle.units if any(state.mode == mode for state in unit.modes)]
        if not units:
            raise ScopeError(
                f"{mode} cannot occur on {vehicle.id} ({vehicle.variant})",
                "Its variant or the revision fitted to it does not have this failure mode.",
            )
        fitting = [unit for unit in units if not position or unit.position == position]
        if len(fitting) != 1:
            raise NameNotKnown(
                f"position of {component}", position, [f"{mode}@{unit.position}" for unit in units if unit.position]
            )
        return Fault(fitting[0].name, mode)


def _strata(seen: ModeLives) -> dict[tuple[str, str], Lives]:
    pairs = sorted(set(zip(seen.revision.tolist(), seen.grade.tolist(), strict=True)))
    return {(revision, grade): seen.select(revision=revision, grade=grade) for revision, grade in pairs}
