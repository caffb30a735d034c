"""The whole fleet, vehicles that are in no store, and whether what was said held."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from wearlore.web.api.answering import ask, problems, result
from wearlore.web.api.asked import KM_ONLY, BuyingUnknown, Fleet
from wearlore.web.api.vehicles import appraised
from wearlore.web.desk import Desk
from wearlore.workbench import Workbench
from wearlore.workbench.said import renewals

HISTORY = {"complete": "known from new", "unknown": "not known"}


def add(routes: APIRouter, desk: Desk) -> None:
    """All of it over one desk."""

    @routes.get("/due", responses=result("The list (wearlore due)") | problems(404))
    async def due(fleet: Annotated[Fleet, Query()]) -> Response:
        """Whom of the fleet to call in, and for what."""

        def question(bench: Workbench) -> object:
            terms = bench.terms(labour_rate=fleet.rate, horizon=fleet.horizon)
            found = bench.due(variant=fleet.variant, by=fleet.by, months=fleet.months, driven=fleet.driven, terms=terms)
            return found.top(fleet.top)

        return await ask(desk, question, "due", fleet, long=True)

    @routes.get("/appraisal", responses=result("The appraisal (wearlore appraise)") | problems(404))
    async def appraisal(asked: Annotated[BuyingUnknown, Query()]) -> Response:
        """Whether to buy a vehicle that is in no store."""

        def question(bench: Workbench) -> object:
            subject = bench.for_sale(
                asked.variant, asked.built, asked.odometer, renewals(asked.done, KM_ONLY),
                complete=asked.history == "complete", today=desk.today(),
            )  # fmt: skip
            return appraised(bench, subject, asked, desk.today(), HISTORY[asked.history])

        return await ask(desk, question, "appraise", asked, desk.today(), long=True)

    @routes.get("/hindsight", responses=result("Forecasts and what happened (wearlore hindsight)") | problems())
    async def hindsight(
        hold_out: Annotated[
            str, Query(alias="hold-out", max_length=20, description="In months or years: 18m, 2y.")
        ] = "12m",
    ) -> Response:
        """Did forecasts hold: fit on what was known before, forecast the newest part of the records, and compare."""
        return await ask(desk, lambda bench: bench.hindsight(hold_out), "hindsight", hold_out, long=True)

    @routes.get("/calibration", responses=result("What traces said and what was found") | problems())
    async def calibration() -> Response:
        """Can the chances of traces be trusted."""
        return await ask(desk, lambda bench: bench.calibration(), "calibration")
