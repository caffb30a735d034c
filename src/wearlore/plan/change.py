"""What would change the answer: how many times as dear or as long something must be for another strategy to win."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from math import exp, log

import numpy as np
from scipy.optimize import brentq

from wearlore.plan.model import Change, Kind, Sight, Subject, What
from wearlore.plan.strategy import Weighed

MOST = 10.0  # times as much, either way, that is looked for
STEPS = 8  # either way
WHAT: tuple[What, ...] = ("consequence", "renewal", "look", "life")


def changes(weighed: Weighed, kind: Kind) -> Iterator[Change]:
    """For each of `WHAT` the factors nearest to 1, below and above, at which another kind than ``kind`` costs least.

    Distances are those of ``weighed``; ceilings are left out: this is about money.
    """
    for what in WHAT:
        if what == "look" and not weighed.subject.sights:
            continue

        def margin(ln_factor: float, what: What = what) -> float:
            """What the best of the other kinds costs more."""
            best = _least(_changed(weighed, what, exp(ln_factor)))
            others = [cost for other, cost in best.items() if other != kind]
            return min(others) - best[kind]

        for side in (-1.0, 1.0):
            if (at := _crossing(margin, side * log(MOST))) is not None:
                best = _least(_changed(weighed, what, exp(at)))
                others = {other: cost for other, cost in best.items() if other != kind}
                yield Change(what, exp(at), min(others, key=others.__getitem__))


def _crossing(margin: Callable[[float], float], end: float) -> float | None:
    ends = np.linspace(0.0, end, STEPS + 1)
    if margin(0.0) <= 0:
        return None
    for near, far in pairwise(ends.tolist()):
        if margin(far) < 0:
            return float(brentq(margin, near, far, xtol=1e-4))
    return None


def _changed(weighed: Weighed, what: What, factor: float) -> Weighed:
    subject = weighed.subject
    renewal = subject.planned + weighed.opening(subject.steps)
    more = (factor - 1) * renewal
    match what:
        case "consequence":
            return _sharing(weighed, replace(subject, failure=renewal + factor * (subject.failure - renewal)))
        case "renewal":
            return _sharing(weighed, replace(subject, planned=subject.planned + more, failure=subject.failure + more))
        case "look":
            return _sharing(
                weighed, replace(subject, sights=tuple(_dearer(weighed, s, factor) for s in subject.sights))
            )
        case "life":
            return replace(weighed, subject=replace(subject, life=subject.life.scaled(factor)))


def _dearer(weighed: Weighed, sight: Sight, factor: float) -> Sight:
    return replace(sight, money=sight.money + (factor - 1) * (sight.money + weighed.opening(sight.steps)))


def _sharing(weighed: Weighed, subject: Subject) -> Weighed:
    """Money changes, what happens does not: the events are computed once."""
    other = replace(weighed, subject=subject)
    for key in weighed.keys:
        other.found[key] = weighed.events(*key)
    return other


def _least(weighed: Weighed) -> dict[Kind, float]:
    """The best cost of each kind over its distances."""
    best: dict[Kind, float] = {}
    weight = weighed.subject.life.weight
    for kind, inspection in weighed.keys:
        cost = float((weight @ weighed.costs(kind, inspection)).min())
        best[kind] = min(cost, best.get(kind, np.inf))
    return best
