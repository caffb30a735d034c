"""A vehicle as a set of things that fail and are renewed, visit after visit, and the rules by which that is done.

What a simulation of policies needs: `Upkeep` is the vehicle, `Rule` a policy as data, `Schedule` what is planned ahead.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.renewal.equation import Process, Span, there_now, worth_left

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Renewable:
    """Modes that one cure renews together, with that cure.

    ``fitted`` and ``fresh``: the piece in place and the one that a cure fits (d draws, m modes); ``worth`` (d,
    steps + 1): `worth_new` of the fresh one. ``age``, ``seen`` (d, m) km; ``start`` (m,): age at which a cure starts
    the modes. ``consequence`` (m,): money beyond the cure; ``money``: parts; ``needs``: names of steps. ``present``
    (m,): chance that each mode is there now (see `ModeRisk`). ``lead`` (m, 2): median (km; 0: none) and standard
    deviation of the logarithm of the distance over which a mode can be seen: an evident one before it fails, a
    ``hidden`` one (m,) from where it is there until it makes itself known. ``stranded`` (m,): chance that a failure
    stops the vehicle; ``damaging`` (m,): whether it can damage the engine.
    """

    unit: str
    modes: tuple[str, ...]
    remedy: str
    fitted: Process
    fresh: Process
    consequence: Array
    age: Array
    seen: Array
    start: Array
    worth: Array
    money: float
    needs: frozenset[str]
    present: Array
    lead: Array
    hidden: Mask
    stranded: Array
    damaging: Mask

    @property
    def failed(self) -> bool:
        """Found so now: certain."""
        return bool((self.present == 1).any())


@dataclass(frozen=True, slots=True)
class Upkeep:
    """All of a vehicle.

    ``price``: money of each step, labour included; ``setup``: the part of it that opens the way for several units.
    ``brings`` (n, n), closed: j is always done with i. ``span``: how far ahead.
    """

    renewables: tuple[Renewable, ...]
    price: Mapping[str, float]
    setup: Mapping[str, float]
    brings: Mask
    span: Span


@dataclass(frozen=True, slots=True)
class Moment:
    """A visit as a policy sees it: what has ``failed``, and the distance ``ahead`` until the span ends, km.

    ``since``: km since each was renewed, or since the start for the ``first`` pieces, in place from then; all (n,).
    """

    failed: Mask
    since: Array
    first: Mask
    ahead: float


@dataclass(frozen=True, slots=True)
class Savings:
    """What renewing each of n saves later: tables (n, k, r) over ``since`` (k,) and ``ahead`` (r,), km.

    ``fitted``: of the pieces now in place, by the distance from now, those found good that may have failed; ``fresh``:
    of later ones, since they were fitted. ``unseen`` (n,): of the pieces now in place over the whole span, while nobody
    knows yet which of them have failed.
    """

    since: Array
    ahead: Array
    fitted: Array
    fresh: Array
    unseen: Array

    def at(self, since: Array, ahead: float, first: Mask) -> Array:
        """Savings (n,) of pieces renewed ``since`` km ago (``first``: in place from the start, so many km from now)."""
        number = np.arange(since.size)
        k, kw = _place(self.since, since)
        r, rw = _place(self.ahead, np.full(since.size, ahead))
        table = np.where(first[:, None, None], self.fitted, self.fresh)
        near = table[number, k, r] * (1 - kw) + table[number, k + 1, r] * kw
        far = table[number, k, r + 1] * (1 - kw) + table[number, k + 1, r + 1] * kw
        return near * (1 - rw) + far * rw


def _place(grid: Array, x: Array) -> tuple[NDArray[np.int64], Array]:
    k = np.clip(np.searchsorted(grid, x, side="right") - 1, 0, grid.size - 2)
    return k, np.clip((x - grid[k]) / (grid[k + 1] - grid[k]), 0.0, 1.0)


def savings(upkeep: Upkeep, points: int = 17, draws: int = 16) -> Savings:
    """The tables for a policy: the renewal equation at ``points`` distances since renewal, each fifth of the span."""
    span = upkeep.span
    since = np.linspace(0.0, span.km, points)
    steps = [0, *(span.steps * np.arange(1, 6) // 5)]
    shape = (len(upkeep.renewables), points, len(steps))
    fitted, fresh, unseen = np.zeros(shape), np.zeros(shape), np.zeros(shape[0])
    for n, item in enumerate(upkeep.renewables):
        old, new = _first_draws(item.fitted, draws), _first_draws(item.fresh, draws)
        age, seen = item.age[:draws].mean(axis=0), item.seen[:draws].mean(axis=0)
        for r, many in enumerate(steps[1:], start=1):
            part = span.shortened(int(many))
            worth = item.worth[:draws, : many + 1]
            gone = since[:, None]
            last = np.where(seen < age, seen, age + gone)
            left = worth_left(old, age + gone, np.broadcast_to(last, (points, age.size)), worth, part)
            later = worth_left(new, item.start + gone, item.start + gone, worth, part)
            fitted[n, :, r] = (left.cost - worth[:, -1:]).mean(axis=0)
            fresh[n, :, r] = (later.cost - worth[:, -1:]).mean(axis=0)
        charge, absent = there_now(item.fitted.cost, np.where(item.present < 1, item.present, 0.0))
        unseen[n] = charge + absent * fitted[n, 0, -1]
    return Savings(since, span.step * np.array(steps), fitted, fresh, unseen)


def _first_draws(process: Process, draws: int) -> Process:
    return Process(
        process.mu[:draws], process.sigma[:draws], process.lognormal, process.cost, process.rate, process.speed
    )


@dataclass(frozen=True, slots=True)
class PlannedLook:
    """A look at one ``mode`` (its number) of one renewable ``item``: at every ``each``-th planned visit, beginning with
    number ``skip``. ``cost``: money beyond the visit; ``sensitivity``: chance to see what is there to be seen."""

    item: int
    mode: int
    each: int
    skip: int
    cost: float
    sensitivity: float


@dataclass(frozen=True, slots=True)
class Schedule:
    """Work planned by distance: visits every ``every`` km, the next in ``first`` km, made anyway.

    ``renew_at`` (n,): age, km, at which each renewable is renewed, at the planned visit nearest to it (inf: never).
    ``opens``: steps that a planned visit does not pay for, since the vehicle is in.
    """

    every: float
    first: float
    renew_at: Array
    looks: tuple[PlannedLook, ...] = ()
    opens: frozenset[str] = frozenset()


Kind = Literal["failed", "reach", "worth"]


@dataclass(frozen=True, slots=True)
class Rule:
    """A policy as data. At a visit it renews what has failed and what always goes with that (``failed``); also all to
    which the way is open then (``reach``); or whatever costs less than it saves by ``savings`` (``worth``).

    ``schedule``: what is planned beside; without one there is a visit only when something fails.
    """

    kind: Kind
    savings: Savings | None = None
    schedule: Schedule | None = None
