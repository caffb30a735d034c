"""Did forecasts hold -> the sheet: forecast beside what happened, in words, mode by mode, in scores."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from wearlore.answers.hindsight import FamilyHindsight, ModeHindsight, TrackRecord
from wearlore.hindsight import Coverage, Tally
from wearlore.report.calibration import score_table
from wearlore.report.card import when
from wearlore.report.sheet import (
    NO_FIGURES,
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
from wearlore.units import Units, show_share

SMALL = (
    "Each piece fails with a chance of its own, by the life model as it was known at the cut-off; counts by exact "
    "convolution (Poisson-binomial), averaged over what is not known of the life. Held: the part of the probability "
    "integral transform of counts (Czado, Gneiting & Held 2009) within the level. CRPS: Gneiting & Raftery 2007. Brier "
    "score: Murphy 1973. Modes beyond chance: Holm 1979. Modes are taken as independent of each other."
)
UNLIKELY = 0.05


def family_hindsight(result: FamilyHindsight, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """The verdict in words, every mode, whether the intervals were right, scores, what is counted."""
    return Sheet(
        kind="Hindsight",
        title=result.family,
        made_on=made_on,
        facts=(
            ("Held out", span_in_words(result.hold_out)),
            ("Cut-off", result.cut_off.isoformat()),
            ("Records end", result.end.isoformat()),
            ("Seen in them", f"{result.seen:,} of {counted(result.vehicles, 'vehicle')}"),
            ("Driven", units.show_distance(result.distance)),
            ("Failure modes", f"{len(result.modes):,}"),
        ),
        blocks=(
            Paragraph(" ".join(whole_in_words(result.verdict.sum, result.verdict.most)), "lead"),
            Paragraph(" ".join(verdict_in_words(result))),
            Heading("Were the intervals right?"),
            coverage_table(result),
            *drawn(figures, "pit"),
            *when(not figures, _bins(result)),
            Heading("Mode by mode, furthest off first"),
            *drawn(figures, "forecasts"),
            modes_table(result.modes),
            Paragraph(off_by_chance(result)),
            Heading("Better than guessing?"),
            Paragraph(against_naive(result)),
            scores_table(result),
            Heading("What is counted"),
            Bullets(tuple(counts(result, units))),
        ),
        small_print=SMALL,
    )


def track_record(record: TrackRecord | None) -> Paragraph:
    """One line for any sheet that shows a forecast."""
    if record is None:
        return Paragraph("The records are too short to hold forecasts against what happened.", "small")
    told = " ".join(whole_in_words(record.sum, record.most))
    return Paragraph(f"Held against the last {span_in_words(record.hold_out)}: {told[0].lower()}{told[1:]}", "small")


def span_in_words(hold_out: str) -> str:
    """``12m`` -> ``12 months``."""
    number, unit = int(hold_out.strip()[:-1]), hold_out.strip()[-1]
    return counted(number, {"m": "month", "y": "year"}[unit])


def whole_in_words(whole: Tally, most: Coverage) -> Iterator[str]:
    """``557 failures were forecast (517 to 597), 550 happened. Of 40 failure modes, 37 lay within …``"""
    yield (
        f"{whole.expected:,.0f} failures were forecast ({whole.most[0]:,} to {whole.most[1]:,}), "
        f"{whole.happened:,} happened."
    )
    yield (
        f"{most.whole:,} of {counted(most.of, 'failure mode')} lay within their {show_share(most.level)} interval; "
        f"right forecasts would make it {most.whole_expected:.0f}."
    )


def verdict_in_words(result: FamilyHindsight) -> Iterator[str]:
    """What the comparison bears, and no more."""
    whole, most = result.verdict.sum, result.verdict.most.held
    if whole.off < UNLIKELY:
        side = "many" if whole.happened < whole.expected else "few"
        by = abs(whole.expected - whole.happened) / max(whole.happened, 1)
        yield f"On the whole too {side} were forecast, by {show_share(by)} of what happened, more than chance makes it."
    else:
        yield "The total is no further off than chance makes it."
    if most.high < result.verdict.most.level:
        yield "The intervals are too narrow: more lies outside than they say."
    elif most.low > result.verdict.most.level:
        yield "The intervals are wider than they need to be."
    else:
        yield "Nothing speaks against the intervals."
    if beyond := [row.name for row in result.modes if row.beyond_chance]:
        yield f"Further off than chance makes it among so many: {', '.join(beyond)}."


def modes_table(rows: tuple[ModeHindsight, ...]) -> Table:
    columns = (
        Column("Failure mode", wide=True),
        Column("At risk", "right", spare=True),
        Column("Forecast", "right"),
        Column("50 %", spare=True),
        Column("90 %"),
        Column("Happened", "right"),
        Column("Off by", "right"),
        Column("Chance", "right"),
    )
    return Table(columns, tuple(_row(row) for row in rows))


def _row(row: ModeHindsight) -> tuple[str, ...]:
    told = row.tally
    pieces = f"{row.pieces:,} {'looks' if row.noticed == 'hidden' else 'pieces'}"
    most = f"{told.most[0]} to {told.most[1]}"
    off = told.happened - told.expected
    return (
        f"{row.name}{'' if told.within else ' *'}",
        pieces,
        number_of(told.expected),
        f"{told.half[0]} to {told.half[1]}",
        most,
        f"{told.happened:,}",
        f"{'+' if off > 0 else '-' if off < 0 else ''}{number_of(abs(off))}",
        chance_told(told.off),
    )


def number_of(value: float) -> str:
    return f"{value:.1f}" if value < 100 else f"{value:,.0f}"


def off_by_chance(result: FamilyHindsight) -> str:
    few = sum(row.tally.off < UNLIKELY for row in result.modes)
    by_chance = UNLIKELY * len(result.modes)
    return (
        "* outside the 90 % interval. Chance: of being at least so far off, were the forecast right. It is below "
        f"{UNLIKELY} for {few} of {len(result.modes)}; right forecasts would have {by_chance:.0f} such on the mean."
    )


def coverage_table(result: FamilyHindsight) -> Table:
    columns = (
        Column("Intervals of", wide=True),
        Column("Held, %", "right"),
        Column("(95 %)"),
        Column("Whole numbers: held", "right"),
        Column("Right ones would", "right"),
    )
    rows = [
        (
            show_share(one.level),
            f"{100 * one.held.value:.0f}",
            f"({100 * one.held.low:.0f} to {100 * one.held.high:.0f})",
            f"{one.whole} of {one.of}",
            f"{one.whole_expected:.0f}",
        )
        for one in (result.verdict.half, result.verdict.most)
    ]
    return Table(columns, tuple(rows))


def _bins(result: FamilyHindsight) -> Table:
    """The PIT histogram, where nothing is drawn."""
    bins = result.verdict.bins
    low, high = result.verdict.bins_by_chance
    columns = (
        Column("Where what happened fell in its forecast", wide=True),
        Column("Modes", "right"),
        Column("By chance"),
    )
    names = ("lowest fifth", "second", "middle", "fourth", "highest fifth")
    rows = tuple((name, f"{value:.1f}", f"{low} to {high}") for name, value in zip(names, bins, strict=True))
    return Table(columns, rows)


def against_naive(result: FamilyHindsight) -> str:
    ours, naive = result.verdict.crps, result.naive_error
    said = f"The forecasts miss by {ours:.1f} failures a mode (CRPS)"
    other = f"“as many as in the {span_in_words(result.hold_out)} before” would have missed by {naive:.1f}"
    return (
        f"{said}; {other}." if ours < naive else f"{said}; {other}, which is no more: the forecasts add nothing here."
    )


def scores_table(result: FamilyHindsight) -> Table:
    pieces = result.pieces
    named = (
        ("Bias", pieces.bias, "mean chance less the share that failed; 0 is best"),
        ("Brier score", pieces.brier, "mean squared distance of each chance from 1 (failed) or 0 (not); 0 is best"),
        ("… reliability", pieces.reliability, "its part from chances that are off; 0 is best"),
        ("… resolution", pieces.resolution, "taken away: how far pieces were told apart; more is better"),
        ("… uncertainty", pieces.uncertainty, "of giving every piece the share of all that failed"),
        ("Skill", pieces.skill, "share of that uncertainty saved; 1 is best, below 0 worse than the share of all"),
    )
    return score_table("Piece by piece", pieces.error.level, named, 4)


def counts(result: FamilyHindsight, units: Units) -> Iterator[str]:
    pieces = sum(row.pieces for row in result.modes)
    begun = sum(row.begun for row in result.modes)
    unknown, failed = (sum(getattr(row, name) for row in result.modes) for name in ("unknown", "unknown_failed"))
    yield (
        f"Known: what the records say up to and including {result.cut_off.isoformat()}, and the book as it is now. "
        f"Forecast: {pieces:,} pieces and looks at pieces after it. {begun:,} of these are of pieces fitted since, "
        "counted from then."
    )
    yield (
        f"Taken as it was, not forecast: how far each vehicle ran ({units.show_distance(result.distance)} in all), and "
        "when somebody looked for a hidden failure."
    )
    yield "Evident failures count when they are noted; hidden ones when a look finds them."
    yield "Renewals for another reason are forecast by how often pieces of that age had them before."
    yield "Faults found and not cured at the cut-off are no forecast and left out."
    if unknown:
        yield f"Left out: {unknown:,} pieces and looks at pieces of unknown age; {failed:,} of them failed."
    if result.silent:
        yield f"Nothing was at risk of: {', '.join(result.silent)}"
    if result.not_known:
        yield f"Neither a record nor a judgement at the cut-off: {', '.join(result.not_known)}"
