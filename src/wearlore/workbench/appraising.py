"""One vehicle for sale, being appraised: what is told so far in, the answer out; asked again as more is told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from wearlore import outlook
from wearlore.answers import Stop, Withheld
from wearlore.answers.appraisal import Appraisal, BuyersLook, Compared, PricedFault, ToStandard, YearsToCome
from wearlore.appraisal import (
    Inspected,
    Offer,
    beyond,
    even_price,
    in_order,
    kept_well,
    over_ages,
    renewed_saves,
    sighted,
    standard,
    states,
    without_dismantling,
)
from wearlore.book.model import Book
from wearlore.lives import Array
from wearlore.outlook import Courses
from wearlore.renewal import Models
from wearlore.renewal.upkeep import Rule, Upkeep, savings
from wearlore.scope import Fault, Terms, follow_advice, upkeep
from wearlore.trace import Case, Fact, Look, Means, Solver, Told, drawn_chances
from wearlore.vehicle import Vehicle

DRAWN = 4_000  # of what is there now
GOOD = 1e-9  # chance that stands for: looked at, and not there
MIDDLE = 0.8  # of single vehicles


@dataclass(frozen=True)
class ForSale:
    """What is asked about the vehicle. ``comparable``: what it is compared with, its years left open."""

    price: float
    comparable: Compared
    history: str
    minutes: float | None
    furthest: float | None


@dataclass(frozen=True)
class Appraising:
    """A vehicle for sale with the means at hand; ``vehicle``: as it stands now. ``rounds``: courses simulated
    for each draw of lives and of ages."""

    case: Case
    means: Means
    vehicle: Vehicle
    models: Models
    terms: Terms
    seed: int
    unknown: tuple[str, ...]
    rounds: int = 6

    @property
    def book(self) -> Book:
        return self.case.book

    # ------------------------------------------------------------------------------------------------------ the answer
    def answer(self, asked: ForSale, told: Sequence[Told], off: Iterable[str] = ()) -> Appraisal:
        """``off``: operations that are done already. Raises NameNotKnown, TraceError, AppraisalError."""
        told = tuple(dict.fromkeys(told))
        facts = self.case.facts(told)
        solver = Solver(self.case.network)
        opened = self.means.access.reach(off)
        looks, hard = self._looks(told, opened)
        shown = self._shown(solver, facts, looks)
        good, well = self._upkeep(self.vehicle), self._upkeep(kept_well(self.vehicle))
        tables = savings(good)
        there = states(solver, facts, [s.name for s in self.case.suspects], DRAWN, rng=np.random.default_rng(self.seed))
        bill = standard(good, self.case.suspects, there, shown, self._consequences())
        saves = renewed_saves(bill, good, tables.fitted[:, 0, -1], self.case.suspects)
        now = bill.draws - bill.states @ np.array(list(saves.values()))  # (DRAWN,) net of what new pieces save later
        costs = {name: extra - saves[name] for name, extra in bill.extra.items()}
        here = self._courses(good, self.vehicle, follow_advice(good, tables))
        against = self._courses(well, kept_well(self.vehicle), follow_advice(well))
        whole = here.cost + now[np.arange(here.runs) % now.size]  # of single vehicles
        drawn = drawn_chances(solver, self.case.suspects, facts)
        shifts = np.sum([money * drawn[name] for name, money in costs.items()], axis=0)
        more = beyond(here.cost + now.mean(), against.cost, len(shifts), shifts)
        even = even_price(asked.comparable.price, more, now, asked.price)
        offer = Offer(solver, facts, costs, even.even.value, asked.price)
        return Appraisal(
            vehicle=self.vehicle.id,
            variant=self.vehicle.variant,
            built=self.vehicle.built,
            km=self.vehicle.km,
            history=asked.history,
            price=asked.price,
            furthest=asked.furthest,
            stops=tuple(self._stops(told)),
            told=told,
            said=tuple(self.case.say(one) for one in told),
            even=even,
            compared=replace(asked.comparable, years=_years(against, against.cost)),
            more=more,
            standard=ToStandard(bill.expected, bill.within(MIDDLE), bill.clear),
            years=_years(here, here.cost + now.mean() - bill.expected),
            together=(float(here.cost.mean() + now.mean()), *_middle(whole)),
            faults=self._faults(solver, facts, costs, shown, hard),
            looks=tuple(self._in_order(offer, looks, opened, asked.minutes)),
            withheld=tuple(self._withheld(told, opened)),
            minutes=asked.minutes,
            horizon=self.terms.horizon,
            per_year=self.terms.per_year,
            unknown=self.unknown,
        )

    # ----------------------------------------------------------------------------------------------------------- money
    def _upkeep(self, vehicle: Vehicle) -> Upkeep:
        """The vehicle with everything looked at and good."""
        good = {Fault(unit.name, state.mode): GOOD for unit in vehicle.units for state in unit.modes}
        terms = replace(self.terms, probable=good)
        return upkeep(self.book, vehicle, self.models, terms, rng=np.random.default_rng(self.seed))

    def _courses(self, care: Upkeep, vehicle: Vehicle, rule: Rule) -> Courses:
        rng = np.random.default_rng(self.seed)
        return over_ages(care, vehicle, rule, rounds=self.rounds, seed=self.seed, rng=rng)

    def _consequences(self) -> dict[str, float]:
        return {id_: mode.consequence.cost for id_, mode in self.book.modes.items()}

    def _faults(
        self,
        solver: Solver,
        facts: Sequence[Fact],
        costs: Mapping[str, float],
        shown: Mapping[str, float],
        hard: Sequence[Look],
    ) -> tuple[PricedFault, ...]:
        chance = solver.posterior(facts).chance
        rows = []
        for suspect in self.case.suspects:
            mode = self.book.modes[suspect.mode]
            by = tuple(
                self.book.inspections[look.name].name
                for look in hard
                if any(s.about == suspect.name or s.about in mode.observations for s in look.sights)
            )
            rows.append(
                PricedFault(
                    suspect.name, mode.name, suspect.position, chance[suspect.name], costs[suspect.name],
                    shown[suspect.name], by,
                )
            )  # fmt: skip
        return tuple(sorted(rows, key=lambda row: -row.expected))

    # ----------------------------------------------------------------------------------------------------------- looks
    def _looks(self, told: Sequence[Told], opened: frozenset[str]) -> tuple[list[Look], list[Look]]:
        """Those that a buyer can do, and those that want dismantling."""
        able: list[Look] = []
        hard: list[Look] = []
        for look in self.means.looks(told, opened):
            (able if without_dismantling(self.means, look.name, opened) else hard).append(look)
        return able, hard

    def _shown(self, solver: Solver, facts: Sequence[Fact], looks: Sequence[Look]) -> dict[str, float]:
        chance = solver.posterior(facts).chance
        open_ = [name for name, share in chance.items() if 0 < share < 1]
        found = {one.cause: one.shown for one in sighted(solver, facts, open_, looks)}
        return {name: found.get(name, 1.0) for name in chance}

    def _in_order(
        self, offer: Offer, looks: Sequence[Look], opened: frozenset[str], minutes: float | None
    ) -> Iterator[BuyersLook]:
        left = float("inf") if minutes is None else minutes
        done = opened
        found = [one for look in looks if (one := offer.inspected(look)).findings]
        for one in in_order(found, lambda name, after: self._minutes(name, self._opened(opened, after))):
            within = one.minutes <= left
            left -= one.minutes if within else 0.0
            yield self._look(one, done, within=within)
            done = self._opened(done, {one.look.name})

    def _opened(self, opened: frozenset[str], after: Iterable[str]) -> frozenset[str]:
        needs = (need for name in after for need in self.book.inspections[name].needs)
        return opened | self.means.access.reach(needs)

    def _minutes(self, name: str, opened: frozenset[str]) -> float:
        inspection = self.book.inspections[name]
        hours = (self.means.access.operations[o].total_hours for o in sorted(self.means.opens(inspection, opened)))
        return inspection.minutes + 60.0 * sum(hours)

    def _look(self, one: Inspected, opened: frozenset[str], *, within: bool) -> BuyersLook:
        inspection = self.book.inspections[one.look.name]
        met = self.means.hazards(inspection, opened)
        return BuyersLook(
            inspection=one.look.name,
            name=inspection.name,
            minutes=one.minutes,
            worth=one.worth,
            cost=one.minutes * self.means.per_minute,
            moves=one.moves,
            findings=tuple(replace(found, about=self._called(found.about)) for found in one.findings),
            clear=one.clear,
            shows=tuple(self._called(sight.about) for sight in one.look.sights),
            opens=tuple(self.means.access.operations[o].name for o in sorted(self.means.opens(inspection, opened))),
            tools=tuple(self.book.tools[tool].name for tool in inspection.tools),
            cautions=tuple(
                (entry.name, entry.signal, entry.caution) for id_, entry in self.book.hazards.items() if id_ in met
            ),
            within=within,
        )

    def _called(self, name: str) -> str:
        if name in self.book.observations:
            return self.book.observations[name].name
        mode, _, position = name.partition("@")
        return f"{self.book.modes[mode].name}{f' ({position})' if position else ''}"

    # ----------------------------------------------------------------------------------------------------------- rules
    def _stops(self, told: Sequence[Told]) -> Iterator[Stop]:
        for id_, rule, met in self.case.rules(told):
            yield Stop(id_, rule.name, rule.signal, rule.text, tuple(self.book.observations[name].name for name in met))

    def _withheld(self, told: Sequence[Told], opened: frozenset[str]) -> Iterator[Withheld]:
        for id_, inspection in self.book.inspections.items():
            if not without_dismantling(self.means, id_, opened):
                continue
            for _, rule, _ in self.case.rules(told):
                if self.means.hazards(inspection, opened) & frozenset(rule.bars):
                    yield Withheld(id_, inspection.name, f"not while this holds: {rule.name}")
                    break
            else:
                if tools := sorted(self.means.missing_tools(inspection)):
                    names = ", ".join(self.book.tools[tool].name for tool in tools)
                    yield Withheld(id_, inspection.name, f"missing here: {names}")


def _years(told: Courses, cost: Array) -> YearsToCome:
    return YearsToCome(
        outlook.mean_of(cost), _middle(cost), float(told.visits.sum(axis=1).mean()), float(told.stranded.mean()),
        float(told.damage.mean()),
    )  # fmt: skip


def _middle(cost: Array) -> tuple[float, float]:
    low, high = np.quantile(cost, [(1 - MIDDLE) / 2, (1 + MIDDLE) / 2])
    return float(low), float(high)
