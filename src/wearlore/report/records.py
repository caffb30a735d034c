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
    files = tuple(
        (i.file, i.kind, i.taken.isoformat(), f"{i.read:,}", f"{i.stored:,}", f"{i.quarantined:,}")
        for i in held.intakes
    )
    apart = tuple((line.file, f"{line.line:,}", line.reason) for line in held.quarantine[:LISTED])
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
            ("Odometers", _span(held, units)),
        ),
        blocks=(
            Heading("Files taken"),
            Table(
                (
                    Column("File", wide=True),
                    Column("Kind"),
                    Column("Taken"),
                    Column("Read", "right"),
                    Column("Stored", "right"),
                    Column("Quarantine", "right"),
                ),
                files,
            ),
            *when(
                apart,
                Heading(f"In quarantine: {len(held.quarantine):,}"),
                Table((Column("File"), Column("Line", "right"), Column("Reason", wide=True)), apart),
            ),
        ),
    )


def _span(held: Summary, units: Units) -> str:
    if held.least_km is None or held.greatest_km is None:
        return "none yet"
    return f"{units.show_odometer(held.least_km)} to {units.show_odometer(held.greatest_km)}"
