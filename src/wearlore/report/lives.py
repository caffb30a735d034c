"""What fails when -> its sheets: the family in one table, one mode in detail."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import isfinite
from pathlib import PurePath

from wearlore.answers import Basis, FamilyLives, ModeStudy, ModeSummary, SurvivalPoint
from wearlore.estimate import Estimate
from wearlore.lives import Evidence
from wearlore.report.card import when
from wearlore.report.depth import depth_blocks
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
    counted,
    counted_lives,
    drawn,
)
from wearlore.units import Units, show_share

SMALL = (
    "B10 and B50: the distance by which 1 in 10, and half, have failed; in brackets 95 % of what records and judgement "
    "allow. Record: the share of that knowledge which comes from records; the rest is judgement."
)
BAR = 24
LISTED = 100  # failures on record that a page lists
LEFT_OUT = {
    "unknown_start": "began before the records, at an unknown age",
    "never_looked": "were never looked at, and the mode is hidden",
    "at_entry": "had failed at the very visit with which the records begin, and were seen because of it",
    "no_distance": "ended without failure at the distance at which they began",
    "contradicted": "found failed on a revision that cannot have the mode",
}


def family_lives(lives: FamilyLives, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """Every mode of the family, soonest first."""
    failures = sum(row.evidence.failures for row in lives.rows)
    return Sheet(
        kind="What fails when",
        title=lives.family,
        made_on=made_on,
        facts=(
            ("Vehicles", f"{lives.vehicles:,}"),
            ("Failure modes", f"{len(lives.rows):,}"),
            ("Failures on record", f"{failures:,}"),
        ),
        blocks=(*figures.values(), _summaries(lives.rows, units, "Failure mode")),
        small_print=SMALL,
    )


def mode_study(study: ModeStudy, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """One mode: judgement and record side by side, the curve as numbers, the evidence."""
    row = study.summary
    return Sheet(
        kind="Life of a failure mode",
        title=f"{row.name} ({row.mode})",
        made_on=made_on,
        facts=(
            ("Component", row.component),
            ("System", row.system),
            ("Noticed", "at once" if row.noticed == "evident" else "only when looked for"),
            ("Consequence", row.severity.replace("-", " ")),
            ("Rests on", f"{show_share(row.record_share)} record, {show_share(1 - row.record_share)} judgement"),
        ),
        blocks=(
            Paragraph(_lead(row, units), "lead"),
            *when(study.note, Paragraph(study.note)),
            *drawn(figures, "survival"),
            Heading("Judgement and record side by side"),
            _bases(study, units),
            *(Paragraph(f"Caution: {b.caution}.") for b in (study.record,) if b and b.caution),
            Heading("Still good at a distance"),
            _survival(study.points, units, bars="survival" not in figures),
            Heading("Evidence"),
            Bullets(tuple(_evidence(row.evidence, units))),
            *_families(study),
            *(depth_blocks(study.depth, units, figures) if study.depth else ()),
            *when(study.strata, Heading("Apart"), _summaries(study.strata, units, "Of which")),
            *_records(study, units),
        ),
        small_print=SMALL,
    )


def _lead(row: ModeSummary, units: Units) -> str:
    """By when it fails, and what says so."""
    on_record = f"{counted(row.evidence.failures, 'failure')} in {counted_lives(row.evidence.lives)}"
    if row.b10 is None or row.b50 is None:
        return f"Neither record nor judgement says when it fails: {on_record}."
    b10, b50 = units.show_estimate(row.b10), units.show_estimate(row.b50)
    says = f"{on_record} on record" if row.record_share else "judgement alone"
    if 0 < row.record_share < 0.5:
        says += ", and judgement, which weighs more"
    return f"1 in 10 has failed by {b10} and half by {b50}: {says}."


def _summaries(rows: tuple[ModeSummary, ...], units: Units, head: str) -> Table:
    columns = (
        Column(head, wide=True),
        Column(f"B10, {units.distance}", "right"),
        Column("(95 %)"),
        Column(f"B50, {units.distance}", "right", spare=True),
        Column("(95 %)", spare=True),
        Column("Failed", "right"),
        Column("Lives", "right", spare=True),
        Column("Record", "right"),
    )
    return Table(columns, tuple(_summary(row, units) for row in rows))


def _summary(row: ModeSummary, units: Units) -> tuple[str, ...]:
    counts = (f"{row.evidence.failures:,}", f"{row.evidence.lives:,}", show_share(row.record_share))
    if row.b10 is None or row.b50 is None:
        return (row.stratum or row.mode, "not known", "", "", "", *counts)
    return (row.stratum or row.mode, *_split(row.b10, units), *_split(row.b50, units), *counts)


def _split(estimate: Estimate, units: Units) -> tuple[str, str]:
    low, high = units.show_number(estimate.low), units.show_number(estimate.high)
    return units.show_number(estimate.value), f"({low} to {high})"


def _bases(study: ModeStudy, units: Units) -> Table:
    columns = (
        Column("Basis", wide=True),
        Column("Family", spare=True),
        Column("1 in 10 has failed by"),
        Column("Half have failed by"),
        Column("Spread", spare=True),
    )
    present = [basis for basis in (study.judgement, study.record, study.together) if basis]
    return Table(columns, tuple(_basis(basis, units) for basis in present))


def _basis(basis: Basis, units: Units) -> tuple[str, ...]:
    spread = basis.spread
    return (
        basis.basis,
        basis.family,
        units.show_estimate(basis.b10),
        units.show_estimate(basis.b50),
        f"{basis.spread_name} {_two(spread.value)} ({_two(spread.low)} to {_two(spread.high)})",
    )


def _two(number: float) -> str:
    """A shape to two digits: ``0.74``, ``3.0``, ``12``."""
    return f"{number:.2f}" if number < 1 else f"{number:.1f}" if number < 10 else f"{number:.0f}"


def _survival(points: tuple[SurvivalPoint, ...], units: Units, *, bars: bool) -> Table:
    """``bars``: drawn in characters, where there is no chart."""
    columns = (
        Column(f"Distance, {units.distance}", wide=True),
        Column("Model", "right"),
        Column("(95 %)"),
        Column("Records alone", "right"),
        Column("(95 %)"),
        *((Column("Still good", spare=True),) if bars else ()),
    )
    return Table(columns, tuple(_point(point, units)[: len(columns)] for point in points))


def _point(point: SurvivalPoint, units: Units) -> tuple[str, ...]:
    record = _share(point.record) if point.record else ("beyond the records", "")
    return units.show_number(point.km), *_share(point.model), *record, _bar(point.model)


def _bar(share: Estimate) -> str:
    """The share as a bar of `BAR` characters: full to the lower limit, shaded to the upper."""
    sure, perhaps = round(BAR * share.low), round(BAR * share.high)
    return "█" * sure + "▒" * (perhaps - sure) + "·" * (BAR - perhaps)


def _share(estimate: Estimate) -> tuple[str, str]:
    if estimate.low == estimate.high == 1:
        return show_share(1.0), "(none has failed by then)"  # no limits: records without a failure prove no 100 %
    value, low, high = (show_share(end) for end in (estimate.value, estimate.low, estimate.high))
    if low == high and low.strip("0123456789") == " %":  # whole digits that hide the interval
        value, low, high = (f"{100 * end:.1f} %" for end in (estimate.value, estimate.low, estimate.high))
    return value, f"({low} to {high})"


def _evidence(evidence: Evidence, units: Units) -> Iterator[str]:
    yield (
        f"{counted(evidence.failures, 'failure')} and {evidence.good:,} still good or ended for another reason, "
        f"on {counted(evidence.vehicles, 'vehicle')}, over {units.show_distance(evidence.distance_at_risk)} at risk"
    )
    if evidence.failures:
        yield (
            f"Of the failures {evidence.exact:,} at a known distance, {evidence.interval:,} between two looks, "
            f"{evidence.left:,} found at the first look"
        )
    if evidence.late_entry:
        yield f"Seen from an age above 0, where the records began or a clean left them: {evidence.late_entry:,}"
    for name, why in LEFT_OUT.items():
        if count := getattr(evidence, name):
            yield f"Left out: {count:,} that {why}"


def _families(study: ModeStudy) -> tuple[Block, ...]:
    if not study.ranking:
        return ()
    best = study.ranking[0].aicc
    rows = tuple((r.family, f"{r.log_likelihood:,.2f}", *(_criteria(r.aicc, best))) for r in study.ranking)
    columns = (
        Column("Family", wide=True),
        Column("Log-likelihood", "right", spare=True),
        Column("AICc", "right"),
        Column("Above the best", "right"),
    )
    return Heading("Families of distributions on the records"), Table(columns, rows)


def _criteria(aicc: float, best: float) -> tuple[str, str]:
    """AICc, and above the best; it wants two lives more than parameters."""
    return (f"{aicc:,.2f}", f"{aicc - best:,.2f}") if isfinite(aicc) else ("too few lives", "")


def _records(study: ModeStudy, units: Units) -> tuple[Block, ...]:
    if not study.records:
        return ()
    columns = (
        Column("Vehicle"),
        Column("Date"),
        Column("Odometer", "right"),
        Column("Done", spare=True),
        Column("Text", wide=True),
        Column("File and line"),
    )
    rows = tuple(
        (
            r.vehicle,
            r.date.isoformat(),
            units.show_odometer(r.km),
            r.action,
            r.text,
            f"{PurePath(r.file).name}:{r.line}",
        )
        for r in study.records[:LISTED]
    )
    rest = len(study.records) - len(rows)
    more = f"The first {LISTED} by vehicle and date; the other {rest:,} stand in the JSON of this answer (--json)."
    return Heading("The failures on record"), Table(columns, rows), *when(rest, Paragraph(more, "small"))
