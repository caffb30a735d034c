"""What can happen to one unit and what cures it, as plain values; and what has been reckoned of it."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any

from wearlore.lives import Array
from wearlore.renewal.equation import Span


@dataclass(frozen=True, slots=True)
class Effect:
    """What a remedy does to a unit: the modes it ``cures`` start again in a unit of ``revision`` and ``grade``
    (renew), at the virtual age (1 - ``restores``) times theirs (clean; Kijima 1989, type II), or have their rate
    multiplied by ``lowers`` (guard)."""

    cures: frozenset[str]
    revision: str
    grade: str
    restores: float | None = None
    lowers: float | None = None

    @property
    def renews(self) -> bool:
        return self.restores is None and self.lowers is None


@dataclass(frozen=True, slots=True)
class Cure:
    """A future cure: its remedy, its effect, and the money of a later visit made for it alone."""

    remedy: str
    effect: Effect
    money: float


@dataclass(frozen=True, slots=True)
class ModeRisk:
    """One mode on the unit. ``age`` None: not known. ``seen_good``: age at which it was last known to be absent.

    ``consequence``: money beyond the cure. ``applies`` tells whether a unit of a revision has the mode at all.
    ``present``: the chance that it is there now: 1 found, 0 not found. Between them somebody has judged it: it is there
    with that chance, and else known to be absent now, a hidden mode too; ``seen_good`` then only weighs the parameters.
    ``speed`` multiplies its ageing from here on (an accelerating fault left in place). ``stranded``, ``damaging``,
    ``lead`` (median km, sigma): as in `Renewable`.
    """

    mode: str
    age: float | None
    seen_good: float
    consequence: float
    hidden: bool
    applies: Callable[[str], bool]
    present: float = 0.0
    speed: float = 1.0
    stranded: float = 0.0
    damaging: bool = False
    lead: tuple[float, float] = (0.0, 0.0)

    @property
    def judged(self) -> bool:
        return 0 < self.present < 1


@dataclass(frozen=True, slots=True)
class Group:
    """Modes (by number) that one future cure renews; ``cost`` (m,) is what a failure by each of them costs."""

    modes: tuple[int, ...]
    cure: Cure | None
    cost: Array


@dataclass
class Parameters:
    mu: Array
    sigma: Array
    lognormal: bool


@dataclass
class Kept:
    """What has been reckoned of one unit, for when it is weighed again on other terms.

    ``drawn``: parameters. ``counted``: discounted numbers of failures over one ``span``, which hold whatever a failure
    costs; they are reckoned anew for another.
    """

    drawn: dict[tuple[str, str, str], Parameters] = field(default_factory=dict)
    counted: dict[Hashable, Any] = field(default_factory=dict)
    span: Span | None = None

    def over(self, span: Span) -> Kept:
        """This, over ``span``."""
        if span != self.span:
            self.span, self.counted = span, {}
        return self
