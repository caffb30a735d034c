"""Book, vehicle, life models and terms -> the choice of a visit as plain values."""

from __future__ import annotations

from dataclasses import replace
from math import log1p

import numpy as np

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, ScopeError
from wearlore.lives import Array
from wearlore.renewal import Cure, Effect, Models, ModeRisk, Span, UnitWorth
from wearlore.scope.ground import Ground
from wearlore.scope.model import Candidate, Fault, Option, Problem, Step, Terms
from wearlore.vehicle import FittedUnit, ModeState, Vehicle
from wearlore.ways import Way

VISIT = "(visit)"  # the step that every option needs: coming in at all
STEPS = 100  # of the horizon in the renewal equation: W moves by under 1e-4 when doubled
CURVE_DRAWS = 8  # of the draws, for the distance at which the advice flips
OFFSETS = np.linspace(-1.0, 1.0, 17)  # where that is looked for, in horizons from now


def problem(book: Book, vehicle: Vehicle, models: Models, terms: Terms, *, rng: np.random.Generator) -> Problem:
    """All that can be done to ``vehicle`` in this visit, and what each choice costs now and later.

    ``models(mode, revision, grade)`` gives the life model of a mode in a unit of that design level and source grade.
    Raises NameNotKnown for a variant, unit, mode, tool or refused name that does not exist; ScopeError when no remedy
    in the book cures a fault that must be cured.
    """
    return Builder.of(book, vehicle, models, terms, rng=rng).problem()


class Builder:
    """What the book makes of one vehicle under the terms; lives as long as one problem is built."""

    def __init__(self, ground: Ground, terms: Terms) -> None:
        self.ground, self.terms = ground, terms
        self.book, self.vehicle, self.access = ground.book, ground.vehicle, ground.access
        self._check_names()
        self.ways, self.shared = ground.ways.of_unit, ground.ways.shared
        self.span = Span(terms.horizon, log1p(terms.discount) / terms.per_year, STEPS)
        self.speeds = self._speeds()

    @classmethod
    def of(cls, book: Book, vehicle: Vehicle, models: Models, terms: Terms, *, rng: np.random.Generator) -> Builder:
        """On ground of its own. Raises what `problem` raises."""
        return cls(Ground.of(book, vehicle, models, terms.missing_tools, rng=rng), terms)

    def _check_names(self) -> None:
        units = [unit.name for unit in self.vehicle.units]
        known = {*units, *self.book.components, *self.book.remedies}
        for name in sorted(self.terms.refuse - known):
            raise NameNotKnown("unit or remedy", name, known)
        for name in sorted(self.terms.include):
            self.vehicle.unit(name)
        for fault in sorted(self.terms.must | self.terms.probable.keys()):
            unit = self.vehicle.unit(fault.unit)
            modes = [
                id_
                for id_, mode in self.book.modes_of(unit.component)
                if mode.applies(self.vehicle.variant, unit.revision)
            ]
            if fault.mode not in modes:
                raise NameNotKnown(f"failure mode of {unit.component}", fault.mode, modes)

    # money

    def companions_of(self, remedy: str, unit: FittedUnit) -> list[tuple[str, FittedUnit]]:
        """As `Ways.companions_of`."""
        return self.ground.ways.companions_of(remedy, unit)

    def _later_visit(self, unit: FittedUnit, way: Way) -> float:
        """Money of a later visit made for this alone: of its set-up only the share that other work will not carry."""
        visit, rate = self.ground.visit(unit, way), self.terms.labour_rate
        setup = self.terms.visit_fixed + rate * visit.shared_hours
        return (1 - self.terms.setup_share) * setup + rate * visit.own_hours + visit.materials

    # worth

    def present(self, unit: FittedUnit) -> dict[str, float]:
        """The modes that are there now, each with the chance of that: 1 when found."""
        found = {state.mode: 1.0 for state in unit.modes if state.present}
        probable = {fault.mode: chance for fault, chance in self.terms.probable.items() if fault.unit == unit.name}
        return found | probable | {fault.mode: 1.0 for fault in self.terms.must if fault.unit == unit.name}

    def _refused(self, unit: FittedUnit, remedy: str = "") -> frozenset[str]:
        return self.terms.refuse & {unit.name, unit.component, remedy}

    def _speeds(self) -> dict[str, float]:
        """Factors on ageing from faults that are there and that the owner will not have cured: the expected ones."""
        speeds: dict[str, float] = {}
        for unit in self.vehicle.units:
            if self._refused(unit):
                for fault, chance in self.present(unit).items():
                    for mode, factor in self.book.modes[fault].accelerates.items():
                        speeds[mode] = speeds.get(mode, 1.0) * (1 - chance + chance * factor)
        return speeds

    def _risks(self, unit: FittedUnit) -> list[ModeRisk]:
        states = {state.mode: state for state in unit.modes}
        designs = {unit.revision} | {way.effect.revision for way in self.ways[unit.name]}
        present = self.present(unit)
        risks = []
        for id_, mode in self.book.modes_of(unit.component):
            if not any(mode.applies(self.vehicle.variant, revision) for revision in designs):
                continue
            here = mode.applies(self.vehicle.variant, unit.revision)
            state = states.get(id_, ModeState(id_, None if here else 0.0, 0.0))
            risks.append(
                ModeRisk(
                    id_,
                    state.age,
                    state.seen_good,
                    mode.consequence.cost,
                    mode.noticed == "hidden",
                    lambda revision, mode=mode: mode.applies(self.vehicle.variant, revision),  # type: ignore[misc]
                    present.get(id_, 0.0),
                    self.speeds.get(id_, 1.0),
                    mode.consequence.stranded,
                    mode.consequence.severity == "engine-damage",
                    mode.lead.lognormal if mode.lead else (0.0, 0.0),
                )
            )
        return risks

    def worth(self, unit: FittedUnit) -> UnitWorth:
        cures = [
            Cure(way.remedy, way.effect, self._later_visit(unit, way))
            for way in self.ways[unit.name]
            if way.effect.lowers is None
        ]
        return UnitWorth(
            self._risks(unit),
            cures,
            unit.revision,
            unit.grade,
            self.vehicle.km,
            unit.at_least,
            self.ground.models,
            self.span,
            self.ground.draws,
            self.ground.kept(unit),
        )

    # the problem

    def numbered(self) -> list[tuple[int, FittedUnit, Way]]:
        """Every way of every unit, in the order of the problem's options."""
        return [(u, unit, way) for u, unit in enumerate(self.vehicle.units) for way in self.ways[unit.name]]

    def problem(self, *, turns: bool = True) -> Problem:
        """``turns``: whether it must also tell where advice turns; the choice itself needs no such thing."""
        units = self.vehicle.units
        numbered = self.numbered()
        must = self._must(numbered)
        spoils, free = self.spoils(numbered)
        candidates, options = [], []
        for u, unit in enumerate(units):
            worth = self.worth(unit)
            left, chance = worth.later()
            age = _age(unit)
            offsets = self._offsets(unit) if turns else np.zeros(0)
            curve = self._curve(worth, None, offsets)
            doubtful = any(present < 1 for present in self.present(unit).values())
            candidates.append(Candidate(unit.name, left, chance, age, offsets, doubtful))
            for way in self.ways[unit.name]:
                after, _ = worth.later(way.effect)
                drift = curve - self._curve(worth, way.effect, offsets)
                now = float(np.interp(0.0, offsets, drift)) if offsets.size else 0.0
                options.append(
                    replace(
                        self.option(u, unit, way, free),
                        after=after,
                        saving_at=drift - now + float(np.mean(left - after)),
                    )
                )
        options = [
            replace(option, companions=self._companions(units[option.unit], option, numbered)) for option in options
        ]
        return Problem(
            self.terms.labour_rate,
            self.steps(numbered, free),
            tuple(candidates),
            tuple(options),
            must,
            spoils,
            self.vehicle.km,
            self._include(numbered),
        )

    def _offsets(self, unit: FittedUnit) -> Array:
        """Where to look for the distance at which the advice flips; nowhere when something is already wrong."""
        if self.present(unit) or not self.ways[unit.name] or not unit.modes:
            return np.zeros(0)
        lowest = -min((state.age for state in unit.modes if state.age is not None), default=unit.at_least)
        unknown = any(state.age is None for state in unit.modes)  # each point then holds many ages
        offsets = (OFFSETS[::2] if unknown else OFFSETS) * self.terms.horizon
        return np.union1d(offsets[offsets > lowest], [max(lowest, offsets[0])])

    @staticmethod
    def _curve(worth: UnitWorth, effect: Effect | None, offsets: Array) -> Array:
        return worth.course(effect, offsets, CURVE_DRAWS) if offsets.size else np.zeros(0)

    def option(self, number: int, unit: FittedUnit, way: Way, free: frozenset[str]) -> Option:
        charged = {p: q for p, q in self.access.spoiled(way.operations).items() if p not in free}
        parts = {part: max(0.0, quantity - charged.get(part, 0.0)) for part, quantity in way.parts.items()}
        return Option(
            number,
            way.remedy,
            way.effect.grade,
            way.effect.revision,
            self.access.parts_price(parts, way.offers),
            way.operations | {_tool(tool) for tool in self.access.hires(way.operations)} | {VISIT},
            np.zeros(0),
            way.effect.cures if way.effect.lowers is None else frozenset(),
            refused=self._refused(unit, way.remedy),
            tools=way.tools,
            offers=way.offers,
        )

    def _must(self, numbered: list[tuple[int, FittedUnit, Way]]) -> dict[Fault, tuple[int, ...]]:
        must = {}
        for fault in sorted(self.terms.must):
            must[fault] = tuple(
                o
                for o, (_, unit, way) in enumerate(numbered)
                if unit.name == fault.unit and fault.mode in way.effect.cures and way.effect.lowers is None
            )
            if not must[fault]:
                raise ScopeError(
                    f"no remedy in the book cures {fault.mode} on {fault.unit} of variant {self.vehicle.variant}",
                    "Add the remedy, or an offer of its parts that fits, to the book",
                )
        return must

    def _include(self, numbered: list[tuple[int, FittedUnit, Way]]) -> dict[str, tuple[int, ...]]:
        include = {}
        for name in sorted(self.terms.include):
            include[name] = tuple(o for o, (_, unit, _) in enumerate(numbered) if unit.name == name)
            if not include[name]:
                raise ScopeError(f"nothing in the book can be done to {name} now", "Leave it out of what is to be done")
        return include

    def spoils(
        self, numbered: list[tuple[int, FittedUnit, Way]]
    ) -> tuple[tuple[tuple[str, tuple[int, ...]], ...], frozenset[str]]:
        """Which steps spoil a unit, with the options that renew it; and the parts that are then paid by the option.

        A step done at a position spoils the unit at that position. One that spoils fewer pieces than there are units of
        the component says not which: it pays for them itself.
        """
        renewing: dict[str, dict[str, list[int]]] = {}  # part -> unit -> options
        for o, (_, unit, way) in enumerate(numbered):
            for part in way.parts:
                if way.effect.renews and self.book.parts[part].component == unit.component:
                    renewing.setdefault(part, {}).setdefault(unit.name, []).append(o)
        rows: list[tuple[str, tuple[int, ...]]] = []
        scant: set[str] = set()
        for operation in sorted({operation for _, _, way in numbered for operation in way.operations}):
            for part, quantity in self.access.spoiled_by(operation).items():
                at = operation.partition("@")[2]
                units = {name: o for name, o in renewing.get(part, {}).items() if not at or name.endswith(f"/{at}")}
                if quantity < len(units):
                    scant.add(part)
                else:
                    rows += [(operation, tuple(options)) for options in units.values()]
        return tuple(rows), frozenset(renewing) - scant

    def _companions(
        self, unit: FittedUnit, option: Option, numbered: list[tuple[int, FittedUnit, Way]]
    ) -> tuple[tuple[int, ...], ...]:
        return tuple(
            tuple(o for o, (_, u, way) in enumerate(numbered) if u.name == beside.name and way.remedy == id_)
            for id_, beside in self.companions_of(option.remedy, unit)
        )

    def steps(self, numbered: list[tuple[int, FittedUnit, Way]], free: frozenset[str]) -> dict[str, Step]:
        operations = sorted({operation for _, _, way in numbered for operation in way.operations})
        steps = {VISIT: Step(VISIT, 0.0, self.terms.visit_fixed)}
        for id_ in operations:
            spoiled = {part: q for part, q in self.access.spoiled_by(id_).items() if part not in free}
            money = self.access.consumed_by(id_) + self.access.parts_price(spoiled, {})
            steps[id_] = Step(id_, self.access.operations[id_].total_hours, money)
        for tool, charge in self.access.hires(frozenset(operations)).items():
            steps[_tool(tool)] = Step(_tool(tool), 0.0, charge)
        return steps


def _tool(tool: str) -> str:
    return f"(hire of {tool})"


def _age(unit: FittedUnit) -> float | None:
    ages = {state.age for state in unit.modes}
    return next(iter(ages)) if len(ages) == 1 else None
