"""The command that looks years ahead on one vehicle."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import isfinite
from typing import Annotated

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Several, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, today
from wearlore.errors import ScopeError


@Parameter(name="*")
@dataclass(frozen=True)
class Years:
    """How far to look, on what vehicle, under which policies."""

    years: Annotated[int | None, Parameter(help="Years to look ahead; 5 unless given.")] = None
    horizon: Annotated[float | None, Parameter(help="Distance to look ahead, instead of years.")] = None
    per_year: Annotated[
        float | None, Parameter(help="Distance driven in a year; unless given, by the vehicle's own record.")
    ] = None
    spread: Annotated[
        float | None, Parameter(help="How far that may differ: standard deviation of its logarithm, 0.25.")
    ] = None
    odometer: Annotated[float | None, Parameter(help="Odometer now; unless given, that of the last visit.")] = None
    fault: Annotated[
        tuple[str, ...], Several, Parameter(help="A confirmed failure mode: MODE or MODE@POSITION. Repeat for more.")
    ] = ()
    probable: Annotated[
        tuple[str, ...], Several, Parameter(help="A fault that may be there, with the chance: MODE=0.3.")
    ] = ()
    policy: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="advice, plan, only-failed or all-in-reach; the first is told in detail. All unless given."),
    ] = ()
    missing_tool: Annotated[
        tuple[str, ...], Several, Parameter(help="A special tool that is not to be had. Repeat for more.")
    ] = ()
    rate: Annotated[float | None, Parameter(help="Labour rate per hour.")] = None
    paths: Annotated[int | None, Parameter(help="Courses of events to simulate; 20,000 unless given.")] = None


@app.command
def outlook(
    vehicle: str,
    /,
    *,
    years: Years = Years(),
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """What the years to come cost on a vehicle, what drives that, and what another way of caring for it would save.

    Distances are given in the units shown; money is of today, not discounted.

    Example: wearlore outlook VEHICLE --years 5 --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    from wearlore.report.charts import outlook_drawings
    from wearlore.report.outlook import vehicle_outlook
    from wearlore.workbench.outlooks import PATHS
    from wearlore.workbench.said import chances

    if years.years is not None and years.horizon is not None:
        raise ScopeError("--years and --horizon are two ways to say how far", "Give one of them.")
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)

        def in_km(distance: float | None, what: str) -> float | None:
            if distance is not None and not isfinite(distance):
                raise ScopeError(f"{what} is {distance:g}", "Give a number.")
            return None if distance is None else units.to_km(distance)

        found = bench.outlook(
            vehicle,
            years.fault,
            probable=chances(years.probable),
            years=years.years,
            horizon=in_km(years.horizon, "the distance ahead"),
            per_year=in_km(years.per_year, "the distance a year"),
            spread=years.spread,
            km=in_km(years.odometer, "the odometer"),
            paths=PATHS if years.paths is None else years.paths,
            policies=[name.replace("-", " ") for name in years.policy],
            terms=bench.terms(labour_rate=years.rate, missing_tools=frozenset(years.missing_tool)),
        )
    answer(
        found, shown, drawn, f"outlook-{found.vehicle.id}",
        lambda figures: vehicle_outlook(found, units, today(), figures),
        partial(outlook_drawings, found, units),
    )  # fmt: skip
