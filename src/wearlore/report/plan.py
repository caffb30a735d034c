"""The plan -> its sheets: the calendar, the strategies, one mode in detail, and an interval between changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from itertools import groupby
from math import inf

from wearlore.answers.plan import FluidInterval, MaintenancePlan, PlannedMode
from wearlore.estimate import Estimate
from wearlore.plan import PER, Change, Job, Kind, Measured, ModePlan, Option, Service
from wearlore.report.card import when
from wearlore.report.sheet import (
    NO_FIGURES,
    Block,
    Bullets,
    Callout,
    Column,
    Figures,
    Heading,
    Paragraph,
    Sheet,
    Table,
    counted,
    drawn,
)
from wearlore.units import Units, show_share

DOING: dict[Kind, str] = {
    "inspect": "Looked for",
    "renew": "Renewed at an age",
    "run-to-failure": "Left until it fails",
}
ACTS = {"cure": "Cure now", "inspect": "Look", "renew": "Renew"}
SUPPOSED = (
    "In the long run each mode is cared for in the same way for ever; what a cure renews counts from new.",
    "Each mode fails by itself: that a renewal spares another mode of the same piece is not counted.",
    "Planned work falls on a service, to which the vehicle comes anyway: only a failure pays for a visit of its own.",
    "What a look shows is renewed at that service; a false alarm makes it look once more.",
    "Beyond 400,000 km, of which no record tells, the hazard stays as it is there.",
)
ALONE = (
    "Money is of each mode alone, all access paid. Where another strategy seems cheaper, access shared with others "
    "makes up for it, or a ceiling forbids it."
)
SMALL = (
    "Renewal at an age: Barlow & Proschan (1965). Looking: the delay-time model of Christer & Waller (1984), with the "
    "book's lead. Strategies in the sense of SAE JA1011. In brackets 95 % of what records and judgement allow. The "
    "maker's service schedule comes first: this plan adds to it and replaces none of it."
)
CHANGED = {
    "life": "lives",
    "renewal": "the renewal",
    "consequence": "what a failure costs beyond the renewal",
    "look": "a look",
}
THEN: dict[Kind, str] = {
    "run-to-failure": "leaving it until it fails",
    "renew": "renewing at an age",
    "inspect": "looking",
}


def maintenance_plan(result: MaintenancePlan, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """The calendar first, then why."""
    terms = result.terms
    return Sheet(
        kind="Maintenance plan",
        title=f"{result.vehicle}, {result.variant}" if result.vehicle else f"{result.family}, {result.variant}",
        made_on=made_on,
        facts=(
            ("Family", result.family),
            *((("Odometer", units.show_odometer(result.km)),) if result.vehicle else (("From", "new"),)),
            ("Service", f"every {units.show_distance(terms.service_every)}"),
            ("Risks", f"within {units.show_distance(terms.horizon)}"),
        ),
        blocks=(
            Paragraph(_lead(result, units), "lead"),
            *_unheld(result.plan.modes, units, terms.horizon),
            Heading("Calendar"),
            *drawn(figures, "calendar"),
            *_calendar(result, units),
            Heading("What each mode is planned for, and why"),
            _strategies(result, units),
            Paragraph(ALONE),
            *_ceilings(result.plan.modes, units, terms.horizon),
            *_left_out(result),
            Heading("What is supposed"),
            Bullets(SUPPOSED),
        ),
        small_print=SMALL,
    )


def _lead(result: MaintenancePlan, units: Units) -> str:
    found = result.plan
    count = {kind: sum(mode.chosen.kind == kind for mode in found.modes) for kind in DOING}
    said = (
        f"Of {counted(len(found.modes), 'failure mode')} {count['inspect']} are looked for, {count['renew']} "
        f"renewed at an age, and {count['run-to-failure']} left until they fail. Together that costs "
        f"{_money(found.grouped, units)} per {told_distance(units)}"
    )
    if round(per_distance(found.saving, units)) > 0:
        return f"{said}; opening things once for several of them saves {_money(found.saving, units)}."
    return f"{said}."


def _unheld(modes: Sequence[ModePlan], units: Units, horizon: float) -> Iterator[Block]:
    for mode in modes:
        if mode.unheld and mode.ceiling is not None:
            text = (
                f"The least that any of them leaves is {show_share(mode.chosen.risk.value)} within "
                f"{units.show_distance(horizon)}, against a ceiling of {show_share(mode.ceiling)}. Then the piece "
                "itself must be changed, or its owner must decide knowing that."
            )
            yield Callout("WARNING", f"No task keeps {mode.name} below its ceiling", text)


# calendar ------------------------------------------------------------------------------------------------------------


def _calendar(result: MaintenancePlan, units: Units) -> Iterator[Block]:
    if not any(service.jobs for service in result.services):
        yield Paragraph(f"Nothing is planned over the next {units.show_distance(result.ahead)}.")
        return
    columns = (Column(""), Column("What"), Column("Because of", wide=True))
    rows: list[tuple[str, ...]] = []
    for same in alike(result.services):
        at = ", ".join(f"{units.from_km(service.km):,.0f}" for service in same)
        each = " each" if len(same) > 1 else ""
        rows.append((f"At {at} {units.distance}: {units.show_money(same[0].money)}{each} beside the service",))
        rows += [_job(job, result) for job in sorted(same[0].jobs, key=lambda job: [*ACTS].index(job.kind))]
    yield Table(columns, tuple(rows))
    if any(job.guessed for service in result.services for job in service.jobs):
        yield Paragraph("* Its age is not known and taken as the vehicle's: show that it is younger, or renew it.")


def alike(services: Sequence[Service]) -> list[list[Service]]:
    """Services one after another at which the same is done."""
    return [[*same] for jobs, same in groupby(services, key=lambda service: service.jobs) if jobs]


def _job(job: Job, result: MaintenancePlan) -> tuple[str, str, str]:
    what = result.names[job.inspection or job.remedy]
    places = [unit.partition("/")[2] for unit in job.units if "/" in unit]
    if places and job.kind != "inspect":
        what += f" ({', '.join(places)})"
    return ACTS[job.kind], f"{what}{' *' if job.guessed else ''}", "; ".join(result.names[m] for m in job.modes)


# strategies ----------------------------------------------------------------------------------------------------------


def _strategies(result: MaintenancePlan, units: Units) -> Table:
    columns = (
        Column("Failure mode", wide=True),
        Column("Every", "right"),
        Column(f"{units.currency} per {told_distance(units)}", "right"),
        Column("Fails", "right"),
        Column("The next best", spare=True),
        Column("Record", "right", spare=True),
    )
    rows: list[tuple[str, ...]] = []
    for kind, title in DOING.items():
        of_kind = [mode for mode in result.plan.modes if mode.chosen.kind == kind]
        if of_kind:
            rows.append((title,))
            rows += [_strategy(mode, units) for mode in sorted(of_kind, key=lambda mode: -mode.chosen.cost.value)]
    return Table(columns, tuple(rows))


def _strategy(mode: ModePlan, units: Units) -> tuple[str, ...]:
    chosen = mode.chosen
    every = units.show_number(chosen.every) if chosen.every < inf else "–"
    others = [option for option in mode.options if option.kind != chosen.kind]
    return (
        f"{mode.mode}{' (asked)' if mode.asked else ''}",
        every,
        _range(chosen.cost, units),
        show_share(chosen.risk.value),
        _other(others[0], units) if others else "nothing else",
        show_share(mode.record_share),
    )


def _other(option: Option, units: Units) -> str:
    broken = "" if option.held else ", breaks the ceiling"
    return f"{strategy_in_words(option, units)}, {_whole(per_distance(option.cost.value, units))}{broken}"


def strategy_in_words(option: Option, units: Units) -> str:
    """``look every 20,000 km``."""
    if option.kind == "run-to-failure":
        return "until it fails"
    verb = "look" if option.kind == "inspect" else "renew"
    return f"{verb} {'every' if option.kind == 'inspect' else 'at'} {units.show_distance(option.every)}"


def _ceilings(modes: Sequence[ModePlan], units: Units, horizon: float) -> Iterator[Block]:
    capped = [mode for mode in modes if mode.ceiling is not None]
    if not capped:
        return
    yield Heading(f"Chance of a failure within {units.show_distance(horizon)}, where it must not be high")
    columns = (
        Column("Failure mode", wide=True),
        Column("May bring"),
        Column("Planned", "right"),
        Column("Ceiling", "right"),
        Column("Left until it fails", "right"),
    )
    yield Table(
        columns,
        tuple(
            (
                mode.mode,
                mode.severity,
                show_share(mode.chosen.risk.value),
                show_share(mode.ceiling or 0.0),
                show_share(next(o.risk.value for o in mode.options if o.kind == "run-to-failure")),
            )
            for mode in capped
        ),
    )


def _left_out(result: MaintenancePlan) -> Iterator[Block]:
    said = {
        "Ended for good by one renewal, since the piece fitted now no longer has it": result.ended,
        "Not planned for, since nothing in the book cures it with the tools at hand": result.uncured,
        "Not planned for, of neither record nor judgement": result.unknown,
    }
    items = tuple(f"{why}: {', '.join(modes)}." for why, modes in said.items() if modes)
    yield from when(items, Heading("What is left out"), Bullets(items))


# one mode ------------------------------------------------------------------------------------------------------------


def planned_mode(result: PlannedMode, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """Its strategies with their money and risk, and what would change the answer."""
    mode, horizon = result.mode, result.terms.horizon
    lead = result.lead
    seen = f"{units.show_distance(lead.at)} ({_between(lead.between, units)})" if lead else "not seen coming"
    return Sheet(
        kind="Plan for a failure mode",
        title=f"{mode.name} ({mode.mode})",
        made_on=made_on,
        facts=(
            ("On", f"{result.vehicle}, {result.variant}" if result.vehicle else result.variant),
            ("It is", f"{'hidden' if mode.hidden else 'evident'}; may bring: {mode.severity}"),
            ("Lead", seen),
            ("Renewal", f"{result.names[mode.remedy]}, {units.show_money(mode.planned)} at a service, alone"),
            ("Failure", f"{units.show_money(mode.failure)} with its visit and all that it brings"),
            *((("Look", f"{units.show_money(mode.look)}, shows {show_share(mode.sensitivity)}"),) if mode.look else ()),
        ),
        blocks=(
            Paragraph(_mode_lead(result, units), "lead"),
            *_unheld([mode], units, horizon),
            *drawn(figures, "cost"),
            Heading("Strategies, cheapest first"),
            _options(result, units),
            Heading("What would change the answer"),
            *_changes(result, units),
            Heading("What is supposed"),
            Bullets(SUPPOSED),
        ),
        small_print=SMALL,
    )


def _between(between: tuple[float, float], units: Units) -> str:
    return f"{units.show_number(between[0])} to {units.show_number(between[1])}"


def _mode_lead(result: PlannedMode, units: Units) -> str:
    mode, chosen = result.mode, result.mode.chosen
    by = f" ({result.names[chosen.inspection]})" if chosen.inspection else ""
    what = strategy_in_words(chosen, units)
    money = f"{_money(chosen.cost.value, units)} per {told_distance(units)} ({_ends(chosen.cost, units)})"
    said = f"{'As asked' if mode.asked else 'Best'}: {what}{by}, at {money}."
    cheaper = mode.options[0]
    if not cheaper.held and cheaper.kind != chosen.kind:
        said += (
            f" {strategy_in_words(cheaper, units).capitalize()} would cost less, but the chance of a failure within "
            f"{units.show_distance(result.terms.horizon)} would be {show_share(cheaper.risk.value)}, against a ceiling "
            f"of {show_share(mode.ceiling or 0.0)}."
        )
    if mode.best_every:
        best = mode.best_every
        ends = _between((best.low, best.high), units)
        said += f" Unrounded, and alone, the cheapest distance is {units.show_distance(best.value)} ({ends})."
    return said


def _options(result: PlannedMode, units: Units) -> Table:
    hidden = result.mode.hidden
    several = len(result.mode.options) > 1
    columns = (
        Column("Strategy", wide=True),
        Column(f"{units.currency} per {told_distance(units)}", "right"),
        *((Column("Cheapest", "right"),) if several else ()),
        Column(f"Fails within {units.show_distance(result.terms.horizon)}", "right"),
        *((Column("There unnoticed", "right"),) if hidden else ()),
    )
    rows = tuple(
        (
            _named(option, result, units),
            _range(option.cost, units),
            *((chance(option.cheapest),) if several else ()),
            f"{show_share(option.risk.value)} ({show_share(option.risk.low)} to {show_share(option.risk.high)})",
            *((f"{show_share(option.unnoticed)} of the distance",) if hidden else ()),
        )
        for option in result.mode.options
    )
    return Table(columns, rows)


def chance(share: float) -> str:
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def _named(option: Option, result: PlannedMode, units: Units) -> str:
    by = f": {result.names[option.inspection]}" if option.inspection else ""
    return f"{strategy_in_words(option, units)}{by}{'' if option.held else ' (breaks the ceiling)'}"


def _changes(result: PlannedMode, units: Units) -> Iterator[Block]:
    if not result.changes:
        yield Paragraph("Nothing within ten times or a tenth of money and lives, as far as money decides.")
        return
    yield Bullets(tuple(_change(change, result, units) for change in result.changes))


def _change(change: Change, result: PlannedMode, units: Units) -> str:
    mode = result.mode
    money = {"renewal": mode.planned, "consequence": mode.failure - mode.planned, "look": mode.look}.get(
        change.what, 0.0
    )
    told = f" ({units.show_money(money * change.factor)})" if money else ""
    much = "long" if change.what == "life" else "dear"
    times = f"{CHANGED[change.what]} {change.factor:.2g} times as {much}{told}"
    return f"Were {times}, {THEN[change.kind]} would cost least."


# an interval between changes -----------------------------------------------------------------------------------------


def fluid_interval(result: FluidInterval, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """What an interval costs in changes and in the lives that go with it."""
    choice = result.choice
    return Sheet(
        kind="Interval between changes",
        title=f"{result.names[result.component]} ({result.component})",
        made_on=made_on,
        facts=(
            ("On", result.variant),
            ("A change", units.show_money(choice.change)),
            ("Now", f"{units.show_distance(choice.usual)} (median of the records)"),
            ("Records", f"9 in 10 lives with {_between(choice.measured, units)} {units.distance}"),
        ),
        blocks=(
            Paragraph(_interval_lead(result, units), "lead"),
            *when(choice.beyond, Paragraph("Caution: the records hold no such intervals. It is extrapolated.")),
            *drawn(figures, "interval"),
            Heading("What each interval costs"),
            _intervals(result, units),
            Heading("Lives that go with the interval"),
            _aged(result, units),
            Heading("What is supposed"),
            Bullets(
                (
                    "The ratio of lives is the same over every step of the interval, and due to the interval itself: "
                    "who changes late may also drive harder.",
                    "Modes without a proven effect cost the same at every interval and are left away.",
                    "The maker's interval and its warranty come first.",
                )
            ),
        ),
        small_print=SMALL,
    )


def _interval_lead(result: FluidInterval, units: Units) -> str:
    best, saving = result.choice.best, result.choice.saving
    per = told_distance(units)
    said = (
        f"Changing the {result.names[result.component].lower()} every {units.show_distance(best.value)} costs least "
        f"(95 %: {_between((best.low, best.high), units)})."
    )
    against = f"{said} Against {units.show_distance(result.choice.usual)}"
    if saving.low > 0:
        return f"{against} it saves {_money(saving.value, units)} per {per}."
    return f"{against} no saving is proven ({_signed(saving, units)} per {per})."


def _signed(money: Estimate, units: Units) -> str:
    value, low, high = (_whole(per_distance(end, units)) for end in (money.value, money.low, money.high))
    return f"{units.currency} {value}, {low} to {high}"


def _intervals(result: FluidInterval, units: Units) -> Table:
    choice = result.choice
    columns = (
        Column(f"Every, {units.distance}", wide=True),
        Column(f"{units.currency} per {told_distance(units)}", "right"),
    )
    rows = []
    for every, cost in zip(choice.every, choice.cost, strict=True):
        best = " (least)" if every == choice.best.value else ""
        beyond = "" if choice.measured[0] <= every <= choice.measured[1] else ", beyond the records"
        rows.append((f"{units.from_km(every):,.0f}{best}{beyond}", _range(cost, units)))
    return Table(columns, tuple(rows))


def _aged(result: FluidInterval, units: Units) -> Table:
    columns = (
        Column("Failure mode", wide=True),
        Column("Of an interval longer by", "right"),
        Column("lives are times as long", "right"),
    )
    return Table(columns, tuple(_effect(effect, units) for effect in result.choice.modes))


def _effect(effect: Measured, units: Units) -> tuple[str, str, str]:
    ratio = effect.ratio
    return effect.mode, units.show_distance(effect.step), f"{ratio.value:.2f} ({ratio.low:.2f} to {ratio.high:.2f})"


# money ---------------------------------------------------------------------------------------------------------------


def told_distance(units: Units) -> str:
    """The distance for which money is told: ``100,000 km``."""
    return f"{_per(units):,.0f} {units.distance}"


def per_distance(money: float, units: Units) -> float:
    """Money per 100,000 km as money per `told_distance`."""
    return money * units.to_km(_per(units)) / PER


def _per(units: Units) -> float:
    return 100_000.0 if units.distance in ("km", "miles") else 1_000.0


def _money(money: float, units: Units) -> str:
    return units.show_money(per_distance(money, units))


def _range(cost: Estimate, units: Units) -> str:
    return f"{_whole(per_distance(cost.value, units))} ({_ends(cost, units)})"


def _ends(cost: Estimate, units: Units) -> str:
    return f"{_whole(per_distance(cost.low, units))} to {_whole(per_distance(cost.high, units))}"


def _whole(money: float) -> str:
    return f"{round(money):,}"
