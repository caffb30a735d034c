"""The due list: the whole fleet at its next visits, and what is best done to each vehicle there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearlore.book.model import Book
from wearlore.due import ALONE, BROUGHT, EPOCH, MUST, TOGETHER, Kind, Weighed, ranked
from wearlore.errors import NameNotKnown
from wearlore.estimate import NORMAL_95, Estimate
from wearlore.lives import Array
from wearlore.scope import Terms
from wearlore.vehicle import Fleet, cause_named

DueOrder = Literal["saving", "risk"]
WHY = {MUST: "open fault", BROUGHT: "goes with it", ALONE: "pays alone", TOGETHER: "pays together"}


@dataclass(frozen=True, slots=True)
class DueItem:
    """One thing to do: ``why`` in a word or two; ``worth``: money that it saves later, beyond its parts."""

    unit: str
    remedy: str
    name: str
    grade: str
    why: str
    worth: float


@dataclass(frozen=True, slots=True)
class DueVehicle:
    """One vehicle at its next visit, at odometer ``km``, ``leg`` km after the last.

    ``faults``: open on record (`MODE` or `MODE@POSITION`); ``uncured``: no remedy cures one of them. ``now``: money of
    the visit; ``left``, ``done``: expected discounted cost later, nothing or all of it done; ``saving`` = left - done
    - now. Chances, if left: of needing a cure (``fails``) and of stopping on the road (``stops``), before the visit
    after (``soon``) and within the horizon (``far``).
    """

    rank: int
    vehicle: str
    variant: str
    last_visit: date
    last_km: float
    leg: float
    km: float
    faults: tuple[str, ...]
    uncured: bool
    items: tuple[DueItem, ...]
    now: float
    left: float
    done: float
    saving: Estimate
    fails_soon: float
    fails_far: float
    stops_soon: float
    stops_far: float


@dataclass(frozen=True, slots=True)
class DueList:
    """The first ``rows`` of the ranking. ``vehicles`` were weighed, of which for ``worth`` something is worth doing or
    open; ``gone`` were not seen within ``months`` before the ``newest`` record. ``total``: saving over all, each
    vehicle's luck its own, what is not known of the lives shared. ``unknown``: modes of which nothing is known."""

    family: str
    by: DueOrder
    rows: tuple[DueVehicle, ...]
    vehicles: int
    worth: int
    gone: int
    months: float
    newest: date
    total: Estimate
    horizon: float
    per_year: float
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class FleetDue:
    """All of the fleet, as arrays; a vehicle's row is told when it is asked for."""

    fleet: Fleet
    kinds: Mapping[int, Kind]
    kind: NDArray[np.int64]
    leg: Array
    weighed: Weighed
    order: NDArray[np.int64]
    by: DueOrder
    book: Book
    terms: Terms
    months: float
    gone: int
    unknown: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.order)

    def narrowed(self, variant: str = "", by: DueOrder | None = None) -> FleetDue:
        """Only vehicles of ``variant``, or in another order; nothing is weighed anew. Raises NameNotKnown."""
        by = by or self.by
        order = self.order if by == self.by else ranked(self.weighed, by)
        if variant:
            if variant not in self.fleet.variants:
                raise NameNotKnown("variant", variant, self.fleet.variants)
            order = order[self.fleet.variant[order] == self.fleet.variants.index(variant)]
        return replace(self, order=order, by=by)

    def top(self, number: int) -> DueList:
        """The first so many."""
        rows = tuple(row for row, _ in zip(self.rows(), range(number), strict=False))
        here, weighed = np.sort(self.order), self.weighed
        worth = int(((weighed.option[here] >= 0).any(axis=1) | weighed.uncured[here]).sum())
        newest = EPOCH + timedelta(int(self.fleet.last.max()))
        return DueList(
            self.book.family.name, self.by, rows, len(self), worth, self.gone, self.months, newest,
            _estimate(weighed.saving[here].sum(axis=0)), self.terms.horizon, self.terms.per_year, self.unknown,
        )  # fmt: skip

    def rows(self) -> Iterator[DueVehicle]:
        """Every vehicle, in order."""
        for rank, v in enumerate(self.order.tolist(), start=1):
            yield self._row(rank, v)

    def _row(self, rank: int, v: int) -> DueVehicle:
        fleet, weighed = self.fleet, self.weighed
        return DueVehicle(
            rank=rank,
            vehicle=fleet.vehicle[v],
            variant=fleet.variants[fleet.variant[v]],
            last_visit=EPOCH + timedelta(int(fleet.last[v])),
            last_km=float(fleet.km[v]),
            leg=float(self.leg[v]),
            km=float(fleet.km[v] + self.leg[v]),
            faults=tuple(self._faults(v)),
            uncured=bool(weighed.uncured[v]),
            items=tuple(self._items(v)),
            now=float(weighed.now[v]),
            left=float(weighed.left[v]),
            done=float(weighed.done[v]),
            saving=_estimate(weighed.saving[v]),
            fails_soon=float(weighed.fails_soon[v]),
            fails_far=float(weighed.fails_far[v]),
            stops_soon=float(weighed.stops_soon[v]),
            stops_far=float(weighed.stops_far[v]),
        )

    def _faults(self, v: int) -> Iterator[str]:
        fleet = self.fleet
        for s in np.flatnonzero(fleet.present[v] & fleet.applies[v]).tolist():
            _, position = fleet.units[int(np.searchsorted(fleet.unit_slot, s, side="right")) - 1]
            yield cause_named(fleet.modes[s], position)

    def _items(self, v: int) -> Iterator[DueItem]:
        option, reason = self.weighed.option[v], self.weighed.reason[v]
        offered = self.kinds[int(self.kind[v])].shop.offered
        chosen = np.flatnonzero(option >= 0)
        worth = self.weighed.item[v]
        for u in chosen[np.lexsort((-worth[chosen], reason[chosen]))].tolist():
            one = offered[int(option[u])]
            component, position = self.fleet.units[u]
            unit = f"{component}/{position}" if position else component
            yield DueItem(
                unit, one.remedy, self.book.remedies[one.remedy].name, one.grade, WHY[int(reason[u])], float(worth[u])
            )


def _estimate(draws: Array) -> Estimate:
    """Mean of equally likely draws with its interval, by their spread: too few for quantiles."""
    half = NORMAL_95 * float(draws.std(ddof=1))
    return Estimate(float(draws.mean()), float(draws.mean() - half), float(draws.mean() + half))
