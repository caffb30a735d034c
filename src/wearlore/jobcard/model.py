"""What a job card, an estimate and an owner's page hold: frozen values in km, N·m, hours and the book's currency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from wearlore.book.model import EngineState, Grade, Offer, Signal
from wearlore.estimate import Estimate

Stage = Literal["warm", "strip-down", "remedy", "build-up", "closing"]
Half = Literal["do", "off", "on", "wait"]
Ownership = Literal["owned", "hire", "buy", "missing"]

DEFERS = (
    "This document puts the work in order. It does not replace the maker's procedure, local codes or licensed "
    "practice: where they differ from it, they rule."
)


@dataclass(frozen=True, slots=True)
class Chosen:
    """One remedy to do in the visit, on one position of its component.

    ``offers`` names what to fit for a part of the remedy, or for one spoiled on the way to it; a part that it does not
    name is the one that `Part.offer_for` gives for ``grade``.
    """

    remedy: str
    position: str = ""
    grade: Grade = "original"
    offers: Mapping[str, Offer] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Subject:
    """The vehicle that the documents are about; ``km`` is its odometer."""

    family: str
    vehicle: str
    variant: str
    built: date
    km: float


@dataclass(frozen=True, slots=True)
class Item:
    """A remedy of this visit: hours if it were done alone, and its share of the hours of all together.

    An operation that several remedies need is shared equally between them (the Shapley value of the union; Shapley
    1953). ``with_item`` is the remedy that brings this one along as its companion.
    """

    remedy: str
    name: str
    title: str
    component: str
    position: str
    grade: Grade
    hours_alone: float
    hours: float
    note: str = ""
    with_item: str = ""


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution with its signal word (ANSI Z535.6, ISO 3864-2)."""

    signal: Signal
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Tightening:
    """Fasteners of one step; ``torque`` in N·m, stage by stage, then ``angles`` in degrees."""

    name: str
    count: int
    size: str
    property_class: str
    torque: tuple[float, ...]
    angles: tuple[float, ...]
    one_time_use: bool
    left_hand: bool


@dataclass(frozen=True, slots=True)
class Need:
    """Why a part is on the list: renewed by a remedy, spoiled by an operation, or a fastener that serves once."""

    kind: Literal["remedy", "spoiled", "one-time use"]
    by: str
    quantity: float


@dataclass(frozen=True, slots=True)
class PartLine:
    """A part to have ready; ``price`` is for one."""

    part: str
    name: str
    number: str
    grade: Grade
    revision: str
    price: float
    quantity: float
    needs: tuple[Need, ...]


@dataclass(frozen=True, slots=True)
class Supply:
    """A quantity of a part or a consumable used in one step."""

    id: str
    name: str
    quantity: float
    unit: str = ""


@dataclass(frozen=True, slots=True)
class ConsumableLine:
    """A sealant, fluid or cleaner for the whole job; ``price`` is for one ``unit``."""

    consumable: str
    name: str
    quantity: float
    unit: str
    price: float
    sae: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class ToolLine:
    """A special tool: in this workshop, or to be hired, bought or borrowed."""

    tool: str
    name: str
    ownership: Ownership
    charge: float
    steps: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the card. Cautions come before it; parts, consumables and fasteners belong to it."""

    number: int
    stage: Stage
    half: Half
    operation: str
    title: str
    hours: float
    state: EngineState = "any"
    items: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()
    instructions: tuple[str, ...] = ()
    fasteners: tuple[Tightening, ...] = ()
    parts: tuple[Supply, ...] = ()
    consumables: tuple[Supply, ...] = ()
    tools: tuple[str, ...] = ()
    licensed: str = ""
    procedure: str = ""


@dataclass(frozen=True, slots=True)
class Shared:
    """An operation that several remedies need and that is done once: ``saved`` hours less than each on its own."""

    operation: str
    name: str
    hours: float
    items: tuple[str, ...]
    saved: float


@dataclass(frozen=True, slots=True)
class EstimateLine:
    """One line of the estimate; ``amount`` is rounded to the hundredth."""

    kind: Literal["labour", "part", "consumable", "hire", "fixed"]
    text: str
    quantity: float
    unit: str
    price: float
    amount: float


@dataclass(frozen=True, slots=True)
class CustomerEstimate:
    """The customer's price: the amounts of the lines add up to ``subtotal``, with ``tax`` to ``total``."""

    subject: Subject
    lines: tuple[EstimateLine, ...]
    hours: float
    hours_saved: float
    labour_rate: float
    subtotal: float
    tax_rate: float
    tax: float
    total: float


@dataclass(frozen=True, slots=True)
class JobCard:
    """The work instruction for one visit of one vehicle.

    ``hours`` is the union; ``hours_apart`` what the remedies would take each on a visit of its own; ``hours_saved`` the
    overlap between the two.
    """

    subject: Subject
    items: tuple[Item, ...]
    cautions: tuple[Caution, ...]
    steps: tuple[Step, ...]
    parts: tuple[PartLine, ...]
    consumables: tuple[ConsumableLine, ...]
    tools: tuple[ToolLine, ...]
    shared: tuple[Shared, ...]
    hours: float
    hours_apart: float
    hours_saved: float
    procedures: tuple[str, ...]
    estimate: CustomerEstimate
    defers: str = DEFERS


@dataclass(frozen=True, slots=True)
class Reason:
    """Why one piece is done now or left, as scope found it, in words for the owner.

    ``chance``: that it would have to be done within the owner page's horizon if left now. ``wait_until_km``: the
    odometer up to which leaving it is the better choice; None when nothing bounds it within the horizon.
    """

    unit: str
    in_visit: bool
    sentence: str = ""
    chance: float | Estimate | None = None
    cost_now: float | None = None
    cost_later: float | None = None
    wait_until_km: float | None = None


@dataclass(frozen=True, slots=True)
class OwnerPage:
    """What the vehicle's owner is told: found, advised now, what can wait, and the price."""

    subject: Subject
    found: tuple[str, ...]
    advised: tuple[Reason, ...]
    waiting: tuple[Reason, ...]
    horizon_km: float
    estimate: CustomerEstimate


def owner_page(card: JobCard, *, found: tuple[str, ...], reasons: tuple[Reason, ...], horizon_km: float) -> OwnerPage:
    """The owner's page for ``card``; ``found`` holds one plain sentence for each thing found."""
    return OwnerPage(
        subject=card.subject,
        found=found,
        advised=tuple(reason for reason in reasons if reason.in_visit),
        waiting=tuple(reason for reason in reasons if not reason.in_visit),
        horizon_km=horizon_km,
        estimate=card.estimate,
    )
