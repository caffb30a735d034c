"""The choice of a visit as plain values: units, what can be done to each, what is paid for once, what is demanded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from math import inf

import numpy as np

from wearlore.book.model import Economics, Offer
from wearlore.errors import ScopeError
from wearlore.lives import Array


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """A failure mode on a unit (`component` or `component/position`)."""

    unit: str
    mode: str


@dataclass(frozen=True, slots=True)
class Terms:
    """What money and distance mean for this visit, and what is demanded of it.

    ``labour_rate`` per hour; ``visit_fixed`` money per visit; ``discount`` per year; ``horizon`` and ``per_year`` km;
    ``setup_share``: the share of a later visit's set-up that other work will carry. ``must``: faults to cure.
    ``probable``: for faults of which it is not certain, the chance that each is there now, independent of each other;
    it stands before what the records hold of the fault. ``refuse``: units, components or remedies the owner says no to.
    ``include``: units to be seen to in this visit though nobody says that they have failed.
    ``missing_tools`` come on top of those that the book knows to be missing. Raises ScopeError for a number that makes
    no sense, and for a fault that is both to cure and only probable.
    """

    labour_rate: float
    visit_fixed: float
    discount: float
    horizon: float
    per_year: float
    setup_share: float = 0.0
    must: frozenset[Fault] = frozenset()
    refuse: frozenset[str] = frozenset()
    missing_tools: frozenset[str] = frozenset()
    probable: Mapping[Fault, float] = field(default_factory=dict)
    include: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        limits = {  # written so that NaN fails too
            "labour_rate": (0 <= self.labour_rate < inf, "0 or more"),
            "visit_fixed": (0 <= self.visit_fixed < inf, "0 or more"),
            "discount": (0 <= self.discount < 1, "a share from 0 to under 1"),
            "horizon": (0 < self.horizon < inf, "above 0"),
            "per_year": (0 < self.per_year < inf, "above 0"),
            "setup_share": (0 <= self.setup_share < 1, "a share from 0 to under 1"),
        }
        for name, (good, expected) in limits.items():
            if not good:
                raise ScopeError(f"{name.replace('_', ' ')} is {getattr(self, name):g}", f"It must be {expected}")
        for fault, chance in sorted(self.probable.items()):
            if not 0 < chance < 1:
                raise ScopeError(
                    f"the chance of {fault.mode} on {fault.unit} is {chance:g}",
                    "It must be above 0 and below 1: name a fault that is certain as one to cure (--fault), "
                    "and leave away one that is ruled out",
                )
        if both := [f"{fault.mode} on {fault.unit}" for fault in sorted(self.must & self.probable.keys())]:
            raise ScopeError(f"{', '.join(both)} is to be cured and also only probable", "Say one of the two")

    @classmethod
    def of(cls, economics: Economics) -> Terms:
        """The workshop's own terms, as its book states them, with nothing demanded."""
        return cls(
            economics.labour_rate,
            economics.visit_fixed,
            economics.discount,
            economics.horizon,
            economics.per_year,
        )


@dataclass(frozen=True, slots=True)
class Step:
    """Something done and paid once in a visit, whoever needs it: an operation, the hire of a tool, the visit itself."""

    name: str
    hours: float
    money: float  # beside labour


@dataclass(frozen=True, slots=True)
class Option:
    """One remedy, with parts of one source grade, for one unit (its number in the problem).

    ``money``: parts beside what the steps spoil. ``after`` (d,): expected cost later once it is done. ``needs``: names
    of steps, closed under access. ``companions``: groups of option numbers of which one must be chosen with it.
    ``refused`` and ``tools`` (missing here) keep it out of the choice. ``saving_at`` (k,): what doing it would save
    later at each of the unit's offsets.
    """

    unit: int
    remedy: str
    grade: str
    revision: str
    money: float
    needs: frozenset[str]
    after: Array
    cures: frozenset[str] = frozenset()
    companions: tuple[tuple[int, ...], ...] = ()
    refused: frozenset[str] = frozenset()
    tools: frozenset[str] = frozenset()
    offers: Mapping[str, Offer] = field(default_factory=dict)
    saving_at: Array = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True)
class Candidate:
    """A unit of the vehicle: ``left`` (d,) expected cost later if nothing is done to it now, ``chance`` (d,) that it
    fails within the horizon. ``offsets`` (k,): distances from now, km, for which its options carry ``saving_at``.

    ``age``: km; None when not known, or when its modes have different ages. ``doubtful``: it is not certain whether it
    has failed already.
    """

    name: str
    left: Array
    chance: Array
    age: float | None = None
    offsets: Array = field(default_factory=lambda: np.zeros(0))
    doubtful: bool = False

    @property
    def component(self) -> str:
        return self.name.partition("/")[0]


@dataclass(frozen=True)
class Problem:
    """All of it. ``must``: for each fault to cure the option numbers that do; ``include``: those of each unit to
    be seen to. ``spoils``: (step, option numbers): the step spoils the unit that these options renew, so one of them
    must go with it. ``odometer`` km."""

    labour_rate: float
    steps: Mapping[str, Step]
    candidates: tuple[Candidate, ...]
    options: tuple[Option, ...]
    must: Mapping[Fault, tuple[int, ...]] = field(default_factory=dict)
    spoils: tuple[tuple[str, tuple[int, ...]], ...] = ()
    odometer: float = 0.0
    include: Mapping[str, tuple[int, ...]] = field(default_factory=dict)

    @property
    def demanded(self) -> tuple[tuple[int, ...], ...]:
        """Groups of options of which one must be chosen, whatever it costs."""
        return (*self.must.values(), *self.include.values())

    @cached_property
    def step_names(self) -> tuple[str, ...]:
        return tuple(sorted(self.steps))

    @cached_property
    def options_of(self) -> tuple[tuple[int, ...], ...]:
        """For each unit the numbers of its options."""
        return tuple(
            tuple(o for o, option in enumerate(self.options) if option.unit == unit)
            for unit in range(len(self.candidates))
        )

    @cached_property
    def shared(self) -> frozenset[str]:
        """Steps that options of more than one component need: the way to several."""
        users: dict[str, set[str]] = {}
        for option in self.options:
            for step in option.needs:
                users.setdefault(step, set()).add(self.candidates[option.unit].component)
        return frozenset(step for step, components in users.items() if len(components) > 1)

    def brings(self, option: int) -> tuple[tuple[int, ...], ...]:
        """Groups of options of which one must go with ``option``: its companions, and what its steps spoil."""
        chosen = self.options[option]
        return (*chosen.companions, *(renewing for step, renewing in self.spoils if step in chosen.needs))

    def price(self, step: str) -> float:
        """Money for one step, labour included."""
        return self.labour_rate * self.steps[step].hours + self.steps[step].money

    def saving(self, option: int) -> float:
        """Expected cost later that ``option`` takes away (negative: adds)."""
        chosen = self.options[option]
        return float(np.mean(self.candidates[chosen.unit].left - chosen.after))

    def needs(self, chosen: tuple[int, ...]) -> frozenset[str]:
        """Steps of the union."""
        return frozenset().union(*(self.options[o].needs for o in chosen))

    def hours(self, chosen: tuple[int, ...]) -> float:
        return sum(self.steps[step].hours for step in sorted(self.needs(chosen)))

    def visit_cost(self, chosen: tuple[int, ...]) -> float:
        """Money for this visit: the union of steps, and the parts."""
        return sum(self.price(step) for step in sorted(self.needs(chosen))) + sum(self.options[o].money for o in chosen)

    def later(self, chosen: tuple[int, ...]) -> Array:
        """Expected cost later, shape (d,), of every unit with ``chosen`` done and the rest left."""
        done = {self.options[o].unit: self.options[o].after for o in chosen}
        worth = [done.get(unit, candidate.left) for unit, candidate in enumerate(self.candidates)]
        return np.sum(worth, axis=0) if worth else np.zeros(1)

    def objective(self, chosen: tuple[int, ...]) -> float:
        """What is minimised: this visit's cost and the expected cost later."""
        return self.visit_cost(chosen) + float(np.mean(self.later(chosen)))
