"""Better than one look ahead: the share of a later visit's set-up that other work will carry, learned by simulation.

The advice weighs each unit as if every later failure had a visit of its own, of which other work carries a share of the
set-up. Which share suits a vehicle depends on what else of it fails how often. So the advice is followed with several
shares through the same courses of events, and the share that costs least is kept, unless the courses cannot tell it
from none: policy search on common random numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.outlook.courses import courses
from wearlore.outlook.policies import mean_of
from wearlore.renewal import Process, worth_new
from wearlore.renewal.upkeep import Mask, Renewable, Rule, Savings, Upkeep, savings

SHARES = (0.0, 0.2, 0.4, 0.6, 0.8)
RUNS = 1024


@dataclass(frozen=True, slots=True)
class Learned:
    """The ``share`` of later set-up that other work carries, of those tried the one that serves the vehicle best.

    ``gain``: money, discounted, by which following the advice costs less with it than with none, on the same courses of
    events; nothing when no share is better beyond doubt.
    """

    share: float
    gain: Estimate


def learn(costs: Callable[[float], Array], shares: tuple[float, ...] = SHARES) -> Learned:
    """``costs`` (R,) of the same courses under each share; the first of ``shares`` is the one to beat.

    Raises ValueError when there is none.
    """
    if not shares:
        raise ValueError("at least one share must be tried")
    told = {share: costs(share) for share in shares}
    best = min(shares, key=lambda share: (float(told[share].mean()), share))
    gain = mean_of(told[shares[0]] - told[best])
    if best == shares[0] or gain.low <= 0:
        return Learned(shares[0], Estimate(0.0, 0.0, 0.0, gain.level))
    return Learned(best, gain)


def roll_out(
    upkeep: Upkeep, rule: Rule, now: Mask, others: Sequence[Mask], *, seed: int, runs: int = RUNS
) -> tuple[int | None, Estimate]:
    """Of ``others`` to be done now instead of ``now``, the rule being followed later, the one that costs least.

    With the money that it saves, on the same courses; None, and nothing, when none is better beyond doubt.
    """
    least, best, gain = courses(upkeep, rule, runs=runs, seed=seed, first=now).cost, None, Estimate(0.0, 0.0, 0.0)
    for number, other in enumerate(others):
        saved = mean_of(least - courses(upkeep, rule, runs=runs, seed=seed, first=other).cost)
        if saved.low > 0 and saved.value > gain.value:
            best, gain = number, saved
    return best, gain


def learn_share(
    upkeep: Upkeep, *, seed: int, runs: int = RUNS, shares: tuple[float, ...] = SHARES
) -> tuple[Learned, Rule]:
    """What simulating the advice on this vehicle teaches, and the advice that follows it.

    ``upkeep`` must be built with no share.
    """
    none, all_ = savings(upkeep), savings(_sharing(upkeep, 1.0))

    def rule(share: float) -> Rule:
        return Rule("worth", _between(none, all_, share))

    learned = learn(lambda share: courses(upkeep, rule(share), runs=runs, seed=seed).cost, shares)
    return learned, rule(learned.share)


def _between(none: Savings, all_: Savings, share: float) -> Savings:
    """The savings with this share: linear in it, as the renewal equation is in the costs."""

    def at(one: Array, other: Array) -> Array:
        return one + share * (other - one)

    return replace(
        none,
        fitted=at(none.fitted, all_.fitted),
        fresh=at(none.fresh, all_.fresh),
        unseen=at(none.unseen, all_.unseen),
    )


def _sharing(upkeep: Upkeep, share: float) -> Upkeep:
    """The same vehicle, each later failure being charged so much less of the set-up of its visit."""
    items = upkeep.renewables
    needs = [
        item.needs.union(*(items[j].needs for j in np.flatnonzero(upkeep.brings[i]))) for i, item in enumerate(items)
    ]
    less = [share * sum(upkeep.setup[step] for step in sorted(steps)) for steps in needs]
    return replace(upkeep, renewables=tuple(_cheaper(upkeep, *one) for one in zip(items, less, strict=True)))


def _cheaper(upkeep: Upkeep, item: Renewable, less: float) -> Renewable:
    def of(process: Process) -> Process:
        return replace(process, cost=process.cost - less)

    fresh = of(item.fresh)
    return replace(item, fitted=of(item.fitted), fresh=fresh, worth=worth_new(fresh, item.start, upkeep.span))
