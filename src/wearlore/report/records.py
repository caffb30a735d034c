"""What the store holds -> its sheet."""

from __future__ import annotations

from datetime import date

from wearlore.records.summary import Summary
from wearlore.report.card import when
from wearlore.report.sheet import Column, Heading, Sheet, Table
from wearlore.units import Units

LISTED = 50  # lines in quarantine shown; JSON holds them all


def store_summary(held: Summary, family: str, units: Units, made_on: date) -> Sheet:
    """Counts and spans, the files taken, the lines in quarantine."""
    return Sheet(
        kind="Records",
        title=family,
        made_on=made_on,
        facts=(
            ("Vehicles", f"{held.vehicles:,}"),
            ("Visits", f"{held.visits:,}"),
            ("Lines", f"{held.lines:,}"),
            ("Readings", f"{held.readings:,}"),
            ("From", f"{held.first_date or 'no visit yet'}"),
            ("To", f"{held.last_date or 'no visit yet'}"),
            ("Odometers", odometers(held, units)),
        ),
        blocks=(
            Heading("Files taken"),
            files_taken(held),
            *when(held.quarantine, Heading(f"In quarantine: {len(held.quarantine):,}"), in_quarantine(held)),
        ),
    )


def files_taken(held: Summary) -> Table:
    """With what became of each."""
    return Table(
        (
            Column("File", wide=True),
            Column("Kind"),
            Column("Taken"),
            Column("Read", "right"),
            Column("Stored", "right"),
            Column("Quarantine", "right"),
        ),
        tuple(
            (i.file, i.kind, i.taken.isoformat(), f"{i.read:,}", f"{i.stored:,}", f"{i.quarantined:,}")
            for i in held.intakes
        ),
    )


def in_quarantine(held: Summary) -> Table:
    """The first lines that were kept apart, with why."""
    return Table(
        (Column("File"), Column("Line", "right"), Column("Reason", wide=True)),
        tuple((line.file, f"{line.line:,}", line.reason) for line in held.quarantine[:LISTED]),
    )


def odometers(held: Summary, units: Units) -> str:
    if held.least_km is None or held.greatest_km is None:
        return "none yet"
    return f"{units.show_odometer(held.least_km)} to {units.show_odometer(held.greatest_km)}"
