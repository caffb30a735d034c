"""Commands that close the loop: what was found, and whether what was said can be trusted."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Annotated

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Several, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, say, show_json, today


@app.command
def found(
    vehicle: str,
    /,
    *,
    odometer: Annotated[float, Parameter(help="Odometer at which it was found, in the units shown.")],
    confirmed: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="A failure mode that is there: MODE or MODE@POSITION. Repeat for more."),
    ] = (),
    refuted: Annotated[
        tuple[str, ...], Several, Parameter(help="A failure mode looked for that is not there. Repeat for more.")
    ] = (),
    note: Annotated[str, Parameter(show_default=False, help="What was seen, in your words.")] = "",
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Put into the records what was found on a vehicle today: what is there, and what was looked for and is not.

    It is written into a file of lines in the folder's `found`, and taken like any other.

    Example: wearlore found VEHICLE --confirmed MODE --refuted MODE --odometer 150000 --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    from wearlore.report.sheet import counted

    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        km = units.to_km(odometer)
        taken = bench.found(vehicle, confirmed=confirmed, refuted=refuted, km=km, today=today(), text=note)
    if shown.json:
        show_json(taken)
    elif taken.duplicate_of:
        say(f"{vehicle}: that was found before, in {taken.duplicate_of}; nothing changed.")
    else:
        say(f"{vehicle} at {units.show_odometer(km)}: {counted(taken.stored, 'finding')} on record, in {taken.file}.")


@app.command
def calibration(*, drawn: Drawn = Drawn(), where: Where = Where(), shown: Shown = Shown()) -> None:
    """Can the chances of traces be trusted: what was said beside what was found, with intervals and the worst misses.

    Example: wearlore calibration --in wearlore-demo
    """
    from wearlore.report.calibration import trace_calibration
    from wearlore.report.charts import calibration_drawings

    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        compared = bench.calibration()
    if compared.calibration is None:  # the answer says that there is nothing to draw yet
        drawn = replace(drawn, chart=None)
    answer(
        compared, shown, drawn, "calibration",
        lambda figures: trace_calibration(compared, units, today(), figures),
        partial(calibration_drawings, compared),
    )  # fmt: skip
