"""Answers on what to look at, renew at an age, or leave until it fails."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from wearlore.book.model import Lead
from wearlore.plan import Change, Curve, ModePlan, OilChoice, Plan, Service, Terms


@dataclass(frozen=True, slots=True)
class MaintenancePlan:
    """The plan of a variant from new, or of one ``vehicle`` (empty: none) from its odometer ``km`` on.

    ``services``: the calendar over ``ahead`` km. ``unknown``: modes of which there is neither record nor judgement,
    ``uncured``: which nothing in the book cures here, ``ended``: which the piece that a cure fits no longer has.
    ``names``: of modes, remedies, inspections and components."""

    family: str
    variant: str
    vehicle: str
    km: float
    ahead: float
    terms: Terms
    plan: Plan
    services: tuple[Service, ...]
    unknown: tuple[str, ...]
    uncured: tuple[str, ...]
    ended: tuple[str, ...]
    names: Mapping[str, str] = field(repr=False)


@dataclass(frozen=True, slots=True)
class PlannedMode:
    """One mode in detail: its strategies, their cost curves, and what would change the answer.

    ``names``: of remedies, inspections and components.
    """

    variant: str
    vehicle: str
    terms: Terms
    mode: ModePlan
    lead: Lead | None
    curves: tuple[Curve, ...]
    changes: tuple[Change, ...]
    names: Mapping[str, str] = field(repr=False)


@dataclass(frozen=True, slots=True)
class FluidInterval:
    """The interval between changes of ``component`` as one decision.

    ``compared``: modes whose lives were held against the interval; those of ``choice`` go with it beyond chance.
    ``names``: of modes and components.
    """

    component: str
    variant: str
    terms: Terms
    choice: OilChoice
    compared: int
    names: Mapping[str, str] = field(repr=False)
