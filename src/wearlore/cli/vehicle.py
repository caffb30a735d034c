"""Commands that find vehicles and tell what is on record of one and likely on it."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, show, today


@app.command
def vehicle(
    vehicle: str,
    /,
    *,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """What is likely on a vehicle now, what is open, what is fitted, and every visit on record.

    Example: wearlore vehicle VEHICLE --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    from wearlore.answers import VehicleNow
    from wearlore.report.charts import history_drawings
    from wearlore.report.vehicle import vehicle_now

    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        now = VehicleNow(bench.history(vehicle), bench.likely(vehicle))
    answer(
        now, shown, drawn, f"vehicle-{vehicle}",
        lambda figures: vehicle_now(now, units, today(), figures),
        partial(history_drawings, now.history, units),
    )  # fmt: skip


@app.command
def vehicles(
    search: str = "",
    /,
    *,
    limit: Annotated[int, Parameter(help="Vehicles listed at most.")] = 40,
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Find vehicles by a part of their name or by their variant: last seen, odometer, visits, open faults.

    Example: wearlore vehicles V0001 --in wearlore-demo

    Parameters
    ----------
    search
        A part of the name, or of the variant; unless given, all vehicles, those seen last first.
    """
    from wearlore.report.vehicle import found_vehicles

    with Working() as working:
        bench = bench_of(where, working)
        found = bench.vehicles(search, limit)
    show(found, shown, lambda: [found_vehicles(found, bench.book.family.name, units_shown(bench, shown), today())])
