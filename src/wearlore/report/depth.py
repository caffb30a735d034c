"""What lies behind a mode's life, in blocks: paper, hazard, early failures and survivors, rules, records."""

from __future__ import annotations

from collections.abc import Iterator

from wearlore.answers import Depth, EarlyShare, UnderRule
from wearlore.estimate import Estimate
from wearlore.life import FractionsStudy, Papers
from wearlore.life.fractions.study import Addition, FamilyFractions
from wearlore.life.hazard import DistanceClass
from wearlore.report.sheet import Block, Column, Figures, Heading, Paragraph, Table, chance_told, drawn
from wearlore.units import Units, show_share

RULES = {
    "left out": "left out, as everywhere else",
    "new at first sight": "new where first seen",
    "original": "the maker's own",
}
ADDED = {"early": "was faulty as fitted", "survivors": "never fails this way"}
SEEN = 1.0  # km; a class in which nobody was seen for that is not told
TINY = 1e-4  # failures; fewer are not told in digits
PER = 10_000.0  # km for which a hazard is told


def depth_blocks(depth: Depth, units: Units, figures: Figures) -> tuple[Block, ...]:
    """In the order in which one doubts: does the family fit, do new parts fail, what if the unknown ages were known."""
    return (
        *(_papers(depth.papers, figures) if depth.papers else ()),
        *_hazard(depth.hazard.classes, units, figures),
        *(_fractions(depth.fractions, depth.early_by_grade, units) if depth.fractions else ()),
        *(_rules(depth.rules, units) if depth.rules else ()),
    )


def _papers(papers: Papers, figures: Figures) -> Iterator[Block]:
    yield Heading("On probability paper")
    yield Paragraph(papers.verdict)
    yield from drawn(figures, *(f"{plot.dist.name.lower()}-paper" for plot in papers.plots))


def _hazard(classes: tuple[DistanceClass, ...], units: Units, figures: Figures) -> Iterator[Block]:
    seen = [one for one in classes if one.at_risk >= SEEN]
    if seen or "hazard" in figures:
        yield Heading("Of those still good, how many fail next")
        yield from drawn(figures, "hazard")
    per = PER if units.distance in ("km", "miles") else 100.0
    columns = (
        Column(f"Distance, {units.distance}", wide=True),
        Column("Failed", "right"),
        Column(f"At risk, {units.distance}", "right"),
        Column(f"Per {per:,.0f} {units.distance}", "right"),
        Column("(95 %)"),
    )
    if seen:
        yield Table(columns, tuple(_class(one, units, per) for one in seen))


def _class(one: DistanceClass, units: Units, per: float) -> tuple[str, ...]:
    rate, low, high = (_rate(units.to_km(per) * end) for end in (one.rate.value, one.rate.low, one.rate.high))
    span = f"{units.show_number(one.begin)} to {units.show_number(one.end)}"
    return span, f"{one.failures:,.0f}", units.show_number(one.at_risk), rate, f"({low} to {high})"


def _rate(failures: float) -> str:
    """``0.055``, ``2.1``, ``12``: to two digits."""
    if 0 < failures < TINY:
        return f"under {TINY:.4f}"
    return f"{failures:,.0f}" if failures >= 10 else f"{failures:.2g}"


def _fractions(study: FractionsStudy, by_grade: tuple[EarlyShare, ...], units: Units) -> Iterator[Block]:
    yield Heading("Early failures, and units that never fail")
    if study.leading is None:
        yield Paragraph("The records determine no such life.")
        return
    within = f"within {units.show_distance(study.early)} of the fitting"
    yield Paragraph(_verdict(study.leading.early, f"was faulty as fitted and failed {within}"))
    yield Paragraph(_verdict(study.leading.survivors, "never fails this way"))
    columns = (
        Column("Share of units that", wide=True),
        Column("Family"),
        Column("Share (95 %)"),
        Column("Chance if none", "right"),
        Column("Verdict"),
        Column("Why", spare=True),
    )
    families = sorted(study.families, key=lambda family: family is not study.leading)
    yield Table(columns, tuple(row for family in families for row in _added(family)))
    if moved := _moved(study.leading, study.early, units):
        yield Paragraph(moved, "small")
    if by_grade:
        yield Heading("Whose the early failures are", 2)
        heads = (
            Column("Source grade", wide=True),
            Column("Faulty as fitted (95 %)"),
            Column("Verdict"),
            Column("Failed", "right"),
            Column("Lives", "right"),
        )
        yield Table(heads, tuple(_by_grade(row) for row in by_grade))


def _verdict(addition: Addition, does: str) -> str:
    """What may be said of a share, by the leading family, in one sentence; no more than the verdict."""
    share, test = addition.share, addition.beside or addition.alone
    if addition.verdict == "needed" and share:
        chance = f"; chance if none {chance_told(test.p_value)}" if test else ""
        return f"A share of {_share(share)} {does}{chance}."
    if addition.verdict == "not needed" and share:
        return f"The share that {does} is {show_share(share.high)} at most, if there is one."
    return f"The records cannot tell whether a share {does}: {addition.reason}."


def _added(family: FamilyFractions) -> Iterator[tuple[str, ...]]:
    for kind, addition in (("early", family.early), ("survivors", family.survivors)):
        test = addition.alone
        chance = chance_told(test.p_value) if test else ""
        yield ADDED[kind], family.dist.name, _share(addition.share), chance, addition.verdict, addition.reason


def _by_grade(row: EarlyShare) -> tuple[str, ...]:
    return row.grade, _share(row.early.share), row.early.verdict, f"{row.failures:,.0f}", f"{row.lives:,.0f}"


def _share(share: Estimate | None) -> str:
    return f"{show_share(share.value)} ({show_share(share.low)} to {show_share(share.high)})" if share else "not known"


def _moved(family: FamilyFractions, early: float, units: Units) -> str:
    """How the early share hangs on what is called early."""
    if family.p0_halved is None or family.p0_doubled is None or family.early.verdict != "needed":
        return ""
    half, twice = units.show_distance(early / 2), units.show_distance(2 * early)
    shares = show_share(family.p0_halved), show_share(family.p0_doubled)
    return f"Called early up to {half}, the share is {shares[0]}; up to {twice}, {shares[1]}."


def _rules(rules: tuple[UnderRule, ...], units: Units) -> Iterator[Block]:
    yield Heading("If units of unknown age were treated otherwise")
    columns = (
        Column("Units whose age is not known", wide=True),
        Column("1 in 10 has failed by"),
        Column("Half have failed by"),
        Column("Failed", "right"),
        Column("Lives", "right"),
        Column("Left out", "right", spare=True),
    )
    yield Table(columns, tuple(_rule(row, units) for row in rules))
    yield Paragraph(
        "A unit taken as new where first seen has run further than that, so its life counts as too short; one taken as "
        "the maker's own may have been renewed since. Where the rows differ little, the rule does not matter.",
        "small",
    )


def _rule(row: UnderRule, units: Units) -> tuple[str, ...]:
    b10, b50 = units.show_estimate(row.b10), units.show_estimate(row.b50)
    return RULES[row.rule], b10, b50, f"{row.failures:,}", f"{row.lives:,}", f"{row.unknown_start:,}"
