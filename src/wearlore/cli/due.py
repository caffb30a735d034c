"""The command that ranks the whole fleet."""

from __future__ import annotations

from functools import partial
from itertools import islice
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, say, today, write
from wearlore.errors import OutputError

TOP = 20  # vehicles shown unless told


@app.command
def due(
    *,
    top: Annotated[
        int | None, Parameter(help="How many vehicles; unless given, 20 are shown and files hold all.")
    ] = None,
    by: Annotated[
        Literal["saving", "risk"],
        Parameter(help="Rank by what acting saves, or by the chance of stopping on the road before the visit after."),
    ] = "saving",
    variant: Annotated[str | None, Parameter(help="Only vehicles of this variant.")] = None,
    months: Annotated[
        float, Parameter(help="Vehicles not seen within so many months before the newest record count as gone.")
    ] = 18.0,
    driven: Annotated[
        float | None,
        Parameter(help="Distance each has run since its last visit; unless given, its usual one between visits."),
    ] = None,
    horizon: Annotated[float | None, Parameter(help="Distance to look ahead.")] = None,
    rate: Annotated[float | None, Parameter(help="Labour rate per hour.")] = None,
    csv: Annotated[Path | None, Parameter(help="Write the list into this CSV file.")] = None,
    xlsx: Annotated[Path | None, Parameter(help="Write the list into this XLSX file.")] = None,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Whom of the fleet to call in, and for what: every vehicle at its next visit, by what acting there saves.

    Faults open on record are cured. Otherwise the visit is one that the vehicle makes anyway, with nothing failed.
    Distances are given in the units shown.

    Example: wearlore due --top 5 --in wearlore-demo
    """
    from wearlore.report.charts import due_drawings
    from wearlore.report.due import due_list
    from wearlore.report.due_files import save_xlsx, to_csv

    if top is not None and top < 1:
        raise OutputError("due", f"--top {top} shows nothing", "Give 1 or more.")
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        terms = bench.terms(labour_rate=rate, horizon=None if horizon is None else units.to_km(horizon))
        km = None if driven is None else units.to_km(driven)
        found = bench.due(variant=variant, by=by, months=months, driven=km, terms=terms)
        listed = found.top(TOP if top is None else top)
        if csv:
            write(csv, to_csv(islice(found.rows(), top), units))
        if xlsx:
            save_xlsx(islice(found.rows(), top), units, xlsx)
    answer(
        listed, shown, drawn, "due",
        lambda figures: due_list(listed, units, today(), figures),
        partial(due_drawings, listed, units),
    )  # fmt: skip
    if (csv or xlsx) and not shown.json:
        say(f"Written: {', '.join(str(path) for path in (csv, xlsx) if path)}")
