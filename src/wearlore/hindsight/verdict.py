"""Forecast counts of failure modes beside what happened, one by one and together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import betaincinv
from scipy.stats import binom

from wearlore.estimate import Estimate
from wearlore.hindsight import scores
from wearlore.hindsight.counts import total
from wearlore.lives import Array

BINS = 5  # of the PIT histogram: a family has some dozens of modes
BEYOND = 0.05  # a mode is off where the chance of being so far off, taken times the modes, is below


@dataclass(frozen=True, slots=True)
class Tally:
    """A forecast count beside what ``happened``.

    ``expected``: its mean. ``half``, ``most``: whole-number intervals that hold at least 50 % and 90 %. ``pit``: the
    span of the probability integral transform. ``off``: the chance, had the forecast been right, of being at least so
    far off on either side. ``crps``: in failures.
    """

    expected: float
    half: tuple[int, int]
    most: tuple[int, int]
    happened: int
    pit: tuple[float, float]
    off: float
    crps: float
    pmf: Array = field(repr=False, compare=False)

    @property
    def within(self) -> bool:
        """Inside the 90 % interval."""
        return self.most[0] <= self.happened <= self.most[1]


@dataclass(frozen=True, slots=True)
class Coverage:
    """How often intervals of ``level`` held what happened.

    ``held``: their share by the parts of the PIT spans that lie within the middle ``level``, which is ``level`` on the
    mean over right forecasts; with its Jeffreys interval. ``whole`` of ``of`` intervals of whole numbers held what
    happened, where right forecasts would make it ``whole_expected``: such intervals are wider than they say.
    """

    level: float
    held: Estimate
    whole: int
    whole_expected: float
    of: int


@dataclass(frozen=True, slots=True)
class Verdict:
    """All ``tallies`` together: their ``sum`` (modes taken as independent), coverage, PIT histogram.

    ``bins``: tallies in each bin of the PIT, ``bins_by_chance`` the 90 % range of each, were the forecasts right.
    """

    sum: Tally
    half: Coverage
    most: Coverage
    bins: tuple[float, ...]
    bins_by_chance: tuple[int, int]
    crps: float


def tally(pmf: Array, happened: int) -> Tally:
    """A forecast and what happened."""
    return Tally(
        expected=scores.mean(pmf),
        half=scores.interval(pmf, 0.5),
        most=scores.interval(pmf, 0.9),
        happened=happened,
        pit=scores.pit(pmf, happened),
        off=scores.so_far_off(pmf, happened),
        crps=scores.crps(pmf, happened),
        pmf=pmf,
    )


def verdict(tallies: Sequence[Tally]) -> Verdict:
    """Of at least one mode. Raises ValueError."""
    if not tallies:
        raise ValueError("a verdict wants at least one forecast")
    spans = [one.pit for one in tallies]
    low, high = binom.ppf([0.05, 0.95], len(tallies), 1 / BINS)
    return Verdict(
        sum=tally(total([one.pmf for one in tallies]), sum(one.happened for one in tallies)),
        half=_coverage(tallies, 0.5),
        most=_coverage(tallies, 0.9),
        bins=tuple(scores.histogram(spans, BINS).tolist()),
        bins_by_chance=(int(low), int(high)),
        crps=sum(one.crps for one in tallies) / len(tallies),
    )


def off(tallies: Sequence[Tally]) -> list[bool]:
    """Which are further off than chance makes it among so many (Holm 1979, *Scandinavian Journal of Statistics* 6)."""
    order = np.argsort([one.off for one in tallies], kind="stable")
    told = [False] * len(tallies)
    for rank, place in enumerate(order.tolist()):
        if tallies[place].off * (len(tallies) - rank) >= BEYOND:
            break
        told[place] = True
    return told


def _coverage(tallies: Sequence[Tally], level: float) -> Coverage:
    count = len(tallies)
    inside = sum(scores.held(one.pit, level) for one in tallies)
    low, high = betaincinv(inside + 0.5, count - inside + 0.5, [0.025, 0.975])
    ends = [scores.interval(one.pmf, level) for one in tallies]
    return Coverage(
        level=level,
        held=Estimate(inside / count, float(low), float(high)),
        whole=sum(low <= one.happened <= high for one, (low, high) in zip(tallies, ends, strict=True)),
        whole_expected=sum(scores.chance_within(one.pmf, end) for one, end in zip(tallies, ends, strict=True)),
        of=count,
    )
