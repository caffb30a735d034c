"""Commands on what fails in the family, and what the evidence can and cannot say."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Literal

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Several, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, today
from wearlore.errors import OutputError


@app.command
def lives(
    mode: str | None = None,
    /,
    *,
    by: Literal["revision", "grade", "variant"] | None = None,
    evidence: Annotated[
        bool,
        Parameter(
            negative="", show_default=False, help="What lies behind it: paper, hazard, early failures, rules, records."
        ),
    ] = False,
    vehicle: Annotated[str | None, Parameter(help="Mark this vehicle's odometer among the wear bands.")] = None,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """What fails when, soonest first; or one failure mode in detail, judgement and record side by side.

    Example: wearlore lives --in wearlore-demo

    Parameters
    ----------
    mode
        A failure mode of the book; all of them when none is named.
    by
        Split the mode's lives by this.
    """
    from wearlore.report.charts import family_drawings, study_drawings
    from wearlore.report.lives import family_lives, mode_study

    if mode is None and (by or evidence):
        raise OutputError("lives", "--by and --evidence are for one failure mode", "Name it: wearlore lives MODE")
    if mode is not None and vehicle:
        raise OutputError("lives", "--vehicle is for the wear bands of all modes", "Leave out the mode.")
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        if mode is None:
            table = bench.lives()
            odometer = bench.vehicle(vehicle).km if vehicle else None
        else:
            study = bench.study(mode, by=by, in_depth=evidence, units=units)
    if mode is None:
        draw = partial(family_drawings, table, units, odometer=odometer, vehicle=vehicle or "")
        answer(table, shown, drawn, "lives", lambda figures: family_lives(table, units, today(), figures), draw)
    else:
        draw = partial(study_drawings, study, units)
        answer(study, shown, drawn, mode, lambda figures: mode_study(study, units, today(), figures), draw)


@app.command
def compare(
    mode: str,
    /,
    *,
    by: Annotated[
        str | None,
        Parameter(help="revision, grade, variant, duty, position, history, built, per-year or interval:COMPONENT."),
    ] = None,
    beside: Annotated[tuple[str, ...], Several, Parameter(help="Hold another of these equal. Repeat for more.")] = (),
    while_: Annotated[
        str | None, Parameter(name="--while", help="Instead: what changes while this other mode is present.")
    ] = None,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Which lasts longer, how many times, and whether the records can tell: one honest sentence for each difference.

    Example: wearlore compare chain-stretch --by revision --in wearlore-demo

    Parameters
    ----------
    mode
        A failure mode of the book.
    """
    from wearlore.report.charts import acceleration_drawings, comparison_drawings
    from wearlore.report.comparison import accelerated_lives, compared_lives

    if (by is None) == (while_ is None) or (while_ and beside):
        raise OutputError(
            "compare", "either --by (with --beside) or --while is needed", "Say what to compare by: --by revision"
        )
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        if by:
            compared = bench.compare(mode, by, beside=beside, units=units)
        else:
            accelerated = bench.while_present(mode, while_ or "")
    if by:
        answer(
            compared, shown, drawn, f"{mode}-by-{by.replace(':', '-')}",
            lambda figures: compared_lives(compared, units, today(), figures),
            partial(comparison_drawings, compared, units),
        )  # fmt: skip
    else:
        answer(
            accelerated, shown, drawn, f"{mode}-while-{while_}",
            lambda figures: accelerated_lives(accelerated, units, today(), figures),
            partial(acceleration_drawings, accelerated, units),
        )  # fmt: skip


@app.command
def economy(
    component: str,
    /,
    *,
    variant: Annotated[str | None, Parameter(help="On vehicles of this variant; unless given, the first.")] = None,
    position: Annotated[str, Parameter(show_default=False, help="At this position; unless given, the first.")] = "",
    rate: Annotated[float | None, Parameter(help="Labour rate per hour.")] = None,
    per_year: Annotated[float | None, Parameter(help="Distance driven in a year, in the units shown.")] = None,
    horizon: Annotated[
        float | None, Parameter(help="Distance to look ahead from the fitting, in the units shown.")
    ] = None,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """What each remedy and source grade of a component costs per distance: is the cheap part a false economy?

    Example: wearlore economy water-pump --in wearlore-demo

    Parameters
    ----------
    component
        A component of the book.
    """
    from wearlore.report.charts import economy_drawings
    from wearlore.report.economy import component_economy

    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        found = bench.economy(
            component,
            variant=variant,
            position=position,
            labour_rate=rate,
            per_year=None if per_year is None else units.to_km(per_year),
            horizon=None if horizon is None else units.to_km(horizon),
        )
    answer(
        found, shown, drawn, f"{component}-economy",
        lambda figures: component_economy(found, units, today(), figures),
        partial(economy_drawings, found, units),
    )  # fmt: skip


@app.command
def repeats(
    component: str,
    /,
    *,
    mode: Annotated[str | None, Parameter(help="Only repairs that cured this failure mode.")] = None,
    by: Literal["variant", "duty", "position", "history"] | None = None,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """How often a component is repaired on the same vehicle, again and again, and whether that gets worse.

    Example: wearlore repeats auxiliary-belt --in wearlore-demo

    Parameters
    ----------
    component
        A component of the book.
    by
        Compare the vehicles (or positions) by this.
    """
    from wearlore.report.charts import repeats_drawings
    from wearlore.report.repeats import repeated_repairs

    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        found = bench.repeats(component, mode=mode, by=by)
    answer(
        found, shown, drawn, f"{mode or component}-repeats",
        lambda figures: repeated_repairs(found, units, today(), figures),
        partial(repeats_drawings, found, units),
    )  # fmt: skip


@app.command
def drift(
    reading: str,
    vehicle: str | None = None,
    /,
    *,
    mode: Annotated[str | None, Parameter(help="The failure mode it belongs to, where several name it.")] = None,
    position: Annotated[str | None, Parameter(help="The position read, where the component has several.")] = None,
    odometer: Annotated[
        float | None, Parameter(help="Odometer now, in the units shown; unless given, that of the last visit.")
    ] = None,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """How a reading drifts with the age of the piece; for one vehicle, the distance left to the limit.

    Example: wearlore drift chain-phase --in wearlore-demo

    Parameters
    ----------
    reading
        A reading of the book.
    vehicle
        A vehicle of the store.
    """
    from wearlore.report.charts import drift_drawings
    from wearlore.report.drift import drifting_reading

    if odometer is not None and vehicle is None:
        raise OutputError("drift", "--odometer is for one vehicle", "Name it: wearlore drift READING VEHICLE")
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        km = None if odometer is None else units.to_km(odometer)
        found = bench.drift(reading, vehicle=vehicle, km=km, mode=mode, position=position)
    answer(
        found, shown, drawn, "-".join(filter(None, (reading, vehicle))),
        lambda figures: drifting_reading(found, units, today(), figures),
        partial(drift_drawings, found, units),
    )  # fmt: skip
