"""Repairs that come again -> their sheet: how many by which distance, more often or not, one group against another."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import floor, isinf

import numpy as np

from wearlore.answers import RepeatedRepairs, spoken_level
from wearlore.estimate import Estimate
from wearlore.life import MeanComparison, MeanCumulative, PowerLaw, Trend
from wearlore.report.sheet import (
    NO_FIGURES,
    Block,
    Bullets,
    Column,
    Figures,
    Heading,
    Paragraph,
    Sheet,
    Table,
    chance_told,
    counted,
    drawn,
)
from wearlore.units import Units, round_step, show_share

SMALL = (
    "Mean cumulative function: Nelson (1988), limits that let places differ by Lawless & Nadeau (1995). Trend: robust "
    "test (Lawless, Çiğşar & Cook 2012) or MIL-HDBK-189 (1981). Power law: Crow (1974). Two groups: Lawless & Nadeau "
    "(1995), Cook & Lawless (2007, section 3.7). In brackets 95 % limits."
)
ROWS = 6  # distances told
FEW, LEAST = 0.05, 10  # below this share of the places, or this number, the mean of those still seen is not told
ALIKE, UNLIKE = 0.67, 1.5  # dispersion of counts that is about chance's (common practice, no source)
TESTS = {"robust": "robust test", "military": "MIL-HDBK-189 test"}
LEFT_OUT = {
    "at_entry": ("repair", "made in the very visit with which a vehicle's records begin, and seen because of it"),
    "no_distance": ("place", "seen at one distance only"),
    "ahead": ("cure", "made where nobody had found the failure"),
    "elsewhere": ("failure", "later found good, with no word of a repair"),
    "open": ("failure", "not cured when the records end"),
}


def repeated_repairs(result: RepeatedRepairs, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """Lead, mean cumulative function, two groups, trend, power law, what it rests on."""
    return Sheet(
        kind="Repairs that come again",
        title=f"{result.name} ({result.mode or result.component})",
        made_on=made_on,
        facts=(
            ("Component", result.component),
            ("Counted", "cures of this failure mode" if result.mode else "every renewal, repair or clean"),
            ("Places", f"{result.places:,} on {counted(result.vehicles, 'vehicle')}"),
            ("Repairs", f"{result.repairs:,}"),
            ("Distance seen", units.show_distance(result.distance)),
        ),
        blocks=(
            Paragraph(_lead(result, units), "lead"),
            *_ends_with_repair(result),
            *drawn(figures, "repairs"),
            *(_means(result, units) if result.curves else ()),
            *(_compared(result, result.comparison, units, figures) if result.comparison else ()),
            Heading("More often with distance, or less?"),
            *_trend(result, units),
            Heading("What it rests on"),
            Bullets(tuple(_evidence(result, units))),
        ),
        small_print=SMALL,
    )


def group_name(result: RepeatedRepairs, group: str) -> str:
    """``variant m118``; a group without a name was not said in the records."""
    return spoken_level(result.by, group) if result.by else "All"


def seen_until(curve: MeanCumulative) -> float:
    """How far the curve is told, km: as long as a fair number of places is still under observation."""
    ends = np.unique(curve.histories.end)
    at_risk = curve.histories.at_risk(ends)
    most = float(at_risk.max())
    return float(ends[at_risk >= max(FEW * most, min(LEAST, most / 2))].max())


def distances_told(result: RepeatedRepairs, units: Units) -> list[float]:
    """Round distances in the reader's units, as km; every group is told at those that it reaches."""
    since = min(curve.since for curve in result.curves.values())
    until = max(seen_until(curve) for curve in result.curves.values())
    step = round_step(units.from_km(until - since) / ROWS)
    last = floor(units.from_km(until) / step * (1 + 1e-9))
    return [units.to_km(step * k) for k in range(1, last + 1) if units.to_km(step * k) > since]


def _told_at(result: RepeatedRepairs, units: Units) -> float | None:
    """The farthest distance told that all groups reach."""
    if not result.curves:
        return None
    since = max(curve.since for curve in result.curves.values())
    until = min(seen_until(curve) for curve in result.curves.values())
    return max((km for km in distances_told(result, units) if since < km <= until), default=None)


def number(repairs: float) -> str:
    """A mean number of repairs: ``12.4``, ``1.92``, ``0.092``."""
    if isinf(repairs):
        return "∞"
    return f"{repairs:.1f}" if repairs >= 10 else f"{repairs:.2f}" if repairs >= 0.1 else f"{repairs:.2g}"


def estimate(repairs: Estimate) -> str:
    """``1.92 (1.89 to 1.96)``; an open end is said in words."""
    return f"{number(repairs.value)} ({_span(repairs)})"


def _span(repairs: Estimate) -> str:
    if isinf(repairs.high):
        return f"over {number(repairs.low)}" if repairs.low else "not bounded"
    return f"{number(repairs.low)} to {number(repairs.high)}"


def _chance(p_value: float) -> str:
    return f"chance if none {chance_told(p_value)}"


# lead ----------------------------------------------------------------------------------------------------------------


def _lead(result: RepeatedRepairs, units: Units) -> str:
    if not result.curves:
        return f"No vehicle with {result.component} was seen over any distance."
    return " ".join(filter(None, (_how_many(result, units), _trend_said(result))))


def _how_many(result: RepeatedRepairs, units: Units) -> str:
    if result.comparison:
        return difference_in_words(result)
    km = _told_at(result, units)
    if km is None:
        return ""
    one = "a vehicle" if result.places == result.vehicles else "one place (a position on a vehicle)"
    since = max(curve.since for curve in result.curves.values())
    over = f"From {units.show_distance(since)} to" if since else "By"
    means = (
        f"{f'{group_name(result, group)} ' if result.by else ''}{estimate(curve.at(km))}"
        for group, curve in result.curves.items()
    )
    said = ", ".join(means)
    told = f"the mean of repairs is: {said}" if result.by else f"{one} has had {said} repairs on the mean"
    return f"{over} {units.show_distance(km)} {told}."


def _trend_said(result: RepeatedRepairs) -> str:
    if result.trend is None:
        return ""
    if result.trend.verdict == "no trend to be seen":
        return "No trend with distance is to be seen."
    beta = result.power_law.beta if result.power_law else None
    law = f", by a power law of exponent {estimate(beta)}" if beta else ""
    return f"Repairs come {result.trend.verdict}{law}."


def difference_in_words(result: RepeatedRepairs) -> str:
    """No more than the test bears; empty where no two groups are compared."""
    found = result.comparison
    if found is None or result.compared is None:
        return ""
    one, other = (group_name(result, group) for group in result.compared)
    measured = f"{_times(found.ratio)}, {_chance(found.p_value)}"
    if found.p_value > 1 - found.level:
        return f"The records show no difference between {one} and {other}: {measured}."
    often = "more often" if found.t > 0 else "less often"
    return f"{_first_up(one)} is repaired {often} than {other}: {measured}."


def _times(ratio: Estimate) -> str:
    if isinf(ratio.value):
        return "the second was never repaired where both were seen"
    if not ratio.value:
        return "the first was never repaired where both were seen"
    return f"{number(ratio.value)} times as often ({_span(ratio)})"


def _first_up(text: str) -> str:
    return text[0].upper() + text[1:]


def _ends_with_repair(result: RepeatedRepairs) -> Iterator[Block]:
    if 2 * result.ends_with_repair > result.places:
        yield Paragraph(
            f"Caution: {result.ends_with_repair:,} of {counted(result.places, 'place')} were last seen in a repair. "
            "Vehicles that come for repairs alone make repairs look too frequent; visits without one, written down as "
            "well, would mend that."
        )


# tables --------------------------------------------------------------------------------------------------------------


def _means(result: RepeatedRepairs, units: Units) -> Iterator[Block]:
    yield Heading("Repairs so far, by distance")
    columns = (
        Column(f"Distance, {units.distance}", wide=True),
        Column("Repairs so far", "right"),
        Column("(95 %)"),
        Column("Places still seen", "right"),
    )
    rows: list[tuple[str, ...]] = []
    told = distances_told(result, units)
    for group, curve in result.curves.items():
        if result.by:
            rows.append((f"{_first_up(group_name(result, group))}: {counted(len(curve.histories), 'place')}",))
        until = seen_until(curve)
        rows += [_row(curve, km, units) for km in told if curve.since < km <= until]
    yield Table(columns, tuple(rows))
    for group, curve in result.curves.items():
        of = f" of {group_name(result, group)}" if result.by else ""
        if curve.since:
            yield Paragraph(
                f"Repairs{of} are counted from {units.show_distance(curve.since)}, the first distance seen.", "small"
            )
        for begin, end in (gap for gap in curve.gaps if gap[1] < seen_until(curve)):
            span = f"{units.show_distance(begin)} and {units.show_distance(end)}"
            yield Paragraph(f"Between {span} no place{of} was seen, and nothing is known.", "small")


def _row(curve: MeanCumulative, km: float, units: Units) -> tuple[str, ...]:
    mean = curve.at(km)
    seen = float(curve.histories.at_risk(np.array([km]))[0])
    return units.show_number(km), number(mean.value), f"({_span(mean)})", f"{seen:,.0f}"


def _compared(result: RepeatedRepairs, found: MeanComparison, units: Units, figures: Figures) -> Iterator[Block]:
    assert result.compared is not None
    yield Heading("Two groups compared")
    yield from drawn(figures, "difference")
    groups = tuple(_first_up(group_name(result, group)) for group in result.compared)
    columns = (Column("Over the distance in which both were seen", wide=True), *(Column(g, "right") for g in groups))
    yield Table(
        columns,
        (
            ("Places", *(f"{seen:,}" for seen in found.units)),
            ("Repairs", *(f"{repairs:,.0f}" for repairs in found.events)),
        ),
    )
    span = f"{units.show_number(found.since)} to {units.show_distance(found.until)}"
    most = " The two groups with most repairs are compared." if len(result.curves) > 2 else ""
    yield Paragraph(
        f"{difference_in_words(result)} Both were seen from {span}.{most} The ratio supposes that it is the same at "
        "every distance; a difference is not yet a cause, since the groups may differ in what else is done to them."
    )


def _trend(result: RepeatedRepairs, units: Units) -> Iterator[Block]:
    if result.trend is None or result.power_law is None:
        yield Paragraph(f"Nothing can be said: {result.untold}.")
        return
    yield Paragraph(_tested(result.trend, result.by))
    yield Paragraph(_meaning(result.trend))
    yield Heading("Power law", 2)
    yield _law(result.power_law, _law_km(result, units), units)
    if result.power_law.dispersion is not None:
        yield Paragraph(_dispersion(result.power_law.dispersion))


def _tested(trend: Trend, by: str) -> str:
    test = trend.robust if trend.by == "robust" and trend.robust else trend.military
    together = " of all groups together" if by else ""
    return (
        f"{_first_up(trend.verdict)}: {TESTS[trend.by]}, {_chance(test.p_value)} (two-sided, judged at "
        f"{show_share(trend.level)}), on {trend.repairs:,.0f} repairs of {trend.systems:,} places{together}. Each "
        "place is compared with the middle of its own distance."
    )


def _meaning(trend: Trend) -> str:
    return {
        "more often with distance": (
            "This is the trend of all repairs with the odometer. Pieces that wear out show it while most places wait "
            "for their first repair, however good the new ones are: it does not say that repairs are done badly."
        ),
        "less often with distance": (
            "This is the trend of all repairs with the odometer. Early failures show it, and a cure that holds shows "
            "it: it does not say which."
        ),
        "no trend to be seen": "That is not the same as no trend: with few repairs hardly any can be seen.",
    }[trend.verdict]


def _law_km(result: RepeatedRepairs, units: Units) -> float:
    """Where the pace is told: at the farthest distance told of all groups."""
    assert result.power_law is not None
    return max(distances_told(result, units), default=result.power_law.end)


def _law(law: PowerLaw, km: float, units: Units) -> Table:
    columns = (Column("Mean repairs by a distance = (distance / scale) ^ exponent", wide=True), Column("Value (95 %)"))
    rows = (
        ("Exponent (above 1: more and more often)", estimate(law.beta)),
        ("Scale, by which a place has had one repair on the mean", units.show_estimate(law.eta)),
        (f"Repairs from 0 to {units.show_distance(km)}", estimate(law.expected(0.0, km))),
        (
            f"Distance between repairs at the pace of {units.show_distance(km)}",
            units.show_estimate(law.mean_distance(km)),
        ),
    )
    return Table(columns, rows)


def _dispersion(dispersion: float) -> str:
    spread = f"The places' own counts vary {number(dispersion)} times as much as chance alone would make them"
    if dispersion > UNLIKE:
        return (
            f"{spread}: the places are not alike, and the intervals of the power law are too narrow. Go by the repairs "
            "so far by distance."
        )
    if dispersion < ALIKE:
        return (
            f"{spread}, as where a new piece goes in and a spell without repairs follows. The power law takes a place "
            "as being as old after a repair as before: go by the repairs so far by distance, not by a forecast of it."
        )
    return f"{spread}: that speaks neither for nor against the power law."


def counts_in_words(result: RepeatedRepairs) -> str:
    """How many repairs on how many places and vehicles."""
    places = counted(result.places, "place")
    return f"{counted(result.repairs, 'repair')} on {places} of {counted(result.vehicles, 'vehicle')}"


def _evidence(result: RepeatedRepairs, units: Units) -> Iterator[str]:
    yield f"{counts_in_words(result)}, seen over {units.show_distance(result.distance)} together"
    if not result.mode and result.repairs:
        rest = result.repairs - result.found
        yield (
            f"Of the repairs {result.found:,} cured a failure found then or before; {rest:,} were made without one on "
            "record, ahead or with other work"
        )
    for name, (thing, why) in LEFT_OUT.items():
        if count := getattr(result.left_out, name):
            yield f"Left out: {counted(count, thing)} {why}"
    if result.curves:
        yield f"Told as far as {100 * FEW:.0f} % of the places, and {LEAST} where there are {2 * LEAST}, are still seen"
