"""The command that holds forecasts against what happened."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, today


@app.command
def hindsight(
    *,
    hold_out: Annotated[str, Parameter(help="The newest part of the records, in months or years: 18m, 2y.")] = "12m",
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Did forecasts hold: fit on what was known before, forecast the newest part of the records, and compare.

    Example: wearlore hindsight --hold-out 12m --in wearlore-demo
    """
    from wearlore.report.charts import hindsight_drawings
    from wearlore.report.hindsight import family_hindsight

    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        compared = bench.hindsight(hold_out)
    answer(
        compared, shown, drawn, "hindsight",
        lambda figures: family_hindsight(compared, units, today(), figures),
        partial(hindsight_drawings, compared),
    )  # fmt: skip
