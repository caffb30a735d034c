"""One mode of a plan, and an interval between changes -> their sheets: costs, and what would change the answer."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from wearlore.answers.plan import FluidInterval, PlannedMode
from wearlore.estimate import Estimate
from wearlore.plan import Change, Kind, Measured, Option
from wearlore.report.card import when
from wearlore.report.plan import (
    SMALL,
    SUPPOSED,
    ends_told,
    money_told,
    per_distance,
    range_told,
    strategy_in_words,
    told_distance,
    unheld_modes,
    whole,
)
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
    drawn,
)
from wearlore.units import Units, show_share

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
            *unheld_modes([mode], units, horizon),
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
    money = f"{money_told(chosen.cost.value, units)} per {told_distance(units)} ({ends_told(chosen.cost, units)})"
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
            range_told(option.cost, units),
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
        return f"{against} it saves {money_told(saving.value, units)} per {per}."
    return f"{against} no saving is proven ({_signed(saving, units)} per {per})."


def _signed(money: Estimate, units: Units) -> str:
    value, low, high = (whole(per_distance(end, units)) for end in (money.value, money.low, money.high))
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
        rows.append((f"{units.from_km(every):,.0f}{best}{beyond}", range_told(cost, units)))
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
