"""One vehicle for sale, being appraised: what is told so far in, the answer out; asked again as more is told."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from math import isfinite

import numpy as np

from wearlore import outlook
from wearlore.answers import Stop, Withheld
from wearlore.answers.appraisal import Appraisal, BuyersLook, Compared, PricedFault, ToStandard, YearsToCome
from wearlore.appraisal import (
    Bills,
    Inspected,
    Offer,
    Standard,
    beyond,
    even_price,
    in_order,
    kept_well,
    over_ages,
    sighted,
    standard,
    states,
    without_dismantling,
)
from wearlore.book.model import Book
from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.outlook import Courses
from wearlore.outlook.improve import learn_share
from wearlore.renewal import Models
from wearlore.renewal.upkeep import Rule, Upkeep, savings
from wearlore.scope import Fault, Terms, follow_advice, upkeep
from wearlore.trace import Case, Fact, Look, Means, Solver, Told, drawn_chances
from wearlore.vehicle import Vehicle
from wearlore.workbench.folder import Progress, silent

DRAWN = 4_000  # of what is there now
GOOD = 1e-9  # chance that stands for: looked at, and not there
MIDDLE = 0.8  # of single vehicles


@dataclass(frozen=True)
class ForSale:
    """What is asked about the vehicle. ``comparable``: what it is compared with, its years left open; ``minutes``: what
    there are for looking."""

    price: float
    comparable: Compared
    minutes: float | None


@dataclass(frozen=True)
class Simulated:
    """What does not change with what is found: the years to come ``here`` and of one that was kept well (``against``),
    the ``bills`` of what may be there."""

    bills: Bills
    here: Courses
    against: Courses


@dataclass(frozen=True)
class Appraising:
    """A vehicle for sale with the means at hand; ``vehicle``: as it stands now. ``furthest``: the longest distance on
    record where its odometer lies beyond that. ``rounds``: courses simulated for each draw of lives and of ages."""

    case: Case
    means: Means
    vehicle: Vehicle
    models: Models
    terms: Terms
    seed: int
    unknown: tuple[str, ...]
    in_store: bool
    history: str
    furthest: float | None
    rounds: int = 4
    progress: Progress = silent

    @property
    def book(self) -> Book:
        return self.case.book

    @cached_property
    def solver(self) -> Solver:
        return Solver(self.case.network)

    @cached_property
    def simulated(self) -> Simulated:
        """The slow part, done once."""
        self.progress("simulating the years to come", 0, 0)
        share = learn_share(self._upkeep(self.vehicle), seed=self.seed)[0].share
        good, well = (self._upkeep(one, share) for one in (self.vehicle, kept_well(self.vehicle)))
        tables = savings(good)
        here = self._courses(good, self.vehicle, lambda _: follow_advice(good, tables), known=False)
        self.progress("simulating one that was kept well", 0, 0)
        against = self._courses(well, kept_well(self.vehicle), _coarsely, known=True)
        return Simulated(Bills(good, tables.unseen, self.case.suspects), here, against)

    # ------------------------------------------------------------------------------------------------------ the answer
    def answer(self, asked: ForSale, told: Sequence[Told], off: Iterable[str] = ()) -> Appraisal:
        """``off``: operations that are done already. Raises NameNotKnown, TraceError, AppraisalError."""
        told = tuple(dict.fromkeys(told))
        facts = self.case.facts(told)
        solver, simulated = self.solver, self.simulated
        here, against = simulated.here, simulated.against
        opened = self.means.access.reach(off)
        looks, hard = self._looks(told, opened)
        shown = self._shown(solver, facts, looks)
        names = [suspect.name for suspect in self.case.suspects]
        there = states(solver, facts, names, DRAWN, rng=np.random.default_rng(self.seed))
        bill = standard(simulated.bills, there, shown, self._consequences())
        whole = here.cost + bill.beyond[np.arange(here.runs) % DRAWN]  # of single vehicles
        drawn = drawn_chances(solver, self.case.suspects, facts)
        shifts = np.sum([money * drawn[name] for name, money in bill.costs.items()], axis=0)
        more = beyond(here.cost + bill.beyond.mean(), against.cost, len(shifts), shifts)
        even = even_price(asked.comparable.price, more, bill.beyond, asked.price)
        offer = Offer(solver, facts, bill.costs, even.even.value, asked.price)
        return Appraisal(
            vehicle=self.vehicle.id,
            in_store=self.in_store,
            variant=self.vehicle.variant,
            built=self.vehicle.built,
            km=self.vehicle.km,
            history=self.history,
            price=asked.price,
            furthest=self.furthest,
            stops=tuple(self._stops(told)),
            told=told,
            said=tuple(self.case.say(one) for one in told),
            moved=tuple(self._moved(bill.costs, facts)),
            even=even,
            compared=replace(asked.comparable, years=_years(against, against.cost)),
            more=more,
            standard=ToStandard(float(bill.bill.mean()), _middle(bill.bill), bill.clear),
            years=_years(here, whole - float(bill.bill.mean())),
            together=(float(here.cost.mean() + bill.beyond.mean()), *_middle(whole)),
            faults=self._faults(solver, facts, bill, shown, hard),
            looks=tuple(self._in_order(offer, looks, opened, asked.minutes)),
            withheld=tuple(self._withheld(told, opened)),
            minutes=asked.minutes,
            horizon=self.terms.horizon,
            per_year=self.terms.per_year,
            unknown=self.unknown,
        )

    def at_once(self, found: Appraisal, told: Sequence[Told]) -> Estimate:
        """The even price when other things are ``told`` than for ``found``, in proportion to the chances of faults,
        what each takes off as it was: near the full answer, and at once. (A fault found for certain takes off less than
        while it might have been missed.) Raises as `answer`."""
        costs = {fault.cause: fault.cost for fault in found.faults}
        before, after = (self._taken_off(costs, self.case.facts(tuple(dict.fromkeys(of)))) for of in (found.told, told))
        even, by = found.even.even, before - after
        return replace(even, value=even.value + by, low=even.low + by, high=even.high + by)

    # ----------------------------------------------------------------------------------------------------------- money
    def _taken_off(self, costs: Mapping[str, float], facts: Sequence[Fact]) -> float:
        chance = self.solver.posterior(facts).chance
        return sum(money * chance[name] for name, money in costs.items())

    def _moved(self, costs: Mapping[str, float], facts: Sequence[Fact]) -> Iterator[float]:
        """What each fact did to the even price after those before it."""
        off = [self._taken_off(costs, facts[:number]) for number in range(len(facts) + 1)]
        yield from (before - after for before, after in pairwise(off))

    def _upkeep(self, vehicle: Vehicle, share: float = 0.0) -> Upkeep:
        """The vehicle with everything looked at and good; ``share``: of later set-up that other work will carry."""
        good = {Fault(unit.name, state.mode): GOOD for unit in vehicle.units for state in unit.modes}
        terms = replace(self.terms, probable=good, setup_share=share)
        return upkeep(self.book, vehicle, self.models, terms, rng=np.random.default_rng(self.seed))

    def _courses(self, care: Upkeep, vehicle: Vehicle, advise: Callable[[Upkeep], Rule], *, known: bool) -> Courses:
        rng = np.random.default_rng(self.seed)
        return over_ages(care, vehicle, advise, known=known, rounds=self.rounds, seed=self.seed, rng=rng)

    def _consequences(self) -> dict[str, float]:
        return {id_: mode.consequence.cost for id_, mode in self.book.modes.items()}

    def _faults(
        self,
        solver: Solver,
        facts: Sequence[Fact],
        bill: Standard,
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
                    suspect.name, mode.name, suspect.position, chance[suspect.name], bill.costs[suspect.name],
                    bill.alone[suspect.name], suspect.name in bill.anyway, shown[suspect.name], by,
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
        odds = solver.posterior(facts).log_odds
        found = {
            one.cause: one.shown
            for one in sighted(solver, facts, [name for name, log in odds.items() if isfinite(log)], looks)
        }
        return {name: found.get(name, 1.0) for name in odds}  # what is certain is known

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
            sights=tuple(sight.about for sight in one.look.sights),
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


def _coarsely(care: Upkeep) -> Rule:
    """The advice by tables of fewer points: they are made anew for each set of ages."""
    return follow_advice(care, savings(care, points=9, draws=8))


def _years(told: Courses, cost: Array) -> YearsToCome:
    return YearsToCome(
        outlook.mean_of(cost), _middle(cost), float(told.visits.sum(axis=1).mean()), float(told.stranded.mean()),
        float(told.damage.mean()),
    )  # fmt: skip


def _middle(cost: Array) -> tuple[float, float]:
    low, high = np.quantile(cost, [(1 - MIDDLE) / 2, (1 + MIDDLE) / 2])
    return float(low), float(high)
