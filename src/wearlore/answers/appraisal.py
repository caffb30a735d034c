"""Answers for a buyer: what to look at first, what it will cost, at which price buying is even, what to offer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from wearlore.answers.trace import Stop, Withheld
from wearlore.appraisal import EvenPrice, Finding, PriceModel
from wearlore.book.model import Signal
from wearlore.estimate import Estimate
from wearlore.trace import Told

Priced = Literal["given", "market", "supposed"]


@dataclass(frozen=True, slots=True)
class BuyersLook:
    """An inspection for a buyer. ``minutes``: with what must be laid open for it after the looks before it.

    ``worth``: money that knowing it is worth for buying or leaving; ``cost``: of its minutes; ``moves``: by how much it
    is expected to move the even price. ``findings``: what may be found, by name; ``clear``: the chance that it finds
    none of these, and the even price then. ``sights``, ``shows``: all that it shows, and by name; ``opens``: covers
    that come off first. ``within``: it fits into the minutes that there are.
    """

    inspection: str
    name: str
    minutes: float
    worth: float
    cost: float
    moves: float
    findings: tuple[Finding, ...]
    clear: tuple[float, float]
    sights: tuple[str, ...]
    shows: tuple[str, ...]
    opens: tuple[str, ...]
    tools: tuple[str, ...]
    cautions: tuple[tuple[str, Signal, str], ...]
    within: bool


@dataclass(frozen=True, slots=True)
class PricedFault:
    """A failure mode that may be there. ``chance`` of that; ``cost``: money that it takes off the price if it is: what
    it adds to what the advice does anyway. ``alone``: what curing it alone costs;
    ``anyway``: the advice does that at once even if it is not there.

    ``shown``: how well what a buyer can look at shows it, 0 to 1; ``by``: inspections that would, but want dismantling.
    """

    cause: str
    name: str
    position: str
    chance: float
    cost: float
    alone: float
    anyway: bool
    shown: float
    by: tuple[str, ...]

    @property
    def expected(self) -> float:
        return self.chance * self.cost


@dataclass(frozen=True, slots=True)
class YearsToCome:
    """From standard on, over the horizon and under the advice: ``cost`` expected, discounted, with the interval of the
    simulation; ``one``: the middle 80 % of single vehicles; ``visits``; chances of being ``stranded`` at least once and
    of ``damage`` to the engine."""

    cost: Estimate
    one: tuple[float, float]
    visits: float
    stranded: float
    damage: float


@dataclass(frozen=True, slots=True)
class ToStandard:
    """Money to cure all that is there now: expected, the middle 80 % of single vehicles, the chance of nothing."""

    cost: float
    one: tuple[float, float]
    clear: float


@dataclass(frozen=True, slots=True)
class Compared:
    """The vehicle compared with: the same kind, age and odometer, kept well, good now. ``price`` of it, by ``source``.

    ``single``: where the price of one such lies (market); ``beyond``: the market holds none so old or so far driven.
    """

    price: Estimate
    source: Priced
    single: Estimate | None
    market: PriceModel | None
    beyond: bool
    years: YearsToCome


@dataclass(frozen=True, slots=True)
class Appraisal:
    """Whether to buy a vehicle at ``price``, and what to look at first.

    ``km``: the odometer; ``furthest``: the longest distance on record where the odometer lies beyond it, else None.
    ``more``: what this vehicle is expected to cost beyond the one it is compared with. ``faults``: by what they are
    expected to cost; ``looks``: by falling worth per minute; ``minutes``: what there are for them, None: no limit.
    ``moved``: what each thing ``said`` did to the even price after those before it, costs of faults being as now.
    ``together``: money to standard and in the years to come, and where 80 % of single vehicles lie.
    """

    vehicle: str
    in_store: bool
    variant: str
    built: date
    km: float
    history: str
    price: float
    furthest: float | None
    stops: tuple[Stop, ...]
    told: tuple[Told, ...]
    said: tuple[str, ...]
    moved: tuple[float, ...]
    even: EvenPrice
    compared: Compared
    more: Estimate
    standard: ToStandard
    years: YearsToCome
    together: tuple[float, float, float]
    faults: tuple[PricedFault, ...]
    looks: tuple[BuyersLook, ...]
    withheld: tuple[Withheld, ...]
    minutes: float | None
    horizon: float
    per_year: float
    unknown: tuple[str, ...]

    @property
    def first(self) -> BuyersLook | None:
        """The look that pays: its worth is more than its minutes cost."""
        return next((look for look in self.looks if look.within and look.worth > look.cost), None)

    @property
    def unseen(self) -> tuple[PricedFault, ...]:
        """What cannot be seen well without dismantling."""
        return tuple(fault for fault in self.faults if fault.shown < SEEN)


SEEN = 0.5  # from which a buyer's look is said to show a fault
