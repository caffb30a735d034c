"""Whether to buy a vehicle, what to look at first, and what to offer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from functools import partial
from math import inf

import numpy as np

from wearlore.access import Access
from wearlore.answers.appraisal import Appraisal, Compared, Priced, YearsToCome
from wearlore.appraisal import PriceModel, Renewed, offered
from wearlore.errors import AppraisalError
from wearlore.estimate import Estimate
from wearlore.life.fit import furthest
from wearlore.records.summary import usual_leg
from wearlore.trace import Case, Means, Told, suspects
from wearlore.units import DAYS_PER_YEAR
from wearlore.vehicle import Vehicle
from wearlore.workbench.appraising import Appraising, ForSale
from wearlore.workbench.dues import Dues

RECORDED = "as the store has it"
NOTHING = YearsToCome(Estimate(0.0, 0.0, 0.0), (0.0, 0.0), 0.0, 0.0, 0.0)


class Appraisals(Dues):
    """Whether to buy a vehicle, what to look at first, and what to offer."""

    def for_sale(
        self, variant: str, built: date, km: float, renewed: Sequence[Renewed], *, complete: bool, today: date
    ) -> Vehicle:
        """A vehicle that is in no store; see `wearlore.appraisal.offered`."""
        return offered(self.book, variant, built, km, renewed, complete=complete, today=today)

    def appraise(
        self,
        vehicle: Vehicle | str,
        price: float,
        told: Sequence[Told] = (),
        *,
        today: date,
        history: str = RECORDED,
        km: float | None = None,
        comparable: float | None = None,
        market: PriceModel | None = None,
        minutes: float | None = None,
        off: Iterable[str] = (),
        missing_tools: Iterable[str] = (),
        labour_rate: float | None = None,
        horizon: float | None = None,
        per_year: float | None = None,
    ) -> Appraisal:
        """Whether to buy ``vehicle`` at ``price``; see `appraising` and `for_sale_at`. Raises what these raise."""
        for_sale_at = partial(asked_for, price, comparable, market, minutes)
        for_sale_at(0.0, 0.0)
        appraising = self.appraising(
            vehicle, history=history, km=km, missing_tools=missing_tools, labour_rate=labour_rate, horizon=horizon,
            per_year=per_year,
        )  # fmt: skip
        stands = appraising.vehicle
        age = (today - stands.built).days / DAYS_PER_YEAR
        return appraising.answer(for_sale_at(age, stands.km), told, off)

    def appraising(
        self,
        vehicle: Vehicle | str,
        *,
        history: str = RECORDED,
        km: float | None = None,
        missing_tools: Iterable[str] = (),
        labour_rate: float | None = None,
        horizon: float | None = None,
        per_year: float | None = None,
    ) -> Appraising:
        """``vehicle`` (one of the store by its name, at odometer ``km``), to be asked of as findings come in.

        Raises AppraisalError, NameNotKnown, RecordsError, TraceError, ScopeError.
        """
        since, stands = 0.0, vehicle
        in_store = isinstance(vehicle, str)
        if isinstance(vehicle, str):
            with self._reading() as store:
                leg = usual_leg(store, vehicle)
            vehicle = self.vehicle(vehicle)
            now = km if km is not None else vehicle.km + (leg or self.book.economics.per_year / 2)
            stands, since = self.vehicle(vehicle.id, km=now), now - vehicle.km
        assert isinstance(stands, Vehicle)
        book, vehicle, unknown = self._weighable(vehicle)
        _, stands, _ = self._weighable(stands)
        self.progress("weighing what may be there", 0, 0)
        rng = np.random.default_rng(self.seed)
        found = suspects(book, vehicle, self._model_of, since=since, factors=self._factors_on(vehicle), rng=rng)
        terms = self.terms(labour_rate=labour_rate, horizon=horizon, per_year=per_year)
        access = Access.of(book, vehicle.variant, vehicle.built, missing_tools)
        case = Case(book, vehicle, found)
        means = Means(case, access, terms.labour_rate, terms.visit_fixed)
        seen = self._furthest()
        return Appraising(
            case, means, stands, self._model_of, terms, self.seed, unknown, in_store, history,
            seen if stands.km > seen else None, progress=self.progress,
        )  # fmt: skip

    def _furthest(self) -> float:
        """The longest distance on record, km; without any end where there are no records at all."""
        return max((furthest(seen.lives) for seen in self.lifetimes.modes.values() if len(seen.lives)), default=inf)


def asked_for(
    price: float, comparable: float | None, market: PriceModel | None, minutes: float | None, age: float, km: float
) -> ForSale:
    """``price`` asked for a vehicle of ``age`` years at odometer ``km``.

    ``comparable``: what one of known good history costs, or ``market`` to tell it; with neither the asking price is
    taken for that. ``minutes``: what there are for looking. Raises AppraisalError.
    """
    for what, value in (("the price", price), ("the price of one to compare with", comparable), ("the time", minutes)):
        if value is not None and not 0 < value < inf:
            raise AppraisalError(f"{what} is {value:g}", "It must be above 0.")
    return ForSale(price, _compared(comparable, market, price, age, km), minutes)


def _compared(given: float | None, market: PriceModel | None, price: float, age: float, km: float) -> Compared:
    if given is not None or market is None:
        value = price if given is None else given
        source: Priced = "supposed" if given is None else "given"
        return Compared(Estimate(value, value, value), source, None, None, False, NOTHING)
    typical, single = market.typical(age, km), market.single(age, km)
    return Compared(typical, "market", single, market, market.beyond(age, km), NOTHING)
