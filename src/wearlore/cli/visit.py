"""Commands on one vehicle's visit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Asked, Shown, Where, bench_of, units_shown, visit_of
from wearlore.cli.output import Working, papers, say, show, today, write_papers


@app.command
def scope(
    vehicle: str,
    /,
    *,
    bound: Annotated[
        bool,
        Parameter(
            negative="",
            show_default=False,
            help="Also say how far the advice is from the best possible; takes some seconds.",
        ),
    ] = False,
    asked: Asked = Asked(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """What to do in this visit and what to leave, each with its reason in money and distance.

    Distances are given in the units shown.

    Example: wearlore scope VEHICLE --fault MODE --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    from wearlore.report.visit import visit_scope

    with Working() as working:
        bench = bench_of(where, working)
        visit = visit_of(bench, vehicle, asked, shown, bound=bound)
    show(visit, shown, lambda: [visit_scope(visit, units_shown(bench, shown), today())])


@app.command
def jobcard(
    vehicle: str,
    /,
    *,
    out: Annotated[Path | None, Parameter(help="Write the papers as HTML, PDF and text into this folder.")] = None,
    asked: Asked = Asked(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """The papers of a visit: job card, estimate, and a page for the owner. Takes all that `scope` takes.

    Example: wearlore jobcard VEHICLE --fault MODE --out papers --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    with Working() as working:
        bench = bench_of(where, working)
        job = bench.job(visit_of(bench, vehicle, asked, shown))
        written = write_papers(bench, job, out, shown) if out else []
    show(job, shown, lambda: papers(bench, job, shown))
    if written and not shown.json:
        say(f"Written: {', '.join(str(path) for path in written)}")
