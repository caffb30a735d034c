"""The command that plans: look, renew at an age, or leave until it fails."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Annotated, cast

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Several, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, today
from wearlore.errors import PlanError

if TYPE_CHECKING:
    from wearlore.units import Units


@app.command
def plan(
    vehicle: str | None = None,
    /,
    *,
    variant: Annotated[str | None, Parameter(help="Plan for this variant from new; unless given, the first.")] = None,
    mode: Annotated[str | None, Parameter(help="One failure mode in detail, with its cost curve.")] = None,
    strategy: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="By name: MODE=run-to-failure, MODE=renew@90000 or MODE=inspect@20000. Repeat for more."),
    ] = (),
    ceiling: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="Greatest chance of a failure within the horizon: engine-damage=0.05. Repeat for more."),
    ] = (),
    interval: Annotated[
        str | None, Parameter(help="Instead: how often to change this component (engine-oil), with --change-cost.")
    ] = None,
    change_cost: Annotated[float | None, Parameter(help="Money of one change, labour and material.")] = None,
    odometer: Annotated[float | None, Parameter(help="Odometer now; unless given, that of the last visit.")] = None,
    horizon: Annotated[float | None, Parameter(help="Distance over which risks count, in the units shown.")] = None,
    service_every: Annotated[float | None, Parameter(help="Service interval, in the units shown.")] = None,
    rate: Annotated[float | None, Parameter(help="Labour rate per hour.")] = None,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """What to look at and when, what to renew at which age, what to leave until it fails; as a calendar of distances.

    Example: wearlore plan VEHICLE --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store, planned for from its ages; unless given, a variant from new.
    """
    from wearlore.workbench.said import ceilings, strategies

    _fit_together(vehicle, mode, interval, change_cost, odometer, strategy)
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        km = partial(_in_km, units)
        terms = bench.plan_terms(
            labour_rate=rate, horizon=km(horizon), service_every=km(service_every), ceilings=ceilings(ceiling)
        )
        asked = strategies(strategy, units)
        if interval:
            fluid = bench.fluid_interval(interval, change=cast(float, change_cost), variant=variant, terms=terms)
        elif mode:
            if others := asked.keys() - {mode}:
                raise PlanError(f"--strategy names {min(others)}, --mode {mode}", "With --mode name that mode alone.")
            detail = bench.planned_mode(mode, vehicle, variant=variant, asked=asked.get(mode), terms=terms)
        else:
            whole = bench.plan(vehicle, variant=variant, strategies=asked, terms=terms, km=km(odometer))
    from wearlore.report import plan as pages
    from wearlore.report import strategy as details
    from wearlore.report.charts import plan as charts

    if interval:
        answer(
            fluid, shown, drawn, f"{interval}-interval",
            lambda figures: details.fluid_interval(fluid, units, today(), figures),
            partial(charts.fluid_drawings, fluid, units),
        )  # fmt: skip
    elif mode:
        answer(
            detail, shown, drawn, f"plan-{mode}",
            lambda figures: details.planned_mode(detail, units, today(), figures),
            partial(charts.mode_drawings, detail, units),
        )  # fmt: skip
    else:
        answer(
            whole, shown, drawn, f"plan-{whole.vehicle or whole.variant}",
            lambda figures: pages.maintenance_plan(whole, units, today(), figures),
            partial(charts.plan_drawings, whole, units),
        )  # fmt: skip


def _fit_together(
    vehicle: str | None,
    mode: str | None,
    interval: str | None,
    change_cost: float | None,
    odometer: float | None,
    strategy: tuple[str, ...],
) -> None:
    if (interval is None) != (change_cost is None):
        raise PlanError("--interval and --change-cost go together", "Say what is changed, and what one change costs.")
    if interval and (vehicle or mode or strategy):
        raise PlanError("--interval is of a variant, and planned alone", "Leave out vehicle, --mode and --strategy.")
    if odometer is not None and (vehicle is None or mode):
        raise PlanError("--odometer is for the plan of one vehicle", "Name it: wearlore plan VEHICLE")


def _in_km(units: Units, distance: float | None) -> float | None:
    return None if distance is None else units.to_km(distance)
