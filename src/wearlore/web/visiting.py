"""What the address of a visit asks of the bench; the page and the papers ask the same."""

from __future__ import annotations

from wearlore.answers import Job, VisitScope
from wearlore.scope import Terms
from wearlore.units import Units
from wearlore.web.desk import Key
from wearlore.web.said import Said
from wearlore.workbench import Workbench

ASKED = (
    "fault", "probable", "refuse", "include", "missing-tool", "horizon", "per-year", "rate", "odometer",
)  # fmt: skip


def key_of(vehicle: str, said: Said, units: Units) -> Key:
    """Under which the answer is kept."""
    return ("visit", vehicle, tuple((name, said.many(name)) for name in ASKED), units)


def terms_of(bench: Workbench, said: Said, units: Units) -> Terms:
    """The terms said, without the faults. Raises ScopeError."""
    return bench.terms(
        labour_rate=said.number("rate"),
        horizon=said.km("horizon", units),
        per_year=said.km("per-year", units),
        refuse=frozenset(said.many("refuse")),
        include=frozenset(said.many("include")),
        missing_tools=frozenset(said.many("missing-tool")),
    )


def visit_of(bench: Workbench, vehicle: str, said: Said, units: Units) -> tuple[VisitScope, Job | None]:
    """The scope with its papers; no papers for a visit in which nothing is done. Raises WearloreError."""
    visit = bench.scope(
        vehicle,
        said.many("fault"),
        probable=said.chances("probable"),
        terms=terms_of(bench, said, units),
        km=said.km("odometer", units),
    )
    return visit, bench.job(visit) if visit.scope.chosen else None
