"""Commands on what fails in the family, and what the evidence can and cannot say."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, draw, say, show, today
from wearlore.errors import OutputError


@app.command
def lives(
    mode: str | None = None,
    /,
    *,
    by: Literal["revision", "grade", "variant"] | None = None,
    evidence: Annotated[bool, Parameter(negative="", help="List the failures on record.")] = False,
    chart: Annotated[Path | None, Parameter(help="Draw the mode's curves into this file: .svg, .png or .html.")] = None,
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
    from wearlore.report.lives import family_lives, mode_study

    if mode is None and (by or evidence or chart):
        raise OutputError(
            "lives", "--by, --evidence and --chart are for one failure mode", "Name it: wearlore lives MODE"
        )
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        if mode is None:
            table = bench.lives()
        else:
            study = bench.study(mode, by=by, with_records=evidence, units=units)
            if chart:
                draw(bench, mode, chart, units)
    if mode is None:
        show(table, shown, lambda: [family_lives(table, units, today())])
    else:
        show(study, shown, lambda: [mode_study(study, units, today())])
        if chart and not shown.json:
            say(f"Chart: {chart}")
