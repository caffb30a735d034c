"""Which words a number may wear: chosen by rule from its interval, so that no sentence claims more than its evidence.

Every claim carries the bounds between which it is true. A claim is made only where the whole interval lies within them,
and of those that may be made the narrowest: a wider interval can only bring the same words or weaker ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, floor, inf, isfinite, log10
from typing import Literal

from wearlore.answers import ModeSummary
from wearlore.answers.guide import Difference
from wearlore.estimate import Estimate
from wearlore.plan import ModePlan, Option
from wearlore.report.sheet import counted
from wearlore.units import Units

NARROW, WIDE = 1.6, 4.0  # upper end over lower end: up to which a distance is "about", and up to which "between"
SURE = 0.95  # chance from which a strategy is said to cost least
MEASURED, JUDGED = 0.5, 0.05  # share of record: from which it is measured, below which it is judgement


@dataclass(frozen=True, slots=True)
class Claim:
    """Words, true of whatever lies from ``low`` to ``high``."""

    words: str
    low: float
    high: float

    def holds(self, estimate: Estimate) -> bool:
        """Of all that the interval allows."""
        return self.low <= estimate.low and estimate.high <= self.high


BETWEEN = {"grade": "between the grades of part", "revision": "between the revisions"}
UNKNOWN = Claim("we do not know yet how common it is", 0.0, 1.0)
HOW_COMMON = (
    Claim("it is rare", 0.0, 0.02),
    Claim("it is uncommon", 0.0, 0.1),
    Claim("almost every one has had it", 0.9, 1.0),
    Claim("few have had it", 0.0, 0.2),
    Claim("some have had it, most have not", 0.05, 0.5),
    Claim("most have not had it", 0.0, 0.5),
    Claim("most have had it", 0.5, 1.0),
    Claim("it is common", 0.2, 1.0),
    Claim("it is not rare", 0.02, 1.0),
    UNKNOWN,
)


def how_common(failed: Estimate) -> Claim:
    """Of a share that has failed by some distance."""
    true = [claim for claim in HOW_COMMON if claim.holds(failed)]
    return min(true, key=lambda claim: claim.high - claim.low, default=UNKNOWN)


def from_distance(at: Estimate, units: Units) -> Claim:
    """From what distance, km: ``about``, ``between``, ``not before``, or that nobody knows yet."""
    low, high = units.from_km(at.low), units.from_km(at.high)
    if not low > 0:
        return Claim("we do not know yet from what distance", 0.0, inf)
    if not isfinite(high):
        start = _outwards(low, low / 5, floor)
        return Claim(f"not before {start:,.0f} {units.distance}", units.to_km(start), inf)
    if high <= NARROW * low:
        near = _rounded(units.from_km(at.value), low, high)
        return Claim(f"about {near:,.0f} {units.distance}", at.low, at.high)
    start, end = (_outwards(x, (high - low) / 2, way) for x, way in ((low, floor), (high, ceil)))
    words = f"between {start:,.0f} and {end:,.0f} {units.distance}"
    if high > WIDE * low:
        words = f"somewhere {words}: we do not know better yet"
    return Claim(words, units.to_km(start), units.to_km(end))


def chances(share: Estimate) -> str:
    """``12 to 18 %``: outwards to whole per cent, finer where both ends are small; one number where both are alike."""
    fine = 10 if 100 * share.high < 3 else 1
    low, high = floor(100 * share.low * fine + 1e-9) / fine, ceil(100 * share.high * fine - 1e-9) / fine
    if low == high:
        return f"{low:g} %"
    return f"at most {high:g} %" if low == 0 else f"{low:g} to {high:g} %"


def money_between(cost: Estimate, units: Units) -> str:
    """``EUR 160 to 280``, outwards to two digits."""
    low, high = (_two_digits(x, way) for x, way in ((max(cost.low, 0.0), floor), (cost.high, ceil)))
    return f"{units.currency} {low:,.0f} to {high:,.0f}" if low < high else f"{units.currency} {high:,.0f}"


def about_money(amount: float, units: Units) -> str:
    """``about EUR 1,240``: to two or three digits, as a figure that leans on prices and means."""
    step = 5 if amount < 200 else 10 if amount < 2_000 else 50 if amount < 10_000 else 100
    return f"about {units.currency} {step * round(amount / step):,}"


# evidence ------------------------------------------------------------------------------------------------------------


def basis(row: ModeSummary) -> str:
    """On what it rests, in one line."""
    seen = row.evidence
    if row.b10 is None:
        return "nothing: there is neither record nor judgement"
    among = f"{counted(seen.failures, 'failure')} in {counted(seen.vehicles, 'vehicle')}"
    if seen.failures == 0:
        return f"judgement; no failure yet in {counted(seen.vehicles, 'vehicle')}" if seen.vehicles else "judgement"
    if row.record_share >= MEASURED:
        return f"measured on {among}"
    if row.record_share >= JUDGED:
        return f"more judgement than record: {among}"
    return f"judgement; {among} on record"


# comparison ----------------------------------------------------------------------------------------------------------


def verdict(one: Difference) -> Literal["sure", "perhaps", "alike", "not shown"]:
    """How much may be said: a difference only where the interval excludes 1; it is sure only where chance is ruled out
    even as one of all comparisons made."""
    low, high = one.ratio.low, one.ratio.high
    if (one.verdict == "longer" and low > 1) or (one.verdict == "shorter" and high < 1):
        return "sure" if one.sure else "perhaps"
    return "alike" if one.verdict == "alike" else "not shown"


def difference(one: Difference) -> str:
    """The sentence on it."""
    span = f"{one.ratio.value:.2g} times as long ({one.ratio.low:.2g} to {one.ratio.high:.2g})"
    who = capital(one.level) if one.against else f"With the {one.by} {one.level} it"
    than, as_other = (f" than {one.against}", f" as {one.against}") if one.against else ("", "")
    match verdict(one):
        case "sure":
            return f"{who} lasts {one.verdict}{than}: {span}"
        case "perhaps":
            return f"{who} lasted {one.verdict}{than} on record, which may still be chance: {span}"
        case "alike":
            return f"{who} lasts about as long{as_other}: {span}"
    apart = f"between {one.level} and {one.against}" if one.against else BETWEEN.get(one.by, f"by the {one.by}")
    return f"No difference shown {apart}"


# what costs less -----------------------------------------------------------------------------------------------------


def saves(plan: ModePlan) -> str:
    """How sure it is that the strategy chosen costs less than waiting for the failure; empty where it is waiting."""
    waiting = next((one for one in plan.options if one.kind == "run-to-failure"), None)
    if plan.chosen.kind == "run-to-failure" or waiting is None:
        return ""
    if costs_less(plan.chosen, waiting):
        return "That costs less than waiting for the failure."
    if plan.chosen.cost.value < waiting.cost.value:
        return "On the mean that costs less than waiting for the failure; it is not certain."
    return "It costs more than waiting would, and keeps the risk down."


def costs_less(one: Option, other: Option) -> bool:
    """Beyond doubt: the intervals are apart, or the chance that it is cheapest is `SURE`."""
    return one.cost.high < other.cost.low or (one.cheapest >= SURE and one.cost.value < other.cost.value)


# numbers -------------------------------------------------------------------------------------------------------------


def _rounded(value: float, low: float, high: float) -> float:
    """The roundest number between the ends that is near ``value``; low > 0."""
    step = 10.0 ** ceil(log10(high))
    while True:
        for part in (1.0, 2.0, 5.0):
            near = round(value * part / step) * step / part
            if low <= near <= high and abs(near - value) <= (high - low) / 4:
                return near
            if step / part < (high - low) * 1e-6 or high == low:
                return value
        step /= 10.0


def _outwards(value: float, room: float, way: Callable[[float], int]) -> float:
    """Rounded away from the middle, by steps no coarser than ``room``."""
    step = 10.0 ** floor(log10(room)) if room > 0 else 1.0
    return max(float(way(value / step + (1e-9 if way is floor else -1e-9)) * step), 0.0)


def _two_digits(value: float, way: Callable[[float], int]) -> float:
    if value <= 0:
        return 0.0
    step = 10.0 ** max(floor(log10(value)) - 1, 0)
    return float(way(value / step) * step)


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def within(text: str) -> str:
    """A name within a sentence: ``Timing chain`` small, ``EGR valve`` as it is."""
    return text[:1].lower() + text[1:] if text[1:2].islower() else text
