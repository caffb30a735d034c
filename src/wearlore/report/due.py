"""The due list -> its sheet: whom to call in, for what, and what that saves."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from wearlore.answers.due import WHY, DueItem, DueList, DueVehicle
from wearlore.book.model import Book
from wearlore.due import MUST
from wearlore.report.sheet import NO_FIGURES, Block, Column, Figures, Heading, Paragraph, Sheet, Table, counted, drawn
from wearlore.units import Units, show_share

SHOWN = 4  # jobs of a vehicle named in the table
ORDERS = {"saving": "by what acting at the next visit saves", "risk": "by the chance of stopping on the road"}


def due_list(result: DueList, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """The first of the ranking, each with what to do."""
    return Sheet(
        kind="Due list",
        title=result.family,
        made_on=made_on,
        facts=(
            ("Vehicles", f"{counted(result.vehicles, 'vehicle')} weighed, of which {result.worth:,} have work due"),
            ("Gone", f"{result.gone:,} not seen within {result.months:g} months before {result.newest.isoformat()}"),
            ("Horizon", f"{units.show_distance(result.horizon)} at {units.show_distance(result.per_year)} a year"),
            *((("Left out", f"{', '.join(result.unknown)}: neither record nor judgement"),) if result.unknown else ()),
        ),
        blocks=tuple(_blocks(result, units, figures)),
        small_print=(
            f"Amounts in {units.currency}; the visit itself is one that the vehicle makes anyway and is not charged. "
            "Saving: expected and discounted over the horizon, against leaving everything at that visit, an open fault "
            "then taking a visit of its own; in brackets 95 % of what records and judgement allow. Now: labour and "
            "parts. Next visit: where it is expected. Fails, stops: the chance of needing a cure, and of stopping "
            "on the road, before the visit after if nothing is done; open faults are not counted there. Named are "
            "open faults and the jobs that save most; --csv, --xlsx and --json hold all of them with their reasons."
        ),
    )


def _blocks(result: DueList, units: Units, figures: Figures) -> Iterator[Block]:
    total = result.total
    yield Paragraph(
        f"Acting at every vehicle's next visit saves {units.show_money(total.value)} "
        f"({_span(total.low, total.high)}) over the horizon.",
        "lead",
    )
    yield from drawn(figures, "due")
    yield Heading(f"The first {len(result.rows):,} of {result.vehicles:,}, {ORDERS[result.by]}")
    yield Table(
        (
            Column("#", "right"),
            Column("Vehicle, next visit"),
            Column("Do", wide=True),
            Column("Now", "right"),
            Column("Saving (95 %)", "right"),
            Column("Fails", "right"),
            Column("Stops", "right"),
        ),
        tuple(_row(row, units) for row in result.rows),
    )


def _row(row: DueVehicle, units: Units) -> tuple[str, ...]:
    return (
        str(row.rank),
        f"{row.vehicle}, {row.variant}\nat {units.show_odometer(row.km)}",
        shortly(row),
        f"{round(row.now):,}",
        f"{round(row.saving.value):,}\n({_span(row.saving.low, row.saving.high)})",
        show_share(row.fails_soon),
        show_share(row.stops_soon),
    )


def shortly(row: DueVehicle) -> str:
    """What is open, then what saves most, and how much more there is."""
    must = [item for item in row.items if item.why == WHY[MUST]]
    rest = sorted((item for item in row.items if item.why != WHY[MUST]), key=lambda item: -item.worth)
    kept, more = rest[:SHOWN], len(rest) - SHOWN
    said = [f"open: {', '.join(_named(must))}"] if must else []
    if row.uncured:
        said.insert(0, f"no remedy here: {', '.join(row.faults)}")
    if kept:
        said.append(", ".join(_named(kept)) + (f" and {more} more" if more > 0 else ""))
    return "; ".join(said) or "nothing"


def jobs_in_words(row: DueVehicle, book: Book) -> tuple[str, str]:
    """By the names of their components: what an open fault asks for, and what pays, dearest first: ``Chain tensioner;
    clutch``. Either may be empty."""
    must = [item for item in row.items if item.why == WHY[MUST]]
    rest = sorted((item for item in row.items if item.why != WHY[MUST]), key=lambda item: -item.worth)
    more = len(rest) - SHOWN
    said = ", ".join(_named(rest[:SHOWN], book)) + (f" and {more} more" if more > 0 else "")
    return ", ".join(_named(must, book)), said


def scope_in_words(row: DueVehicle) -> str:
    """What to do, by why: ``open fault: chain kit; pays alone: clutch, water pump``."""
    groups: dict[str, list[DueItem]] = {}
    for item in row.items:
        groups.setdefault(item.why, []).append(item)
    said = [f"{why}: {', '.join(_named(items))}" for why, items in groups.items()]
    if row.uncured:
        said.insert(0, f"open, no remedy here: {', '.join(row.faults)}")
    return "; ".join(said) or "nothing"


def _named(items: list[DueItem], book: Book | None = None) -> list[str]:
    """Units of one component together: ``glow-plug 1+3``; by its name where there is a ``book``."""
    places: dict[str, list[str]] = {}
    for item in items:
        component, _, position = item.unit.partition("/")
        places.setdefault(component, []).append(position)
    called = {name: book.components[name].name if book else name for name in places}
    return [f"{called[component]} {'+'.join(at)}".strip() for component, at in places.items()]


def _span(low: float, high: float) -> str:
    return f"{round(low):,} to {round(high):,}"
