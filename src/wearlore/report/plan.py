"""The plan -> its sheet: the calendar first, then the strategy of each mode, and what is left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from itertools import groupby
from math import inf

from wearlore.answers.plan import MaintenancePlan
from wearlore.estimate import Estimate
from wearlore.plan import PER, Job, Kind, ModePlan, Option, Service
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
            *unheld_modes(result.plan.modes, units, terms.horizon),
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
        f"{money_told(found.grouped, units)} per {told_distance(units)}"
    )
    if round(per_distance(found.saving, units)) > 0:
        return f"{said}; opening things once for several of them saves {money_told(found.saving, units)}."
    return f"{said}."


def unheld_modes(modes: Sequence[ModePlan], units: Units, horizon: float) -> Iterator[Block]:
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
        range_told(chosen.cost, units),
        show_share(chosen.risk.value),
        _other(others[0], units) if others else "nothing else",
        show_share(mode.record_share),
    )


def _other(option: Option, units: Units) -> str:
    broken = "" if option.held else ", breaks the ceiling"
    return f"{strategy_in_words(option, units)}, {whole(per_distance(option.cost.value, units))}{broken}"


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


# money ---------------------------------------------------------------------------------------------------------------


def told_distance(units: Units) -> str:
    """The distance for which money is told: ``100,000 km``."""
    return f"{_per(units):,.0f} {units.distance}"


def per_distance(money: float, units: Units) -> float:
    """Money per 100,000 km as money per `told_distance`."""
    return money * units.to_km(_per(units)) / PER


def _per(units: Units) -> float:
    return 100_000.0 if units.distance in ("km", "miles") else 1_000.0


def money_told(money: float, units: Units) -> str:
    return units.show_money(per_distance(money, units))


def range_told(cost: Estimate, units: Units) -> str:
    return f"{whole(per_distance(cost.value, units))} ({ends_told(cost, units)})"


def ends_told(cost: Estimate, units: Units) -> str:
    return f"{whole(per_distance(cost.low, units))} to {whole(per_distance(cost.high, units))}"


def whole(money: float) -> str:
    return f"{round(money):,}"
