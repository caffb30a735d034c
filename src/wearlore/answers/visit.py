"""Answers on one vehicle's visit."""

from __future__ import annotations

from dataclasses import dataclass

from wearlore.jobcard import JobCard, OwnerPage
from wearlore.outlook import Comparison
from wearlore.scope import Scope, Terms
from wearlore.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class VisitScope:
    """The advice for a visit of one vehicle, with the terms under which it holds.

    ``unknown``: modes left out, of which there is neither record nor judgement.
    ``long_run``: following such advice at this visit and every later one, beside the two habits, on the same lives.
    """

    vehicle: Vehicle
    terms: Terms
    scope: Scope
    long_run: Comparison
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Job:
    """The papers of one visit."""

    visit: VisitScope
    card: JobCard
    owner: OwnerPage
