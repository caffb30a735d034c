"""The guide of a family: what the specialist publishes for owners and buyers, as numbers and as what the book says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from wearlore.answers.lives import FamilyLives, ModeSummary
from wearlore.answers.plan import MaintenancePlan
from wearlore.appraisal import Finding
from wearlore.book.model import Severity, Signal
from wearlore.estimate import Estimate
from wearlore.jobcard.model import Ownership
from wearlore.life.compare.verdict import Verdict
from wearlore.lives import Array
from wearlore.plan import ModePlan

Reader = Literal["owners", "buyers"]


@dataclass(frozen=True, slots=True)
class Sign:
    """What the weak point brings about, with the chance that it alone does."""

    observation: str
    name: str
    kind: str
    code: str
    chance: float


@dataclass(frozen=True, slots=True)
class WayToLook:
    """An inspection that shows the weak point: how often it does when it is there."""

    inspection: str
    name: str
    minutes: float
    sensitivity: float


@dataclass(frozen=True, slots=True)
class Influence:
    """One mode speeds up another by ``factor`` while it is present; the book's judgement."""

    mode: str
    name: str
    factor: float


@dataclass(frozen=True, slots=True)
class Difference:
    """Lives of one level beside another, or by one step of a measure, as the records have them; without a level: of all
    levels, between which nothing differs beyond chance.

    ``p``: chance of as much where nothing differs. ``sure``: the verdict also stands when all comparisons of the guide
    are counted (Bonferroni). ``note``: of a revision, what the book says of it.
    """

    by: str
    level: str
    against: str
    ratio: Estimate
    verdict: Verdict
    p: float
    sure: bool
    failures: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Bit:
    """A part to have ready; ``once``: it, or what it replaces, serves only once. ``quantity`` pieces at ``price``."""

    part: str
    name: str
    quantity: float
    price: float
    once: bool


@dataclass(frozen=True, slots=True)
class SpecialTool:
    tool: str
    name: str
    ownership: Ownership


@dataclass(frozen=True, slots=True)
class Caution:
    signal: Signal
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Beside:
    """A remedy of another component that takes ``hours`` less in the same visit: so much is open already."""

    remedy: str
    name: str
    mode: str
    hours: float
    alone: float


@dataclass(frozen=True, slots=True)
class RemedyTold:
    """A way to cure or hold off the weak point, as a visit of its own on a typical vehicle.

    ``price``: by the book's prices and rate, before tax; ``hours``: of labour. ``effect``: share of the age that a
    clean gives back, or of an outside cause's strikes that a guard leaves; None for a renewal. ``left_to``: licensed
    trades; ``procedures``: the maker's, by title. ``same_visit``: by falling hours spared.
    """

    remedy: str
    name: str
    kind: Literal["renew", "clean", "guard"]
    effect: float | None
    note: str
    price: float
    hours: float
    bits: tuple[Bit, ...]
    tools: tuple[SpecialTool, ...]
    cautions: tuple[Caution, ...]
    left_to: tuple[str, ...]
    procedures: tuple[str, ...]
    companions: tuple[str, ...]
    same_visit: tuple[Beside, ...]


@dataclass(frozen=True, slots=True)
class Course:
    """Share failed at distances ``km`` (n,): posterior median with its 95 % band, each (n,).

    ``record``: the records alone, as steps (distance, share failed from there on), where every failure has a distance.
    """

    km: Array
    value: Array
    low: Array
    high: Array
    record: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class WeakPoint:
    """One failure mode as the guide tells it.

    ``failed_used``: on a used vehicle, at its usual odometer; ``expected``: money that it is expected to cost a reader.
    ``variant``: on which costs are reckoned. ``stranded``: chance that it stops the vehicle; ``damage``: mean money
    beyond its cure. ``failed``: share failed at each distance, km. ``plan``: None where it
    cannot be planned for. ``told``: the specialist's own words, Markdown. ``worse``: what speeds it up, ``brings``:
    what it speeds up. ``rules``: what must be done at once when one of its signs is met. ``without``: design levels
    that no longer have it, with what the book says of them.
    """

    summary: ModeSummary
    called: str
    where: str
    positions: tuple[str, ...]
    cause: str
    severity: Severity
    consequence: str
    stranded: float
    damage: float
    variant: str
    only_on: tuple[str, ...]
    without: tuple[tuple[str, str], ...]
    failed: tuple[tuple[float, Estimate], ...]
    failed_used: Estimate | None
    expected: Mapping[Reader, float]
    signs: tuple[Sign, ...]
    looks: tuple[WayToLook, ...]
    worse: tuple[Influence, ...]
    brings: tuple[Influence, ...]
    differences: tuple[Difference, ...]
    remedies: tuple[RemedyTold, ...]
    plan: ModePlan | None
    rules: tuple[Caution, ...]
    note: str
    told: str
    course: Course | None = field(repr=False)

    @property
    def mode(self) -> str:
        return self.summary.mode


@dataclass(frozen=True, slots=True)
class GuideLook:
    """Something that a buyer looks at on a typical vehicle: money that it is expected to move the value, either way."""

    inspection: str
    name: str
    minutes: float
    moves: float
    findings: tuple[Finding, ...]
    opens: tuple[str, ...]
    tools: tuple[str, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class VariantGuide:
    """What is told of one variant: its plan from new, and looks at one of ``km`` of which nothing is proved."""

    variant: str
    name: str
    built: date
    km: float
    plan: MaintenancePlan
    looks: tuple[GuideLook, ...]


@dataclass(frozen=True, slots=True)
class FamilyGuide:
    """All that the guide says. ``points``: in the book's order. ``compared``: comparisons of lives that were made."""

    family: str
    description: str
    author: str
    owners: str
    buyers: str
    lives: FamilyLives
    points: tuple[WeakPoint, ...]
    variants: tuple[VariantGuide, ...]
    compared: int
    labour_rate: float
    visit_fixed: float
    per_year: float
    horizon: float
    used_km: float
    rules: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Published:
    """What lies in the folder: when it was made, the files, and what has changed since (``book``, ``records``)."""

    on: date
    files: tuple[str, ...]
    changed: tuple[str, ...]
