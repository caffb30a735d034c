"""The years to come of one vehicle -> their sheet: what they cost and when, what drives that, what would cost less."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from wearlore.answers import VehicleOutlook
from wearlore.estimate import Estimate
from wearlore.outlook.forecast import Driver, Forecast, Saving
from wearlore.report.card import when
from wearlore.report.hindsight import track_record
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
    counted_lives,
    drawn,
)
from wearlore.units import Units, show_share, significant

POLICIES = {
    "advice": "Follow the advice at each visit",
    "plan": "Keep to the plan",
    "only failed": "Cure only what failed",
    "all in reach": "Renew all within reach",
}
DOING = {
    "advice": "following the advice at each visit",
    "plan": "keeping to the plan",
    "only failed": "curing only what failed",
    "all in reach": "renewing all within reach",
}
APART = "Each failure by itself, nothing shared"
LISTED, LEAST = 12, 0.01  # kinds of units listed at most, and the share of the cost from which one is
SURE = 0.005  # money below which two policies cost the same
SUPPOSED = (
    "Parts, labour and consequences at the prices of today; service, fuel, tyres and what the book does not have are "
    "not in it.",
    "What is worn but still good at the end counts for nothing: no policy is paid for what it leaves fresh.",
    "A failure is cured at once. One that nobody notices costs nothing until it makes itself known, with what that "
    "brings.",
    "Pieces wear independently of each other, but for what is not known of their lives; that is shared.",
)
SMALL = (
    "Simulated visit by visit: all policies on the same courses, each unit with its own luck whatever was done before. "
    "In brackets 95 % for the expected figure: what records and judgement leave open of the lives, and the chance of "
    "so many courses. 1 in 10, half, 9 in 10: of the courses, so of vehicles like this one. Nothing shared: the whole "
    "distribution by convolution, not simulated."
)


def vehicle_outlook(outlook: VehicleOutlook, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """What it comes to and what would cost less first; then year by year, what drives it, and what it rests on."""
    told = outlook.policies[outlook.told]
    return Sheet(
        kind="Outlook",
        title=f"{outlook.vehicle.id}, {outlook.vehicle.variant}",
        made_on=made_on,
        facts=tuple(facts(outlook, units)),
        blocks=(
            *extrapolation(outlook, units),
            *_answer(outlook, told, units),
            *drawn(figures, "fan"),
            Heading("Along the way" if outlook.by_distance else "Year by year"),
            years_table(outlook, told, units),
            *drawn(figures, "years"),
            Heading("Ways of caring for it, side by side"),
            _policies(outlook, units),
            *drawn(figures, "policies"),
            *when(told.drivers, Heading("What drives the cost"), _drivers(outlook, told, units)),
            *when(told.drivers, *drawn(figures, "drivers")),
            Heading("What it rests on"),
            Paragraph(evidence_in_words(outlook, told)),
            track_record(outlook.track_record),
            Heading("What is supposed"),
            Bullets(tuple(supposed(outlook, units))),
        ),
        small_print=f"Amounts in {units.currency}. {counted(outlook.paths, 'course')} of events. {SMALL}",
    )


# ------------------------------------------------------------------------------------------------------------- words
def money(amount: float) -> str:
    """To three digits, without its currency: ``9,760``."""
    return f"{significant(amount):,.0f}"


def money_range(estimate: Estimate) -> str:
    """``9,760 (9,430 to 10,100)``."""
    return f"{money(estimate.value)} ({money(estimate.low)} to {money(estimate.high)})"


def span_in_words(outlook: VehicleOutlook, units: Units) -> str:
    """``the next 5 years``, or ``the next 100,000 km``."""
    if outlook.by_distance:
        return f"the next {units.show_distance(outlook.ahead)}"
    return "the next year" if outlook.years == 1 else f"the next {outlook.years} years"


def driver_name(outlook: VehicleOutlook, driver: Driver) -> str:
    """``Injector worn (4 of them)``; of modes that one cure renews together, all."""
    names = ", ".join(outlook.modes[mode].name for mode in driver.modes)
    return f"{names} ({len(driver.units)} of them)" if len(driver.units) > 1 else names


def listed(told: Forecast) -> tuple[Driver, ...]:
    """Those worth a line: the dearest."""
    return tuple(driver for driver in told.drivers if driver.share >= LEAST)[:LISTED] or told.drivers[:1]


def saving_of(outlook: VehicleOutlook, policy: str, over: str) -> Saving:
    """The saving of ``policy`` over another, whichever way round it was computed."""
    for one in outlook.savings:
        if (one.policy, one.over) == (policy, over):
            return one
        if (one.policy, one.over) == (over, policy):
            m = one.money
            turned = Estimate(-m.value, -m.high, -m.low, m.level)
            return Saving(policy, over, turned, 1 - one.cheaper - one.same, one.same)
    raise KeyError((policy, over))


def saving_in_words(saving: Saving, units: Units) -> str:
    """``Against curing only what failed: EUR 3,290 less (2,510 to 4,010); less in 92 % of courses.``"""
    m = saving.money
    against = f"Against {DOING.get(saving.over, saving.over)}"
    if abs(m.value) < SURE and m.high - m.low < SURE:
        return f"{against}: the same in every course."
    less, more = (f"{units.currency} {money(abs(m.value))} {side}" for side in ("less", "more"))
    if m.low < 0 < m.high:
        side = less if m.value > 0 else more
        said = f"{side} (from {money(-m.low)} more to {money(m.high)} less), so it is open which costs less"
    else:
        ends = sorted((abs(m.low), abs(m.high)))
        said = f"{less if m.value > 0 else more} ({money(ends[0])} to {money(ends[1])})"
    return f"{against}: {said}; less in {show_share(saving.cheaper)} of courses."


def share_range(estimate: Estimate) -> str:
    return f"{show_share(estimate.value)} ({show_share(estimate.low)} to {show_share(estimate.high)})"


def count_in_words(estimate: Estimate) -> str:
    if 0 < estimate.value < 0.005:
        return "under 0.01"
    return f"{estimate.value:.2f}" if estimate.value < 0.995 else f"{estimate.value:.1f}"


# -------------------------------------------------------------------------------------------------------------- head
def facts(outlook: VehicleOutlook, units: Units) -> Iterator[tuple[str, str]]:
    yield "Odometer", units.show_odometer(outlook.vehicle.km)
    yield "Ahead", _ahead(outlook, units)
    yield "Distance a year", _yearly(outlook, units)
    if outlook.found:
        yield "Cured first", ", ".join(outlook.found)
    if outlook.probable:
        yield "May be there", ", ".join(outlook.probable)
    if outlook.unknown:
        yield "Left out", f"{', '.join(outlook.unknown)}: neither record nor judgement"
    yield "Money", "of today, not discounted"


def _ahead(outlook: VehicleOutlook, units: Units) -> str:
    if outlook.by_distance:
        return f"{units.show_distance(outlook.ahead)}, in {outlook.ahead / outlook.yearly.km:.1f} years"
    return f"{counted(outlook.years, 'year')}, about {units.show_distance(outlook.ahead)}"


def _yearly(outlook: VehicleOutlook, units: Units) -> str:
    yearly = outlook.yearly
    said = units.show_distance(yearly.km)
    if not outlook.by_distance and yearly.spread > 0:
        said += f", give or take {show_share(yearly.spread)}"
    if yearly.own is not None:
        said += f"; {units.show_distance(yearly.own)} by its own record of {yearly.on_record:.1f} years"
    return said


def extrapolation(outlook: VehicleOutlook, units: Units) -> Iterator[Block]:
    if outlook.extrapolates:
        far = units.show_odometer(outlook.seen_to)
        yield Callout(
            "NOTICE",
            "Beyond all records",
            f"No vehicle on record stands beyond {far}. What is said here extrapolates: the life models are carried on "
            "to where nobody has seen them hold, and the intervals are too narrow.",
        )


def supposed(outlook: VehicleOutlook, units: Units) -> Iterator[str]:
    yield from SUPPOSED
    if "plan" in outlook.policies:
        yield "The plan works at services that are made anyway: what it does there is paid, coming in is not."
    yield from _end_of_record(outlook, units)


def _end_of_record(outlook: VehicleOutlook, units: Units) -> tuple[str, ...]:
    end = outlook.vehicle.km + outlook.ahead
    if outlook.extrapolates or end <= outlook.seen_to:
        return ()
    far = units.show_odometer(outlook.seen_to)
    return (f"It ends at about {units.show_distance(end)}; records reach to {far}: beyond, lives are extrapolated.",)


def lead_in_words(outlook: VehicleOutlook, units: Units) -> str:
    """``Following the advice at each visit, the next 5 years are expected to cost EUR 9,760, EUR 1,950 a year; …``"""
    told = outlook.policies[outlook.told]
    low, _, high = (money(amount) for amount in told.spread)
    cost = told.cost
    a_year = f", {units.currency} {money(cost.value / outlook.years)} a year" if _whole_years(outlook) else ""
    doing = DOING.get(outlook.told, outlook.told)
    return (
        f"{doing[0].upper()}{doing[1:]}, {span_in_words(outlook, units)} are expected to cost {units.currency} "
        f"{money(cost.value)}{a_year}; 8 in 10 vehicles like this one pay between {low} and {high}."
    ).replace("the next year are", "the next year is")


def _answer(outlook: VehicleOutlook, told: Forecast, units: Units) -> Iterator[Block]:
    yield Paragraph(lead_in_words(outlook, units), "lead")
    few, _, many = told.visit_spread
    visits = f"{told.visits.value:.1f} visits are expected, {few:.0f} to {many:.0f} in 8 of 10."
    if outlook.years > 1:
        visits += f" {units.show_money(significant(told.years[0].cost.value))} falls in the first year."
    yield Paragraph(
        f"{visits} The chance of being stranded at least once is {share_range(told.stranded)}, of a failure that can "
        f"damage the engine {share_range(told.damage)}."
    )
    if others := [name for name in outlook.policies if name != outlook.told]:
        savings = (saving_of(outlook, outlook.told, name) for name in others)
        yield Bullets(tuple(saving_in_words(saving, units) for saving in savings))


def _whole_years(outlook: VehicleOutlook) -> bool:
    return outlook.years > 1 and not outlook.by_distance


# ------------------------------------------------------------------------------------------------------------ tables
def year_name(outlook: VehicleOutlook, number: int, units: Units) -> str:
    """``Year 3``; of a distance, by where it ends."""
    if not outlook.by_distance:
        return f"Year {number}"
    return f"to {units.show_distance(min(number * outlook.yearly.km, outlook.ahead))}"


def years_table(outlook: VehicleOutlook, told: Forecast, units: Units) -> Table:
    columns = (
        Column("", wide=True),
        Column("Expected (95 %)", "right"),
        Column("1 in 10 below", "right", spare=True),
        Column("Half below", "right"),
        Column("1 in 10 above", "right"),
        Column("Visits", "right"),
        Column("So far, expected", "right", spare=True),
    )
    rows = tuple(
        (
            year_name(outlook, year.number, units),
            money_range(year.cost),
            *(money(amount) for amount in year.spread),
            f"{year.visits.value:.1f}",
            money(year.so_far_mean),
        )
        for year in told.years
    )
    total = ("Together", money_range(told.cost), *(money(x) for x in told.spread), f"{told.visits.value:.1f}", "")
    return Table(columns, (*rows, total), totals=1)


def _policies(outlook: VehicleOutlook, units: Units) -> Table:
    columns = (
        Column("", wide=True),
        Column("Expected (95 %)", "right"),
        Column("1 in 10 below", "right", spare=True),
        Column("1 in 10 above", "right", spare=True),
        Column("Visits", "right"),
        Column("Stranded", "right"),
        Column("Engine at risk", "right"),
    )
    rows = [
        (
            POLICIES.get(name, name),
            money_range(one.cost),
            money(one.spread[0]),
            money(one.spread[2]),
            f"{one.visits.value:.1f}",
            show_share(one.stranded.value),
            show_share(one.damage.value),
        )
        for name, one in outlook.policies.items()
    ]
    if (apart := outlook.apart) is not None:
        over = "" if outlook.by_distance else f", over {units.show_distance(apart.km)}"
        low, _, high = (money(amount) for amount in apart.spread)
        rows.append((f"{APART}{over}", money_range(apart.cost), low, high, "", "", ""))
    return Table(columns, tuple(rows))


def _drivers(outlook: VehicleOutlook, told: Forecast, units: Units) -> Table:
    columns = (
        Column("Failure cured or forestalled", wide=True),
        Column(f"{units.currency} (95 %)", "right"),
        Column("Share", "right"),
        Column("Failures", "right"),
        Column("Failed on record", "right", spare=True),
        Column("Record", "right", spare=True),
    )
    shown = listed(told)
    rows = [
        (
            driver_name(outlook, driver),
            money_range(driver.cost),
            show_share(driver.share),
            count_in_words(driver.failures),
            f"{sum(outlook.modes[mode].evidence.failures for mode in driver.modes):,}",
            show_share(min(outlook.modes[mode].record_share for mode in driver.modes)),
        )
        for driver in shown
    ]
    rest = told.drivers[len(shown) :]
    if rest:
        share, cost = sum(driver.share for driver in rest), sum(driver.cost.value for driver in rest)
        failures = sum(driver.failures.value for driver in rest)
        name = f"{counted(len(rest), 'other')}"
        rows.append((name, money(cost), show_share(share), f"{failures:.1f}", "", ""))
    if told.looks.value > 0:
        share = told.looks.value / told.cost.value
        rows.append(("Planned looks", money_range(told.looks), show_share(share), "", "", ""))
    return Table(columns, tuple(rows))


def evidence_in_words(outlook: VehicleOutlook, told: Forecast) -> str:
    known = sum(
        driver.share for driver in told.drivers if all(outlook.modes[mode].record_share >= 0.5 for mode in driver.modes)
    )
    modes = {mode: outlook.modes[mode].evidence for driver in told.drivers for mode in driver.modes}
    failures, lives = (sum(getattr(one, name) for one in modes.values()) for name in ("failures", "lives"))
    if not modes:
        return "Nothing is known that can fail."
    return (
        f"{counted(failures, 'failure')} in {counted_lives(lives)} of {counted(len(modes), 'failure mode')}. "
        f"{show_share(known)} of the expected cost comes from failures known by records more than by judgement."
    )
