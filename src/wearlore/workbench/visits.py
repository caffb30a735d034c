"""One vehicle's visit: what to do in it, and its papers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from wearlore import jobcard, outlook
from wearlore.answers import BestPossible, Job, Tried, VisitScope
from wearlore.errors import ScopeError
from wearlore.estimate import Estimate
from wearlore.jobcard.reasons import reasons
from wearlore.outlook.bound import best_possible
from wearlore.outlook.improve import SHARES, learn_share, roll_out
from wearlore.renewal.upkeep import Rule, Upkeep
from wearlore.scope import (
    Fault,
    Ground,
    Program,
    Scope,
    Solution,
    Terms,
    close_calls,
    explain,
    follow_advice,
    problem,
    renewed,
    settle,
    turned,
    upkeep,
)
from wearlore.vehicle import Vehicle
from wearlore.workbench.traces import Traces
from wearlore.workbench.weighing import Weighing

CLOSE = 4  # calls of a scope that are tried the other way
RUNS = 2000  # courses of events in which policies are held against each other
POLICIES: dict[str, Callable[[Upkeep], Rule]] = {
    "advice": follow_advice,
    "only failed": outlook.only_failed,
    "all in reach": outlook.all_in_reach,
}


class Visits(Traces):
    """What to do in a visit, and its papers."""

    def scope(
        self,
        vehicle_id: str,
        faults: Sequence[str],
        *,
        probable: Mapping[str, float] | None = None,
        terms: Terms | None = None,
        km: float | None = None,
        bound: bool = False,
    ) -> VisitScope:
        """What to do in this visit. ``faults``: confirmed failure modes, each ``mode`` or ``mode@position``;
        ``probable``: such as are not confirmed, each with the chance that it is there now.

        The share of later set-up that other work carries is learned by simulation unless the terms name one. ``bound``:
        whether to say how far the advice is from the best possible.
        """
        vehicle = self.vehicle(vehicle_id, km=km)
        terms = self._demanded(vehicle, terms or self.terms(), faults, probable or {})
        book, vehicle, unknown = self._weighable(vehicle)
        self._refuse_unweighed(terms, unknown)
        self.progress("simulating the advice", 0, 0)
        rng = np.random.default_rng(self.seed)
        care = upkeep(book, vehicle, self._model_of, replace(terms, setup_share=0.0), rng=rng)
        shares = (terms.setup_share,) if terms.setup_share else SHARES
        learned, rule = learn_share(care, seed=int(rng.integers(2**63)), shares=shares)
        terms = replace(terms, setup_share=learned.share)
        self.progress("weighing the visit", 0, 0)
        case = problem(book, vehicle, self._model_of, terms, rng=np.random.default_rng(self.seed))
        program, solution = settle(case)
        advice, tried = self._rolled_out(program, solution, care, rule, seed=int(rng.integers(2**63)))
        self.progress("simulating the years to come", 0, 0)
        long_run = outlook.simulate([care], {**POLICIES, "advice": lambda _: rule}, runs=RUNS, rng=rng)
        best = self._best_possible(care, long_run) if bound else None
        return VisitScope(vehicle, terms, advice, long_run, learned, tried, best, unknown)

    def weighing(self, vehicle_id: str, *, missing_tools: Iterable[str] = (), km: float | None = None) -> Weighing:
        """The vehicle, to be weighed again and again. Raises NameNotKnown, RecordsError."""
        book, vehicle, unknown = self._weighable(self.vehicle(vehicle_id, km=km))
        rng = np.random.default_rng(self.seed)
        return Weighing(Ground.of(book, vehicle, self._model_of, missing_tools, rng=rng), unknown)

    def demanded(self, weighing: Weighing, terms: Terms, faults: Sequence[str], probable: Mapping[str, float]) -> Terms:
        """``terms`` with these faults as well, as `scope` takes them."""
        terms = self._demanded(weighing.vehicle, terms, faults, probable)
        self._refuse_unweighed(terms, weighing.unknown)
        return terms

    def _rolled_out(
        self, program: Program, solution: Solution, care: Upkeep, rule: Rule, *, seed: int
    ) -> tuple[Scope, Tried]:
        """The scope, or if simulating it beats that beyond doubt the one with the answer for a single unit turned."""
        scope, nobody = explain(program, solution), Tried((), None, Estimate(0.0, 0.0, 0.0))
        if not any((item.present > 0).any() for item in care.renewables):
            return scope, nobody  # with nothing wrong no visit is simulated now
        self.progress("trying the closest calls", 0, 0)
        calls = close_calls(program, scope, CLOSE)
        made = (solution, *(call.solution for call in calls))
        now, *others = (renewed(program.problem, one.chosen, care) for one in made)
        best, gain = roll_out(care, rule, now, others, seed=seed)
        names = tuple(call.unit for call in calls)
        if best is None:
            return scope, Tried(names, None, gain)
        return turned(calls[best], scope), Tried(names, names[best], gain)

    def _best_possible(self, care: Upkeep, long_run: outlook.Comparison) -> BestPossible:
        self.progress("looking for the best possible", 0, 0)
        bound = best_possible(care)
        return BestPossible(bound.cost, bound.within(long_run.policies["advice"].cost))

    def _demanded(self, vehicle: Vehicle, terms: Terms, faults: Sequence[str], probable: Mapping[str, float]) -> Terms:
        """``terms`` with these faults as well, as `scope` takes them."""
        found = frozenset(self._fault(vehicle, fault) for fault in faults)
        chances = {self._fault(vehicle, fault): chance for fault, chance in probable.items()}
        return replace(terms, must=terms.must | found, probable={**terms.probable, **chances})

    @staticmethod
    def _refuse_unweighed(terms: Terms, unknown: Sequence[str]) -> None:
        if unweighed := [fault.mode for fault in sorted(terms.must | terms.probable.keys()) if fault.mode in unknown]:
            said = f"of {', '.join(unweighed)} there is neither a record nor a judgement"
            raise ScopeError(said, "State a belief for it in the book.")

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

    def _fault(self, vehicle: Vehicle, fault: str) -> Fault:
        """The unit and mode that ``mode`` or ``mode@position`` means on this vehicle."""
        unit, mode = self._place_of(vehicle, fault)
        return Fault(unit.name, mode)
