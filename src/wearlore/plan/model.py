"""What a plan is made of, and what it says: plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf, isfinite
from typing import Literal

from wearlore.book.model import Severity
from wearlore.errors import PlanError
from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.plan.lives import ModelLife
from wearlore.plan.looks import Delay

Kind = Literal["run-to-failure", "renew", "inspect"]
What = Literal["life", "renewal", "consequence", "look"]
CEILINGS: Mapping[Severity, float] = {"engine-damage": 0.05, "injury": 0.001}  # chance within the horizon


@dataclass(frozen=True, slots=True)
class Terms:
    """``labour_rate`` per hour; ``visit_fixed``: money of a visit that is made for a failure; ``service_every`` km, on
    whose multiples all that is planned falls; ``horizon`` km, over which risks count; ``ceilings``: greatest chance of
    a failure within the horizon, by severity. Raises PlanError for a number that makes no sense."""

    labour_rate: float
    visit_fixed: float
    service_every: float
    horizon: float
    ceilings: Mapping[Severity, float] = field(default_factory=lambda: dict(CEILINGS))

    def __post_init__(self) -> None:
        limits = {  # written so that NaN fails too
            "labour rate": (0 <= self.labour_rate < inf, self.labour_rate, "0 or more"),
            "visit fixed": (0 <= self.visit_fixed < inf, self.visit_fixed, "0 or more"),
            "service interval": (0 < self.service_every < inf, self.service_every, "above 0"),
            "horizon": (0 < self.horizon < inf, self.horizon, "above 0"),
            **{
                f"ceiling of {name}": (0 < share <= 1, share, "above 0, 1 at most")
                for name, share in self.ceilings.items()
            },
        }
        for name, (good, given, expected) in limits.items():
            if not good:
                raise PlanError(f"the {name} is {given:g}", f"It must be {expected}.")


@dataclass(frozen=True, slots=True)
class Sight:
    """One inspection as it bears on a mode: the chance ``sensitivity`` that a look shows it, ``money`` of the look
    alone (what a false alarm makes it look again counted), and the ``steps`` that must be open for it."""

    inspection: str
    sensitivity: float
    money: float
    steps: frozenset[str]


@dataclass(frozen=True, slots=True)
class Subject:
    """A failure mode to be planned for, on each of ``units`` of a vehicle.

    ``remedy`` with its ``life`` after it cures; ``planned``: money of a renewal at a service beside the ``steps`` that
    it opens; ``failure``: money of a visit for it alone, all that it brings counted; both of one unit."""

    mode: str
    name: str
    component: str
    units: tuple[str, ...]
    hidden: bool
    severity: Severity
    remedy: str
    life: ModelLife
    lead: Delay | None
    planned: float
    failure: float
    steps: frozenset[str]
    sights: tuple[Sight, ...]
    record_share: float


@dataclass(frozen=True, slots=True)
class Option:
    """One strategy for a mode on one vehicle, all its units together, standing alone (nothing shared).

    ``every``: km, inf for run to failure. ``cost``: money per 100,000 km. ``risk``: chance of a failure within the
    horizon; ``held``: within the ceiling, where there is one. ``unnoticed``: share of the distance during which a
    hidden failure is there and nobody knows. ``cheapest``: chance that no other kind of strategy costs less."""

    kind: Kind
    every: float
    inspection: str
    cost: Estimate
    risk: Estimate
    held: bool
    unnoticed: float
    cheapest: float = 0.0

    @property
    def label(self) -> str:
        return self.kind if not isfinite(self.every) else f"{self.kind}@{self.every:.0f}"


@dataclass(frozen=True, slots=True)
class ModePlan:
    """A mode with its strategy.

    ``planned``: money of a renewal at a service, all access paid; ``failure``: of a failure; of one unit. ``options``:
    the best of each kind, standing alone, cheapest first; ``chosen``: what the plan has, which sharing access may have
    moved. ``best_every``: the distance that would cost least for the chosen kind, not rounded (None: run to failure).
    ``look``: money of one look alone by the inspection chosen, or that would be; ``sensitivity``: chance that it shows
    what is there (0: there is none). ``ceiling``: None where money alone decides. ``unheld``: no strategy keeps to it.
    ``asked``: by name."""

    mode: str
    name: str
    component: str
    units: tuple[str, ...]
    hidden: bool
    severity: Severity
    remedy: str
    planned: float
    failure: float
    options: tuple[Option, ...]
    chosen: Option
    best_every: Estimate | None
    look: float
    sensitivity: float
    ceiling: float | None
    unheld: bool
    asked: bool
    record_share: float


@dataclass(frozen=True, slots=True)
class Curve:
    """Money per 100,000 km over ``every`` (n,) km: ``value`` with its interval ``low`` to ``high``; ``risk`` (n,)."""

    kind: Kind
    every: Array
    value: Array
    low: Array
    high: Array
    risk: Array


@dataclass(frozen=True, slots=True)
class Change:
    """What would change the answer: were ``what`` so many times (``factor``) as it is, ``kind`` would cost least.

    consequence: what a failure costs beyond the renewal; renewal: planned and at a failure.
    """

    what: What
    factor: float
    kind: Kind


@dataclass(frozen=True, slots=True)
class Plan:
    """All modes with their strategies. ``alone``: money per 100,000 km, each as it would stand alone; ``grouped``:
    together, shared access paid once."""

    service_every: float
    horizon: float
    modes: tuple[ModePlan, ...]
    alone: float
    grouped: float

    @property
    def saving(self) -> float:
        return self.alone - self.grouped
