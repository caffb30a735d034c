"""The command that appraises a vehicle for sale."""

from __future__ import annotations

from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Several, Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, answer, say, today, write_sheet
from wearlore.cli.trace import Said, told_of
from wearlore.errors import AppraisalError

if TYPE_CHECKING:
    from wearlore.answers import Appraisal
    from wearlore.appraisal import PriceModel
    from wearlore.units import Units
    from wearlore.vehicle import Vehicle
    from wearlore.workbench import Workbench

HISTORY = {"complete": "known from new", "unknown": "not known"}


@app.command
def appraise(
    vehicle: str | None = None,
    /,
    *,
    price: Annotated[float, Parameter(help="What is asked for it.")],
    variant: Annotated[str | None, Parameter(help="Variant of a vehicle that is in no store.")] = None,
    built: Annotated[str | None, Parameter(help="The date it was built: 2016-05-01.")] = None,
    history: Annotated[
        Literal["complete", "unknown"], Parameter(help="complete: what is not --done is still the first piece.")
    ] = "unknown",
    done: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="A renewal that is shown: COMPONENT@ODOMETER or COMPONENT/POSITION@ODOMETER. Repeat for more."),
    ] = (),
    comparable_price: Annotated[
        float | None, Parameter(help="What one of the same kind, age and odometer costs that was kept well.")
    ] = None,
    market: Annotated[
        Path | None, Parameter(help="Prices to tell that from: CSV with price, age or year, odometer.")
    ] = None,
    minutes: Annotated[float | None, Parameter(help="Minutes that there are for looking.")] = None,
    horizon: Annotated[float | None, Parameter(help="Distance to look ahead.")] = None,
    per_year: Annotated[float | None, Parameter(help="Distance driven in a year.")] = None,
    said: Said = Said(),
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Whether to buy a vehicle: what to look at first, what it will cost, what to offer.

    Distances are given in the units shown. --out writes a checklist of one page beside the answer.

    Example: wearlore appraise --variant m96 --built 2016-05-01 --odometer 158000 --price 8000 --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        in_store = _in_store(vehicle, variant, built, done)
        subject = vehicle or _for_sale(bench, units, variant, built, said.odometer, history, done)
        found = bench.appraise(
            subject,
            price,
            told_of(bench.book, said),
            today=today(),
            history="as the store has it" if in_store else HISTORY[history],
            km=None if said.odometer is None else units.to_km(said.odometer),
            comparable=comparable_price,
            market=_market(market, comparable_price, units),
            minutes=minutes,
            off=said.off,
            missing_tools=said.missing_tool,
            labour_rate=said.rate,
            horizon=None if horizon is None else units.to_km(horizon),
            per_year=None if per_year is None else units.to_km(per_year),
        )
    _show(found, units, drawn, shown)


def _show(found: Appraisal, units: Units, drawn: Drawn, shown: Shown) -> None:
    from wearlore.report.appraisal import appraisal_sheet
    from wearlore.report.charts import appraisal_drawings
    from wearlore.report.checklist import checklist

    name = found.vehicle if found.in_store else found.variant
    answer(
        found, shown, drawn, f"appraisal-{name}",
        lambda figures: appraisal_sheet(found, units, today(), figures),
        partial(appraisal_drawings, found, units),
    )  # fmt: skip
    if drawn.out:
        written = write_sheet(checklist(found, units, today()), drawn.out / f"checklist-{name}")
        if not shown.json:
            say(f"To print and take along: {', '.join(str(path) for path in written)}")


def _in_store(vehicle: str | None, variant: str | None, built: str | None, done: tuple[str, ...]) -> bool:
    if vehicle and (variant or built or done):
        problem = f"{vehicle} is a vehicle of the store: its variant, dates and renewals stand there"
        raise AppraisalError(problem, "Leave --variant, --built and --done away.")
    return vehicle is not None


def _for_sale(
    bench: Workbench, units: Units, variant: str | None, built: str | None, odometer: float | None, history: str,
    done: tuple[str, ...],
) -> Vehicle:  # fmt: skip
    from wearlore.workbench.said import renewals

    given = {"--variant": variant, "--built": built, "--odometer": odometer}
    if variant is None or built is None or odometer is None:
        lacking = ", ".join(option for option, value in given.items() if value is None)
        problem = "there is too little to appraise: a vehicle of the store, or variant, date built and odometer"
        raise AppraisalError(problem, f"Give {lacking}.")
    return bench.for_sale(
        variant, _date(built), units.to_km(odometer), renewals(done, units),
        complete=history == "complete", today=today(),
    )  # fmt: skip


def _date(written: str) -> date:
    try:
        return date.fromisoformat(written)
    except ValueError:
        raise AppraisalError(f"--built {written} is no date", "Write year, month and day: 2016-05-01.") from None


def _market(path: Path | None, comparable: float | None, units: Units) -> PriceModel | None:
    if path is None:
        return None
    if comparable is not None:
        raise AppraisalError("both --comparable-price and --market are given", "Give one of the two.")
    from wearlore.appraisal import price_model
    from wearlore.workbench.market import sales

    return price_model(sales(path, units, today()))
