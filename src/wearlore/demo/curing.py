"""What it costs to find and cure what a van came in with: the advice of the trace, and habits beside it.

All pay for looks (laying open included, once), repairs (also the wrong ones), checks, and for what is left uncured of
that which can be behind the complaint. A check shows truly whether any of that is still there. What an inspection shows
was drawn before (`Complaint.shows`), so all meet the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from wearlore.demo.faulty import Complaint
from wearlore.trace import Look, Repair, Told
from wearlore.workbench.tracing import Tracing


@dataclass(frozen=True, slots=True)
class Bill:
    """Money. ``number``: of looks made."""

    looks: float
    repairs: float
    checks: float
    left: float
    number: int

    @property
    def total(self) -> float:
        return self.looks + self.repairs + self.checks + self.left


Policy = Callable[[Tracing, Complaint], Bill]


class _Visit:
    """A van in the workshop, under one policy."""

    def __init__(self, tracing: Tracing, come: Complaint) -> None:
        self.tracing, self.means, self.come = tracing, tracing.means, come
        self.facts = tracing.case.facts(come.told)
        self.asked = tracing.solver.in_question(self.facts)
        self.stakes = self.means.stakes(self.asked)
        self.there = set(self.asked) & come.present
        self.opened: set[str] = set()
        self.done: set[str] = set()
        self.looks = self.repairs = self.checks = 0.0
        self.number = 0

    def look(self, look: Look) -> tuple[Told, ...]:
        self.looks += look.cost(self.stakes.per_minute)
        self.number += 1
        self.opened |= set(self.tracing.book.inspections[look.name].needs)
        return self.come.seen(look)

    def repair(self, names: Iterable[str]) -> None:
        able = {repair.name: repair for repair in self.means.repairs(self.opened)}
        for name in names:
            if name not in self.done:
                self.done.add(name)
                self.repairs += able[name].cost
                self.there -= set(able[name].cures)

    def still_there(self) -> bool:
        """Pays for the check."""
        self.checks += self.stakes.check
        return bool(self.there)

    def bill(self) -> Bill:
        left = sum(self.stakes.left[name] for name in self.there)
        return Bill(self.looks, self.repairs, self.checks, left, self.number)

    def able(self) -> list[Repair]:
        """Repairs that cure anything in question."""
        return [repair for repair in self.means.repairs(self.opened) if set(repair.cures) & set(self.asked)]

    def by_chance_over_cost(self) -> list[Repair]:
        def chance(repair: Repair) -> float:
            asked = [name for name in repair.cures if name in self.asked]
            return 1.0 - self.tracing.solver.none_of(self.facts, asked)

        return sorted(self.able(), key=lambda repair: -chance(repair) / repair.cost)

    def one_by_one(self, repairs: Iterable[Repair]) -> None:
        """Each followed by the check, until nothing in question is left."""
        for repair in repairs:
            self.repair([repair.name])
            if not self.still_there():
                break


def advice(tracing: Tracing, come: Complaint) -> Bill:
    """Looks on while the trace says so, then acts as it says; if something is still there, on by chance over cost."""
    visit, told = _Visit(tracing, come), come.told
    while (step := tracing.next_step(told, visit.opened)).look:
        told += visit.look(step.look)
    visit.facts = tracing.case.facts(told)
    visit.repair(step.acting.beside)
    for batch in step.acting.steps:
        visit.repair(batch.repairs)
        if batch.check and not visit.still_there():
            return visit.bill()
    if visit.still_there():
        visit.one_by_one(repair for repair in visit.by_chance_over_cost() if repair.name not in visit.done)
    return visit.bill()


def likeliest_for_its_cost(tracing: Tracing, come: Complaint) -> Bill:
    """Repairs by falling chance over cost, chances as they are after the complaint; no looks."""
    visit = _Visit(tracing, come)
    visit.one_by_one(visit.by_chance_over_cost())
    return visit.bill()


def commonest_first(tracing: Tracing, come: Complaint) -> Bill:
    """Repairs by how often the records have a failure of what they cure; no looks."""
    visit = _Visit(tracing, come)

    def failures(repair: Repair) -> int:
        modes = {name.partition("@")[0] for name in repair.cures if name in visit.asked}
        return sum(tracing.evidence[mode].failures for mode in modes)

    visit.one_by_one(sorted(visit.able(), key=lambda repair: -failures(repair)))
    return visit.bill()


def likeliest_tested_first(tracing: Tracing, come: Complaint) -> Bill:
    """As `likeliest_for_its_cost`, but first a look that tells of the fault, where that is cheaper than the repair.

    The look is the one that tells best of it. What it finds good is repaired only when all else is done and something
    is still there.
    """
    visit = _Visit(tracing, come)
    put_off = []
    for repair in visit.by_chance_over_cost():
        if _found_good(visit, repair):
            put_off.append(repair)
            continue
        visit.repair([repair.name])
        if not visit.still_there():
            return visit.bill()
    visit.one_by_one(put_off)
    return visit.bill()


def truth_known(tracing: Tracing, come: Complaint) -> Bill:
    """Repairs what is there and nothing else, with no look and no check: the least that leaves nothing."""
    visit = _Visit(tracing, come)
    visit.repair([repair.name for repair in visit.able() if visit.there & set(repair.cures)])
    return visit.bill()


def _found_good(visit: _Visit, repair: Repair) -> bool:
    wanted = [name for name in repair.cures if name in visit.asked]
    best: tuple[float, Look | None, str] = (0.0, None, "")
    for look in visit.means.looks(visit.come.told, visit.opened):
        for sight in look.sights if look.cost(visit.stakes.per_minute) < repair.cost else ():
            told = max(_brought(visit, name, sight.about) for name in wanted) * (
                sight.sensitivity + sight.specificity - 1.0
            )
            if told > best[0]:
                best = told, look, sight.about
    _, chosen, about = best
    if chosen is None:
        return False
    return not any(said.present for said in visit.look(chosen) if said.about == about)


def _brought(visit: _Visit, cause: str, sight: str) -> float:
    """Chance that the cause brings about what is looked at; 1 when that is the cause itself."""
    mode = visit.tracing.book.modes[cause.partition("@")[0]]
    return 1.0 if sight == cause else mode.observations.get(sight, 0.0)


POLICIES: dict[str, Policy] = {
    "advice": advice,
    "chance over cost": likeliest_for_its_cost,
    "chance over cost, tested first": likeliest_tested_first,
    "commonest first": commonest_first,
    "truth known": truth_known,
}
