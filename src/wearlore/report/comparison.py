"""Which lasts longer, and what speeds up what -> their sheets: no word stronger than the verdict of the result."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import floor, inf, isinf, log10

from wearlore.answers import AcceleratedLives, ComparedLives, spoken, spoken_step
from wearlore.estimate import Estimate
from wearlore.life.acceleration import Acceleration, FamilyFactor
from wearlore.life.compare.regression import Ratio, Regression
from wearlore.life.compare.verdict import CHANCE, POWER, Contrast, Level, LifeComparison, rounded_up
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
    chance_told,
    counted_lives,
    drawn,
)
from wearlore.units import Units, show_share

VERDICTS = {"alike": "no difference that matters", "open": "cannot tell yet"}
OF_LEVEL = VERDICTS | {"longer": "lasts longer", "shorter": "does not last as long"}
OF_STEP = VERDICTS | {"longer": "lives are longer", "shorter": "lives are shorter"}
SAME = 1e-6  # a ratio that near 1 is 1
FAR = 1e7  # km; an interval that runs beyond is told as one without an end
SMALL = (
    "Ratio of lives: how many times as long one lasts as the other; accelerated-failure-time regression, profile-"
    "likelihood intervals at 95 % (Meeker & Escobar 1998, ch. 17). Log-rank: Klein & Moeschberger 2003, section 7.3; "
    "Peto & Peto 1972; failures between two looks shared out after Sun 1996. Hazard ratio: Cox 1972, Efron's ties. "
    "Chances: chi-square, of Cox's ratio normal. Several contrasts: Holland & Copenhaver 1987. More failures: enough "
    "to tell a ratio of {worth} with a chance of {power}, shared among the groups as so far."
)
SMALL_ACCELERATION = (
    "Cumulative exposure (Nelson 1990; Cox & Oakes 1984, section 5.2). Records alone: profile likelihood; the chance "
    "is of the likelihood-ratio test against a factor of 1. Together: the judged factor as a lognormal prior, times "
    "the likelihood integrated over the life (Laplace's method)."
)


# comparison --------------------------------------------------------------------------------------------------------


def compared_lives(result: ComparedLives, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """Lives by one covariate: the sentences, then the levels, the ratios and the tests behind them."""
    found = result.comparison
    equal = " and ".join(spoken(name) for name in found.beside)
    return Sheet(
        kind="Comparison of lives",
        title=f"{result.name} ({result.mode}), by {spoken(result.by)}",
        made_on=made_on,
        facts=(
            ("Compared by", spoken(result.by)),
            *((("Held equal", equal),) if equal else ()),
            ("Lives", f"{found.better.total:,.0f}"),
            ("Failures", f"{found.better.failures:,.0f}"),
        ),
        blocks=(
            *(Paragraph(sentence, "lead") for sentence in result.sentences),
            *drawn(figures, "curves"),
            *(_levels(result, units) if found.levels else ()),
            Heading("How many times as long"),
            *drawn(figures, "ratios"),
            _contrasts(found),
            *when(
                found.caution,
                Paragraph("One ratio does not hold early and late: the levels' own distances above tell more."),
            ),
            Heading("Tests"),
            Paragraph(_whole(found)),
            _tests(found),
            *when(
                found.cox_absent, Paragraph(f"Cox's hazard ratio, a check, is not given: {found.cox_absent}.", "small")
            ),
            *_fit(found, figures),
            *_left_out(result),
        ),
        small_print=SMALL.format(worth=f"{found.worth_telling:g}", power=show_share(POWER)),
    )


def ratio_shown(estimate: Estimate) -> str:
    """``1.67 (1.57 to 1.78)``; an end that the records do not bound is said in words."""
    low, high = times(estimate.low), times(estimate.high)
    bounded = estimate.low > 0, not isinf(estimate.high)
    if estimate.value in (0.0, inf):
        return f"over {low}" if bounded[0] else f"under {high}" if bounded[1] else "any"
    span = {(True, True): f"{low} to {high}", (True, False): f"over {low}", (False, True): f"under {high}"}
    return f"{times(estimate.value)} ({span.get(bounded, 'no limits')})"


def times(ratio: float) -> str:
    """A ratio to two decimals, to two digits when small, to more near 1: what is not 1 is not shown as 1."""
    if not 0 < ratio < inf:
        return f"{ratio:g}"
    digits = 2 if 0.1 <= ratio < 10 else max(0, 1 - floor(log10(ratio)))
    if abs(ratio - 1) > SAME:
        while float(f"{ratio:.{digits}f}") == 1:
            digits += 1
    return f"{ratio:,.{digits}f}"


def _levels(result: ComparedLives, units: Units) -> Iterator[Block]:
    yield Heading("On their own records")
    columns = (
        Column(spoken(result.by).capitalize(), wide=True),
        Column("Lives", "right", spare=True),
        Column("Failed", "right"),
        Column(f"At risk, {units.distance}", "right", spare=True),
        Column(f"1 in 10 failed by, {units.distance}"),
        Column(f"Half failed by, {units.distance}"),
    )
    yield Table(columns, tuple(_level(level, units) for level in result.comparison.levels))


def _level(level: Level, units: Units) -> tuple[str, ...]:
    b10, b50 = (_distance(estimate, units) for estimate in (level.b10, level.b50))
    return level.name, f"{level.lives:,.0f}", f"{level.failures:,.0f}", units.show_number(level.at_risk), b10, b50


def _distance(estimate: Estimate | None, units: Units) -> str:
    """``142,000 (118,000 to 171,000)``, in the unit that the column names."""
    if estimate is None:
        return "not determined"
    value, low, high = (
        "under 1" if units.from_km(end) < 1 else units.show_number(end)
        for end in (estimate.value, estimate.low, estimate.high)
    )
    if min(estimate.value, estimate.high) > FAR:
        return f"over {low if estimate.low < FAR else units.show_number(FAR)}"
    return f"{value} (over {low})" if estimate.high > FAR else f"{value} ({low} to {high})"


def _contrasts(found: LifeComparison) -> Table:
    """A row for each contrast: by the better family, and beside it by the other as far as it determines a ratio."""
    first = found.contrasts[0].ratio
    other = found.regressions[1:]
    more = any(each.more_failures for each in found.contrasts)
    columns = (
        Column(f"Beside {first.against}" if first.against else f"{spoken(found.what).capitalize()}", wide=True),
        Column(f"By {found.better.dist.name}"),
        *(Column(f"By {each.dist.name}", spare=True) for each in other),
        Column("Chance if none", "right"),
        Column("Verdict"),
        *((Column("More failures", "right", spare=True),) if more else ()),
    )
    return Table(columns, tuple(_contrast(each, found.what, other)[: len(columns)] for each in found.contrasts))


def _contrast(contrast: Contrast, what: str, other: tuple[Regression, ...]) -> tuple[str, ...]:
    ratio, more = contrast.ratio, contrast.more_failures
    beside = (beside_ratio(regression, what, ratio.level) for regression in other)
    return (
        ratio.level if ratio.against else spoken_step(what, ratio.level),
        ratio_shown(ratio.estimate),
        *(ratio_shown(each.estimate) if each else "" for each in beside),
        chance_told(ratio.p),
        (OF_LEVEL if ratio.against else OF_STEP)[contrast.verdict],
        f"about {rounded_up(more):,}" if more else "",
    )


def beside_ratio(regression: Regression, what: str, level: str) -> Ratio | None:
    """The ratio of the same contrast by another family."""
    return next((each for each in regression.ratios if each.term == what and each.level == level), None)


def _whole(found: LifeComparison) -> str:
    """Whether single differences may be claimed, and which tests decide that."""
    tests = "the likelihood ratio of the better family, judged strictly (by F) since no log-rank test stands beside it"
    if found.levels and not found.beside:
        tests = "log-rank (all failures alike) and the likelihood ratio of the better family, each below 5 %"
    if found.different:
        return f"As a whole the lives differ, so single differences may be claimed. What decides: {tests}."
    return f"As a whole no difference is shown, so no single one is claimed. What decides: {tests}."


def _tests(found: LifeComparison) -> Table:
    columns = (
        Column("Test", wide=True),
        Column("Statistic", "right", spare=True),
        Column("Chance if none", "right"),
        Column("It says"),
    )
    return Table(columns, tuple(_test_rows(found)))


def _test_rows(found: LifeComparison) -> Iterator[tuple[str, ...]]:
    decides = {True: "a difference" if found.different else "not enough by itself", False: "no difference shown"}
    for name, test in (
        ("Log-rank, all failures alike", found.log_rank),
        ("Log-rank, early failures more", found.early),
    ):
        if test is not None:
            yield name, f"{test.chi2:.1f} on {test.df}", chance_told(test.p), decides[test.p < CHANCE]
    for regression in found.regressions:
        statistic, df, p = regression.tests[found.what]
        yield (
            f"Likelihood ratio, {regression.dist.name}",
            f"{statistic:.1f} on {df}",
            chance_told(p),
            decides[p < CHANCE],
        )
    if found.levels:
        yield ("One ratio, early and late", *_common(found))
    for hazard in found.cox.ratios if found.cox else ():
        if hazard.term == found.what:
            against = f" beside {hazard.against}" if hazard.against else ""
            says = f"hazard ratio {ratio_shown(hazard.estimate)}"
            yield f"Cox, a check: {hazard.level}{against}", "", chance_told(hazard.p), says


def _common(found: LifeComparison) -> tuple[str, str, str]:
    test = found.common_sigma
    if test is None:
        return "", "", "cannot be told"
    says = "not fair: the lives spread differently" if test.p < CHANCE else "no different spread shown"
    return f"{test.statistic:.1f} on {test.df}", chance_told(test.p), says


def _fit(found: LifeComparison, figures: Figures) -> Iterator[Block]:
    yield Heading("Does the family suit")
    better, *other = found.regressions
    if other:
        by = f"{other[0].aicc - better.aicc:,.1f} in AICc"
        said = f"Of {better.dist.name} and {other[0].dist.name} lives the former suit these records better, by {by}"
    else:
        said = f"Only {better.dist.name} lives are determined by these records"
    where = "The residuals below show" if "residuals" in figures else "The chart of residuals (--out) shows"
    yield Paragraph(f"{said}. {where} whether they suit well.")
    yield from drawn(figures, "residuals")


def _left_out(result: ComparedLives) -> Iterator[Block]:
    none_failed = [level.name for level in result.comparison.levels if not level.failures]
    items = []
    if result.unknown:
        items.append(f"Left out: {counted_lives(result.unknown)} of which the covariates are not known")
    if none_failed:
        items.append(f"None has failed yet: {', '.join(none_failed)}; this bounds a ratio on one side only")
    items.append(_no_proof(result))
    yield Heading("What it rests on")
    yield Bullets(tuple(items))


def _no_proof(result: ComparedLives) -> str:
    """What a ratio of lives does not say."""
    held = "" if result.comparison.beside else " (--beside holds it equal)"
    said = f"No proof of a cause: what else goes with the {spoken(result.by)} looks the same{held}."
    money = "Lives only: what a shorter interval costs is not weighed here."
    return f"{said} {money}" if result.by.startswith("interval:") else said


# acceleration ------------------------------------------------------------------------------------------------------


def accelerated_lives(result: AcceleratedLives, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """One mode while another is present: the verdict, the factor on each basis, and what it rests on."""
    found = result.acceleration
    return Sheet(
        kind="Acceleration",
        title=f"{result.name} ({result.mode}), while {result.by} is present",
        made_on=made_on,
        facts=(
            ("Fails", result.name),
            ("While present", result.by_name),
            ("Rests on", f"{show_share(found.record_share)} record, {show_share(1 - found.record_share)} judgement"),
        ),
        blocks=(
            Paragraph(
                f"Does “{result.by_name}” shorten the life to “{result.name}”? "
                f"{found.sentence[:1].upper()}{found.sentence[1:]}.",
                "lead",
            ),
            Paragraph(_meaning(result, units)),
            *drawn(figures, "factor"),
            Heading("Judgement and record side by side"),
            _factors(found),
            *when(found.reason, Paragraph(f"Records alone determine no factor: {found.reason}.")),
            Heading("What it rests on"),
            _exposure(found, units),
            *when(
                result.left_out,
                Bullets(
                    (f"Left out: {counted_lives(result.left_out)} of which it is not known whether it was present",)
                ),
            ),
            Paragraph("No proof of a cause: a harsher duty that brings on both faults looks the same."),
        ),
        small_print=SMALL_ACCELERATION,
    )


def _meaning(result: AcceleratedLives, units: Units) -> str:
    """By the factor that the records show, else by one that is only an example."""
    found = result.acceleration
    per = units.to_km(10_000 if units.distance in ("km", "miles") else 100)
    shown = found.verdict == "shortens" and found.record is not None and found.record.value < inf
    factor = found.record.value if shown and found.record else 2.0
    begins = "That means: while" if shown else "What a factor of 2 would mean: while"
    return (
        f"{begins} “{result.by_name}” is present, the unit ages {factor:.2g} times as fast towards “{result.name}”. "
        f"Then {units.show_distance(per)} use up as much of its life as {units.show_distance(per * factor, 2)} without."
    )


def _factors(found: Acceleration) -> Table:
    columns = (
        Column("Basis", wide=True),
        Column("Ages so many times as fast"),
        Column("Family", spare=True),
        Column("Chance if 1", "right"),
        Column("Record", "right"),
    )
    rows = (
        ("judgement alone", ratio_shown(found.judged), "", "", "none"),
        *(_by_records(family) for family in found.families),
        ("together", ratio_shown(found.together), found.dist.name, "", show_share(found.record_share)),
    )
    return Table(columns, rows)


def _by_records(family: FamilyFactor) -> tuple[str, ...]:
    return "records alone", ratio_shown(family.factor), family.dist.name, chance_told(family.p_value), "all"


def _exposure(found: Acceleration, units: Units) -> Table:
    columns = (Column("Distance run", wide=True), Column(units.distance, "right"), Column("Failed", "right"))
    return Table(
        columns,
        (
            ("with the other fault present", units.show_number(found.exposed), f"{found.exposed_failures:,.0f}"),
            ("without it", units.show_number(found.unexposed), f"{found.unexposed_failures:,.0f}"),
        ),
    )
