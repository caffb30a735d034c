"""What every command may be told, and the bench and the visit that this asks for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

if TYPE_CHECKING:
    from wearlore.answers import VisitScope
    from wearlore.cli.output import Working
    from wearlore.units import Units
    from wearlore.workbench import Workbench


@Parameter(name="*")
@dataclass(frozen=True)
class Shown:
    """How an answer is shown."""

    json: Annotated[bool, Parameter(negative="", show_default=False, help="Print the result as JSON, in km.")] = False
    units: Annotated[
        Literal["metric", "uk", "us"] | None,
        Parameter(help="km and N·m, miles and N·m, or miles and lbf·ft; unless given, those of the book."),
    ] = None


@Parameter(name="*")
@dataclass(frozen=True)
class Where:
    """Which workshop folder is meant."""

    folder: Annotated[
        Path, Parameter(name="--in", help="Folder that holds the book (book.yaml or book/) and records.duckdb.")
    ] = Path()


@Parameter(name="*")
@dataclass(frozen=True)
class Drawn:
    """Where charts and pages are written."""

    chart: Annotated[Path | None, Parameter(help="Draw the first chart into this file: .svg, .html, .png or .pdf.")] = (
        None
    )
    dark: Annotated[
        bool, Parameter(negative="", show_default=False, help="Draw the .png or .pdf of --chart for dark screens.")
    ] = False
    out: Annotated[
        Path | None, Parameter(help="Write the page with all charts (HTML, PDF, text) and each chart into this folder.")
    ] = None


Several = Parameter(negative="", consume_multiple=False, show_default=False)


@Parameter(name="*")
@dataclass(frozen=True)
class Asked:
    """What a visit is weighed with; what is not given is as the book's economics have it."""

    fault: Annotated[
        tuple[str, ...], Several, Parameter(help="A confirmed failure mode: MODE or MODE@POSITION. Repeat for more.")
    ] = ()
    probable: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="A fault that may be there, with the chance: MODE=0.3 or MODE@POSITION=0.3. Repeat for more."),
    ] = ()
    refuse: Annotated[
        tuple[str, ...], Several, Parameter(help="A unit, component or remedy the owner says no to. Repeat for more.")
    ] = ()
    include: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="A unit to be seen to in this visit, whatever the advice says. Repeat for more."),
    ] = ()
    missing_tool: Annotated[
        tuple[str, ...], Several, Parameter(help="A special tool that is not to be had today. Repeat for more.")
    ] = ()
    odometer: Annotated[float | None, Parameter(help="Odometer now; unless given, that of the last visit.")] = None
    horizon: Annotated[float | None, Parameter(help="Distance to look ahead.")] = None
    per_year: Annotated[float | None, Parameter(help="Distance driven in a year.")] = None
    rate: Annotated[float | None, Parameter(help="Labour rate per hour.")] = None
    discount: Annotated[float | None, Parameter(help="Discount per year, as a share: 0.04.")] = None


def bench_of(where: Where, working: Working) -> Workbench:
    from wearlore.workbench import Workbench

    return Workbench(where.folder, progress=working.show)


def visit_of(bench: Workbench, vehicle: str, asked: Asked, shown: Shown, *, bound: bool = False) -> VisitScope:
    """The scope asked for, with the ``bound`` of what can be reached or not; distances come in the units shown."""
    from wearlore.workbench.said import chances

    units = units_shown(bench, shown)

    def in_km(distance: float | None) -> float | None:
        return None if distance is None else units.to_km(distance)

    terms = bench.terms(
        labour_rate=asked.rate,
        discount=asked.discount,
        horizon=in_km(asked.horizon),
        per_year=in_km(asked.per_year),
        refuse=frozenset(asked.refuse),
        include=frozenset(asked.include),
        missing_tools=frozenset(asked.missing_tool),
    )
    return bench.scope(
        vehicle,
        asked.fault,
        probable=chances(asked.probable),
        terms=terms,
        km=in_km(asked.odometer),
        bound=bound,
    )


def units_shown(bench: Workbench, shown: Shown) -> Units:
    return bench.book.units.in_system(shown.units) if shown.units else bench.book.units
