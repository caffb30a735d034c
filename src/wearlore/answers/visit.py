"""Answers on one vehicle's visit."""

from __future__ import annotations

from dataclasses import dataclass

from wearlore.estimate import Estimate
from wearlore.jobcard import JobCard, OwnerPage
from wearlore.outlook import Comparison
from wearlore.outlook.improve import Learned
from wearlore.scope import Outline, Scope, Terms
from wearlore.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class BestPossible:
    """What no rule can fall below over the horizon: ``least`` money, discounted, on the mean.

    ``within``: by which share of its own cost following the advice could at most be better.
    """

    least: float
    within: Estimate


@dataclass(frozen=True, slots=True)
class Tried:
    """The closest calls of a scope, simulated the other way with the advice followed later: of which ``units``.

    ``turned``: the unit whose answer was turned by it, if any, with the money that this saves: ``gain``.
    """

    units: tuple[str, ...]
    turned: str | None
    gain: Estimate


@dataclass(frozen=True, slots=True)
class VisitScope:
    """The advice for a visit of one vehicle, with the terms under which it holds: `Terms.setup_share` as learned.

    ``unknown``: modes left out, of which there is neither record nor judgement.
    ``long_run``: following such advice at this visit and every later one, beside the two habits, on the same lives.
    ``learned``: the share of later set-up that other work carries, by simulating the advice; ``tried``: what
    else simulating it for this visit taught. ``best``: if asked for.
    """

    vehicle: Vehicle
    terms: Terms
    scope: Scope
    long_run: Comparison
    learned: Learned
    tried: Tried
    best: BestPossible | None = None
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Job:
    """The papers of one visit."""

    visit: VisitScope
    card: JobCard
    owner: OwnerPage


@dataclass(frozen=True, slots=True)
class OwnChoice:
    """What a person's own choice does beside the advice without it.

    ``unit`` is wanted ``in`` or ``out``; both empty where all own choices are meant. ``now``: money it adds to this
    visit; ``adds``: to this visit and what is to be expected later, with the same draws on both sides. ``more``,
    ``fewer``: units that are done, and left, because of it.
    """

    unit: str
    wanted: str
    now: float
    adds: Estimate
    more: tuple[str, ...]
    fewer: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Opened:
    """One operation of a visit, ``level`` steps below what stands free.

    ``for_units``: those for which it is done; ``asked_by``: of these the ones that ask for it themselves. ``after``: by
    name what must come first as well, beside the operation that it stands below.
    """

    operation: str
    name: str
    level: int
    hours: float
    for_units: tuple[str, ...]
    asked_by: tuple[str, ...]
    after: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WeighedVisit:
    """What to do in a visit, weighed at once with the share of set-up that ``terms`` name: no margins, no long run.

    ``own``: what the person's own choices (`Terms.include`, `Terms.refuse`) cost together; None without any.
    """

    vehicle: Vehicle
    terms: Terms
    outline: Outline
    own: OwnChoice | None
    opened: tuple[Opened, ...]
