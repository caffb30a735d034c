"""Can traces be trusted -> the sheet: what was said beside what was found, in words, by bins, in scores."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from math import isinf
from pathlib import PurePath

from wearlore.answers.calibration import Miss, TraceCalibration
from wearlore.estimate import Estimate
from wearlore.report.card import when
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
    drawn,
)
from wearlore.trace.calibration import Bin, Calibration
from wearlore.units import Units, show_share

SMALL = (
    "Share that was there: Jeffreys intervals (Brown, Cai & DasGupta 2001). Calibration error: Naeini, Cooper & "
    "Hauskrecht 2015. Brier score = reliability - resolution + uncertainty (Murphy 1973) + within bins (Stephenson, "
    "Coelho & Jolliffe 2008). By chance alone: what right chances would give (Bröcker & Smith 2007)."
)
KEEP = "wearlore trace VEHICLE --saw OBSERVATION --keep"
TELL = "wearlore found VEHICLE --confirmed MODE --refuted MODE --odometer N"


def trace_calibration(result: TraceCalibration, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """The verdict in words, the bins, the scores, the worst misses, what is counted and what is not."""
    compared = result.calibration
    return Sheet(
        kind="Calibration of traces",
        title=result.family,
        made_on=made_on,
        facts=(
            ("Traces kept", f"{result.traces:,}"),
            ("Chances stated", f"{result.predictions:,}"),
            ("Of these compared", f"{result.resolved:,}"),
        ),
        blocks=(
            *(_compared(result, compared, units, figures) if compared else _nothing_yet(result)),
            *when(result.predictions, Heading("What is counted"), Bullets(tuple(counts(result, units)))),
        ),
        small_print=SMALL if compared else "",
    )


def _nothing_yet(result: TraceCalibration) -> Iterator[Block]:
    kept = f"{counted(result.predictions, 'chance')} of {counted(result.traces, 'trace')}"
    if not result.predictions:
        yield Paragraph("No trace has been kept yet, so there is nothing to compare and nothing to draw.", "lead")
        yield Paragraph(f"Trace faults and keep what is said: {KEEP}")
        yield Paragraph(f"Then, after the work, say what was found: {TELL}")
    else:
        yield Paragraph(f"Nothing can be compared and drawn yet: {kept} kept, none found out in question.", "lead")
        yield Paragraph(f"After the work, say what was found: {TELL}")


def _compared(result: TraceCalibration, compared: Calibration, units: Units, figures: Figures) -> Iterator[Block]:
    yield Paragraph(f"{fullest_in_words(compared)} {verdict_in_words(compared)}", "lead")
    yield Paragraph(
        "Only what somebody looked at can be counted, and people look first at what is likely: of causes that nobody "
        "looked at, this says nothing."
    )
    yield from drawn(figures, "reliability")
    yield from compared_figures(result, compared, units)


def compared_figures(result: TraceCalibration, compared: Calibration, units: Units) -> Iterator[Block]:
    """Bins, scores and misses."""
    yield Heading("What was said, and what was there")
    yield _bins(compared)
    yield Heading("Scores")
    yield _scores(compared)
    if result.misses:
        yield Heading("Furthest from what was found")
        yield Paragraph(
            "Some are always there: of chances of 10 %, one in ten comes true. Look for what these have in common."
        )
        yield _misses(result.misses, units)


def fullest_in_words(compared: Calibration) -> str:
    """The fullest bin of likely causes, and the fullest of others."""
    sides = [[one for one in compared.bins if (one.low >= 0.5) == likely] for likely in (True, False)]
    return " ".join(bin_in_words(max(side, key=lambda one: one.count)) for side in sides if side)


def bin_in_words(one: Bin) -> str:
    """``Of 412 causes given 60 to 70 %, 66 % were there (61 to 71).``"""
    ends = f"({_span(one.share.low, one.share.high)})"
    was = "was" if one.count == 1 else "were"
    return f"Of {counted(one.count, 'cause')} given {_edges(one)} %, {percent(one.share.value)} % {was} there {ends}."


def verdict_in_words(compared: Calibration) -> str:
    """What calibration error and bias bear, and no more."""
    over = f"Over all {counted(compared.count, 'cause')} the stated chances are off by {_points(compared.error.value)}"
    bias = compared.bias
    by = f"by {_points(abs(bias.value))} ({_span(*sorted((abs(bias.low), abs(bias.high))))})"
    if bias.low > 0:
        whole = f"On the whole too much was said, {by}: take them as too high."
    elif bias.high < 0:
        whole = f"On the whole too little was said, {by}: take them as too low."
    elif compared.beyond_chance:
        whole = "Too much was said of some and too little of others: the bins show of which."
    else:
        whole = f"Nothing speaks against them; they may be off by up to {_points(compared.error.high)}."
    if compared.beyond_chance:
        most = percent(compared.by_chance.high)
        return (
            f"{over} ({_span(compared.error.low, compared.error.high)}), more than chance alone, up to {most}. {whole}"
        )
    return f"{over}, no more than chance alone would make it. {whole}"


def _span(low: float, high: float) -> str:
    return f"{percent(low)} to {percent(high)}"


def percent(share: float) -> str:
    """Without its sign: ``66``; below 10 with one digit, ``4.1``."""
    value = 100 * share
    return f"{value:.1f}" if 0 < round(value, 1) < 10 and value != round(value) else f"{value:.0f}"


def _points(share: float) -> str:
    return f"{percent(share)} percentage points"


def _edges(one: Bin) -> str:
    return _span(one.low, one.high)


def _bins(compared: Calibration) -> Table:
    columns = (
        Column("Chance stated, %", wide=True),
        Column("On the mean", "right"),
        Column("Causes", "right"),
        Column("There", "right", spare=True),
        Column("There, %", "right"),
        Column(f"({show_share(compared.base_rate.level)})"),
    )

    def row(label: str, stated: float, count: int, found: int, share: Estimate) -> tuple[str, ...]:
        ends = f"({_span(share.low, share.high)})"
        return label, percent(stated), f"{count:,}", f"{found:,}", percent(share.value), ends

    mean = sum(one.stated * one.count for one in compared.bins) / compared.count
    rows = [row(_edges(one), one.stated, one.count, one.found, one.share) for one in compared.bins]
    rows.append(row("All", mean, compared.count, compared.found, compared.base_rate))
    return Table(columns, tuple(rows), totals=1)


def _scores(compared: Calibration) -> Table:
    named = (
        ("Bias", compared.bias, "mean of what was said less the share of all that was there; 0 is best"),
        ("Calibration error", compared.error, "mean distance of said and found, over bins; 0 is best"),
        ("… by chance alone", compared.by_chance, "what it would be were every chance right"),
        ("Brier score", compared.brier, "mean squared distance of each chance from 1 (there) or 0 (not); 0 is best"),
        ("… reliability", compared.reliability, "its part from bins that are off; 0 is best"),
        ("… resolution", compared.resolution, "taken away: how far bins differ in what was there; more is better"),
        ("… uncertainty", compared.uncertainty, "of always stating the share of all that was there"),
        ("… within bins", compared.within, "from chances that differ within a bin"),
        ("Skill", compared.skill, "share of that uncertainty saved; 1 is best, below 0 is worse than the share of all"),
        ("Log score", compared.log_score, "mean of -ln of the chance left to what was found; 0 is best"),
    )
    return score_table("Score", compared.error.level, named, 3)


def score_table(kind: str, level: float, named: Sequence[tuple[str, Estimate | None, str]], digits: int) -> Table:
    """Scores with their intervals and what each of them is; None: it cannot be told, all was alike."""
    columns = (
        Column(kind),
        Column("Value", "right"),
        Column(f"({show_share(level)})"),
        Column("What it is", wide=True, spare=True),
    )
    return Table(columns, tuple((name, *_score(score, digits), what) for name, score, what in named))


def _score(score: Estimate | None, digits: int) -> tuple[str, str]:
    if score is None:
        return "none", "(all was alike)"
    value, low, high = (_number(x, digits) for x in (score.value, score.low, score.high))
    return value, f"({low} to {high})"


def _number(value: float, digits: int) -> str:
    nothing = f"{0:.{digits}f}"
    return "no end" if isinf(value) else f"{value:.{digits}f}".replace(f"-{nothing}", nothing)


def _misses(misses: tuple[Miss, ...], units: Units) -> Table:
    columns = (
        Column("Vehicle"),
        Column("Cause", wide=True),
        Column("Stated", "right"),
        Column("Found"),
        Column("Date", spare=True),
        Column("Odometer", "right", spare=True),
        Column("Text", spare=True),
        Column("File and line"),
    )
    rows = tuple(
        (
            miss.vehicle,
            miss.cause,
            show_share(miss.stated),
            "there" if miss.found else "not there",
            miss.found_on.isoformat(),
            units.show_odometer(miss.found_km),
            miss.text,
            f"{PurePath(miss.file).name}:{miss.line}",
        )
        for miss in misses
    )
    return Table(columns, rows)


def counts(result: TraceCalibration, units: Units) -> Iterator[str]:
    yield (
        f"Compared: {result.resolved:,} that were in question and were found there or not there, on the same day or "
        f"later, within {units.show_distance(result.within)} of the trace. What failed on that way counts as there."
    )
    if result.open:
        yield f"Open: {result.open:,} of which nothing was found. They are not guessed."
    if result.superseded:
        yield f"Left out: {result.superseded:,} stated before another trace of the same cause; the last one counts"
    if result.beside:
        yield f"Left out: {result.beside:,} that could not be behind what was seen, though something was found of them"
    if result.gone:
        yield f"Left out: {result.gone:,} of failure modes that the book no longer has"
    yield "What is found is taken as independent from cause to cause."
