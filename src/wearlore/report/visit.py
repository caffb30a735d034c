"""The advice for a visit -> its sheet: what is in, what is left, each with its reason in money and distance."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from itertools import groupby
from math import isinf

from wearlore.answers import VisitScope
from wearlore.estimate import Estimate
from wearlore.report.card import in_hours, when
from wearlore.report.sheet import Block, Bullets, Column, Heading, Paragraph, Sheet, Table
from wearlore.scope import REASONS, Advice, Reason, Scope
from wearlore.units import Units, show_share

MAY_BE = "(?)"  # marks a unit that may have failed already
NEAR = 0.02  # chance within the horizon below which a unit left is not listed one by one


def visit_scope(visit: VisitScope, units: Units, made_on: date) -> Sheet:
    """The scope of one visit with its reasons, and the two habits beside it."""
    scope, terms = visit.scope, visit.terms
    return Sheet(
        kind="Scope of the visit",
        title=f"{visit.vehicle.id}, {visit.vehicle.variant}",
        made_on=made_on,
        facts=(
            ("Odometer", units.show_odometer(visit.vehicle.km)),
            ("Found", ", ".join(f"{fault.mode} ({fault.unit})" for fault in sorted(terms.must)) or "nothing yet"),
            *_probable(visit),
            *_open(visit),
            *((("Left out", f"{', '.join(visit.unknown)}: neither record nor judgement"),) if visit.unknown else ()),
            ("Horizon", f"{units.show_distance(terms.horizon)} at {units.show_distance(terms.per_year)} a year"),
            ("This visit", f"{units.show_money(scope.visit_cost)}, {in_hours(scope.hours)}"),
        ),
        blocks=(
            Heading("Do in this visit"),
            *when(scope.chosen, _table(_done(visit, units)), Paragraph(_overlap(scope))),
            *when(["none"] * (not scope.chosen), Paragraph("Nothing: no fault is named, and nothing else pays now.")),
            *_left(visit, units),
            Heading("Beside two habits"),
            *beside_habits(visit, units),
            *missing_tools(scope, units),
            *_gap(scope),
        ),
        small_print=(
            f"Amounts in {units.currency}. Needed: the chance of needing a cure within the horizon if left. Now: "
            "what it adds to this visit. Later: expected and discounted, over the horizon; in brackets 95 % of "
            "what records and judgement allow. Shared: labour that other work of the visit carries. Margin: how "
            "much dearer the best plan with the opposite answer would be. Turns at: the odometer at which the "
            "answer changes, all else as it is; empty: not within the horizon either way. --json holds every "
            "interval."
        ),
    )


def beside_habits(visit: VisitScope, units: Units) -> tuple[Block, ...]:
    """The long run of the advice and of the two habits, and what else simulating them taught."""
    return (
        _habits(visit, units),
        Paragraph(
            f"Simulated: {visit.long_run.runs:,} courses of events, the same for all three; discounted; in brackets "
            "95 % for the mean. Each rule is kept at this visit and at every later one.",
            "small",
        ),
        Paragraph(_learned(visit, units)),
        *_tried(visit, units),
        *_best(visit, units),
    )


def _probable(visit: VisitScope) -> Iterator[tuple[str, str]]:
    """Faults that may be there, each with its chance, the likeliest first."""
    ranked = sorted(visit.terms.probable.items(), key=lambda one: (-one[1], one[0]))
    if said := [f"{fault.mode} ({fault.unit}) {show_share(chance)}" for fault, chance in ranked]:
        yield "Probable", f"{', '.join(said)}; marked {MAY_BE} below"


def _open(visit: VisitScope) -> Iterator[tuple[str, str]]:
    """Faults that the records hold as found and not cured, beyond those named for this visit."""
    named = {(fault.unit, fault.mode) for fault in visit.terms.must | visit.terms.probable.keys()}
    found = [(unit.name, state.mode) for unit in visit.vehicle.units for state in unit.modes if state.present]
    if still := [f"{mode} ({unit})" for unit, mode in found if (unit, mode) not in named]:
        yield "Open on record", f"{', '.join(still)}; name it with --fault to have it cured"


COLUMNS = ("Needed", "Now", "Later, left", "Later, done", "Shared", "Margin", "Turns at")
SPARE = ("Later, left", "Later, done", "Shared")


def _table(rows: Iterable[tuple[str, ...]]) -> Table:
    return Table(
        (
            Column("Unit"),
            Column("Remedy (source grade)", wide=True),
            *(Column(name, "right", spare=name in SPARE) for name in COLUMNS),
        ),
        tuple(rows),
    )


def _done(visit: VisitScope, units: Units) -> Iterator[tuple[str, ...]]:
    """What is done, reason by reason, the surest first."""
    ranked = sorted(visit.scope.chosen, key=lambda a: (list(REASONS).index(a.reason), -a.margin, a.unit))
    for (reason, because), rows in groupby(ranked, key=lambda a: (a.reason, a.because)):
        yield (_why(reason, because),)
        yield from (_row(advice, visit, units) for advice in rows)


def _why(reason: Reason, because: tuple[str, ...]) -> str:
    said = REASONS[reason]
    return said[0].upper() + said[1:] + (f" ({', '.join(because)})" if because else "")


def _left(visit: VisitScope, units: Units) -> tuple[Block, ...]:
    left = [advice for advice in visit.scope.advice if not advice.chosen]
    listed = sorted((a for a in left if _near(a)), key=lambda a: (list(REASONS).index(a.reason), a.margin, a.unit))
    if not listed:
        return ()
    rows: list[tuple[str, ...]] = []
    for (reason, because), group in groupby(listed, key=lambda a: (a.reason, a.because)):
        rows += [(_why(reason, because),), *(_row(advice, visit, units) for advice in group)]
    others = len(left) - len(listed)
    rest = f"Not listed: {others} that share no work with this visit, needed with a chance under {show_share(NEAR)}."
    return Heading("Leave"), _table(rows), *when(["others"] * (others > 0), Paragraph(rest, "small"))


def _near(advice: Advice) -> bool:
    return advice.chance.value >= NEAR or advice.hours_shared > 0 or advice.reason in ("refused", "no-tool")


def _row(advice: Advice, visit: VisitScope, units: Units) -> tuple[str, ...]:
    doubtful = any(fault.unit == advice.unit for fault in visit.terms.probable)
    unit = f"{advice.unit} {MAY_BE}" if doubtful else advice.unit
    if advice.remedy is None:
        return unit, "", show_share(advice.chance.value), "", f"{advice.later_left.value:,.0f}", "", "", "", ""
    return (
        unit,
        f"{advice.remedy} ({advice.grade})" if advice.grade else advice.remedy,
        show_share(advice.chance.value),
        f"{advice.cost_now:,.0f}",
        f"{advice.later_left.value:,.0f}",
        f"{advice.later_done.value:,.0f}",
        in_hours(advice.hours_shared) if advice.hours_shared > 0 else "none",
        "settled" if isinf(advice.margin) else f"{advice.margin:,.0f}",
        "" if advice.flip_odometer is None else units.show_number(advice.flip_odometer),
    )


def _overlap(scope: Scope) -> str:
    saved = scope.hours_alone - scope.hours
    return f"Together {in_hours(scope.hours)}. Each on a visit of its own would take {in_hours(saved)} more."


def _habits(visit: VisitScope, units: Units) -> Table:
    """The advice and the two habits: this visit, and the long run on the same lives."""
    scope, run = visit.scope, visit.long_run
    columns = (
        Column("", wide=True),
        Column("Units now", "right", spare=True),
        Column("This visit", "right", spare=True),
        Column(f"With the next {units.show_distance(visit.terms.horizon)}", "right"),
        Column("Beyond the advice", "right"),
        Column("Visits", "right", spare=True),
    )
    first = ("Follow this advice", len(scope.chosen), scope.visit_cost, "advice")
    habits = (
        ("Cure only what failed", len(scope.only_failed.units), scope.only_failed.visit_cost, "only failed"),
        ("Renew all within reach", len(scope.all_in_reach.units), scope.all_in_reach.visit_cost, "all in reach"),
    )
    rows = (
        (
            name,
            f"{count}",
            units.show_money(now),
            _money(run.policies[policy].cost, units),
            _money(run.beyond[policy], units) if policy in run.beyond else "",
            f"{run.policies[policy].visits:.1f}",
        )
        for name, count, now, policy in (first, *habits)
    )
    return Table(columns, tuple(rows))


def _learned(visit: VisitScope, units: Units) -> str:
    """What simulating the advice taught of the set-up of later visits."""
    share, gain = visit.learned.share, visit.learned.gain
    if gain.value > 0:
        return (
            f"Learned by simulating the advice: other work will carry {show_share(share)} of the set-up of later "
            f"visits. To reckon with that costs {_money(gain, units)} less than to weigh each later visit alone."
        )
    if share > 0:
        return f"As the terms say, other work will carry {show_share(share)} of the set-up of later visits."
    return (
        "Simulated also as if other work carried part of the set-up of later visits: to reckon with that is not better "
        "beyond doubt, so each later visit is weighed alone."
    )


def _tried(visit: VisitScope, units: Units) -> Iterator[Block]:
    """The closest calls, simulated the other way."""
    tried = visit.tried
    if tried.turned is not None:
        done = "done" if any(one.unit == tried.turned for one in visit.scope.chosen) else "left"
        yield Paragraph(
            f"By its own measure the advice would answer the other way for {tried.turned}. Simulated, with it {done} "
            f"now and the advice followed later, that costs {_money(tried.gain, units)} less."
        )
    elif tried.units:
        yield Paragraph(
            f"The closest calls ({', '.join(tried.units)}) were simulated the other way as well: none is better beyond "
            "doubt."
        )


def _best(visit: VisitScope, units: Units) -> Iterator[Block]:
    """How far the advice is from what no rule can fall below."""
    if visit.best is not None:
        within = visit.best.within
        yield Paragraph(
            f"No rule that acts on what has failed and on the distance can cost less than "
            f"{units.show_money(visit.best.least)}: this advice is within {show_share(within.value)} of the best "
            f"possible ({show_share(within.low)} to {show_share(within.high)})."
        )


def missing_tools(scope: Scope, units: Units) -> tuple[Block, ...]:
    """What each tool that is missing would have saved."""
    if not scope.tools:
        return ()
    said = tuple(
        f"{tool}: with it this plan would cost {units.show_money(saved)} less" for tool, saved in scope.tools.items()
    )
    return Heading("Tools missing here"), Bullets(said)


def _gap(scope: Scope) -> tuple[Block, ...]:
    if scope.proof == "OPTIMAL":
        return ()
    return (Paragraph(f"Stopped at the time limit: the best plan may be {show_share(scope.gap)} cheaper."),)


def _money(estimate: Estimate, units: Units) -> str:
    return f"{units.show_money(estimate.value)} ({estimate.low:,.0f} to {estimate.high:,.0f})"
