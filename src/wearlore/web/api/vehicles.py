"""Vehicles of the store: what is on record, what is likely, what to do, and what it will cost."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Path, Query, Response

from wearlore.answers import Appraisal, VisitScope
from wearlore.vehicle import Vehicle as Subject
from wearlore.web.api.answering import answered, ask, problems, result
from wearlore.web.api.asked import BoundedVisit, Buying, Seen, VehiclePlan, Visit, Years
from wearlore.web.desk import Desk
from wearlore.workbench import Workbench
from wearlore.workbench.said import chances

Vehicle = Annotated[str, Path(min_length=1, max_length=200, description="A vehicle of the store.")]


def add(routes: APIRouter, desk: Desk) -> None:
    """All of it over one desk."""
    _records(routes, desk)
    _now(routes, desk)
    _ahead(routes, desk)


def _records(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/vehicles", responses=result("Vehicles (wearlore vehicle --find)") | problems())
    async def vehicles(
        search: Annotated[str, Query(max_length=200, description="What is in their name or variant.")] = "",
        limit: Annotated[int, Query(ge=1, le=1000, description="How many at most.")] = 40,
    ) -> Response:
        """Find vehicles, those seen last first."""
        return await ask(desk, lambda bench: bench.vehicles(search, limit), "vehicles", search, limit)

    @routes.get(
        "/vehicles/{vehicle}",
        responses=result("History and units; its version stands in ETag too (wearlore vehicle)") | problems(404),
    )
    async def vehicle(vehicle: Vehicle) -> Response:
        """What is on record of a vehicle."""
        history = await desk.ask(lambda bench: bench.history(vehicle))
        return answered(history, ETag=f'"{history.version}"')

    @routes.get("/vehicles/{vehicle}/likely", responses=result("Causes, likeliest first") | problems(404))
    async def likely(vehicle: Vehicle) -> Response:
        """What may be wrong with it, with nothing told."""
        return await ask(desk, lambda bench: bench.likely(vehicle), "likely", vehicle)


def _now(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/vehicles/{vehicle}/trace", responses=result("Causes and next step (wearlore trace)") | problems(404))
    async def trace(vehicle: Vehicle, seen: Annotated[Seen, Query()]) -> Response:
        """Where a fault comes from: likely causes, what to look at next, and when to stop looking."""

        def question(bench: Workbench) -> object:
            return bench.trace(
                vehicle, seen.told(bench.book), km=seen.odometer, off=seen.off, missing_tools=seen.missing_tool,
                labour_rate=seen.rate,
            )  # fmt: skip

        return await ask(desk, question, "trace", vehicle, seen)

    @routes.get("/vehicles/{vehicle}/scope", responses=result("The scope (wearlore scope)") | problems(404))
    async def scope(vehicle: Vehicle, visit: Annotated[BoundedVisit, Query()]) -> Response:
        """What to do in this visit and what to leave, each with its reason in money and distance."""
        return await ask(
            desk, lambda bench: scope_of(bench, vehicle, visit, bound=visit.bound), "scope", vehicle, visit, long=True
        )

    @routes.get("/vehicles/{vehicle}/job-card", responses=result("The papers (wearlore jobcard)") | problems(404))
    async def job_card(vehicle: Vehicle, visit: Annotated[Visit, Query()]) -> Response:
        """Job card, estimate and owner's page of a visit; as HTML and PDF they are under ``/papers``."""
        return await ask(
            desk, lambda bench: bench.job(scope_of(bench, vehicle, visit)), "job", vehicle, visit, long=True
        )


def _ahead(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/vehicles/{vehicle}/outlook", responses=result("The outlook (wearlore outlook)") | problems(404))
    async def outlook(vehicle: Vehicle, asked: Annotated[Years, Query()]) -> Response:
        """What the years to come cost, what drives that, and what another way of caring for it would save."""

        def question(bench: Workbench) -> object:
            return bench.outlook(
                vehicle,
                asked.fault,
                probable=chances(asked.probable),
                years=asked.years if asked.horizon is None else None,
                horizon=asked.horizon,
                per_year=asked.per_year,
                spread=asked.spread,
                km=asked.odometer,
                paths=asked.paths,
                policies=[name.replace("-", " ") for name in asked.policy],
                terms=bench.terms(labour_rate=asked.rate, missing_tools=frozenset(asked.missing_tool)),
            )

        return await ask(desk, question, "outlook", vehicle, asked, long=True)

    @routes.get("/vehicles/{vehicle}/plan", responses=result("The plan (wearlore plan VEHICLE)") | problems(404))
    async def plan(vehicle: Vehicle, asked: Annotated[VehiclePlan, Query()]) -> Response:
        """What to look at and when, what to renew at which age: from the ages of its units on."""

        def question(bench: Workbench) -> object:
            return bench.plan(vehicle, km=asked.odometer, strategies=asked.strategies(), terms=asked.terms(bench))

        return await ask(desk, question, "plan", vehicle, asked, long=True)

    @routes.get("/vehicles/{vehicle}/appraisal", responses=result("wearlore appraise VEHICLE") | problems(404))
    async def appraisal(vehicle: Vehicle, asked: Annotated[Buying, Query()]) -> Response:
        """Whether to buy it: what to look at first, what it will cost, what to offer."""

        def question(bench: Workbench) -> object:
            return appraised(bench, vehicle, asked, desk.today())

        return await ask(desk, question, "appraise", vehicle, asked, desk.today(), long=True)


def scope_of(bench: Workbench, vehicle: str, visit: Visit, *, bound: bool = False) -> VisitScope:
    """The scope asked for."""
    terms = bench.terms(
        labour_rate=visit.rate,
        discount=visit.discount,
        horizon=visit.horizon,
        per_year=visit.per_year,
        refuse=frozenset(visit.refuse),
        missing_tools=frozenset(visit.missing_tool),
    )
    return bench.scope(
        vehicle, visit.fault, probable=chances(visit.probable), terms=terms, km=visit.odometer, bound=bound
    )


def appraised(
    bench: Workbench, subject: Subject | str, asked: Buying, today: date, history: str = "as the store has it"
) -> Appraisal:
    """The appraisal asked for, of a vehicle of the store or of one that is described."""
    return bench.appraise(
        subject,
        asked.price,
        asked.told(bench.book),
        today=today,
        history=history,
        km=asked.odometer,
        comparable=asked.comparable_price,
        minutes=asked.minutes,
        off=asked.off,
        missing_tools=asked.missing_tool,
        labour_rate=asked.rate,
        horizon=asked.horizon,
        per_year=asked.per_year,
    )
