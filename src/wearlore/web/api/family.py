"""What fails in the family, and what the evidence can and cannot say."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Response

from wearlore.web.api.answering import ask, problems, result
from wearlore.web.api.asked import Component, Drifting, Name, Names, Plan
from wearlore.web.desk import Desk
from wearlore.workbench import Workbench

Mode = Annotated[str, Path(min_length=1, max_length=200, description="A failure mode of the book.")]
Part = Annotated[str, Path(min_length=1, max_length=200, description="A component of the book.")]
Reading = Annotated[str, Path(min_length=1, max_length=200, description="A reading of the book.")]


def add(routes: APIRouter, desk: Desk) -> None:
    """All of it over one desk."""
    _weak_points(routes, desk)
    _components(routes, desk)
    _plans(routes, desk)


def _weak_points(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/family", responses=result("All weak points (wearlore lives)") | problems())
    async def family() -> Response:
        """What fails when, soonest first."""
        return await ask(desk, lambda bench: bench.lives(), "lives")

    @routes.get("/guide", responses=result("All that the guide says (wearlore guide)") | problems(404))
    async def guide(
        variant: Annotated[Name | None, Query(description="Of this variant only; unless given, of all.")] = None,
    ) -> Response:
        """What owners and buyers are told of the family."""
        return await ask(desk, lambda bench: bench.guide(variant=variant), "guide", variant, long=True)

    @routes.get("/weak-points/{mode}", responses=result("The weak point (wearlore lives MODE)") | problems(404))
    async def weak_point(
        mode: Mode,
        by: Annotated[Literal["revision", "grade", "variant"] | None, Query(description="Split by this.")] = None,
        evidence: Annotated[bool, Query(description="With what lies behind it, and the failures on record.")] = False,
    ) -> Response:
        """One failure mode in detail, judgement and record side by side."""
        return await ask(desk, lambda bench: bench.study(mode, by=by, in_depth=evidence), "study", mode, by, evidence)

    @routes.get("/weak-points/{mode}/comparison", responses=result("The comparison (wearlore compare)") | problems(404))
    async def comparison(
        mode: Mode,
        by: Annotated[
            Name,
            Query(description="revision, grade, variant, duty, position, history, built, per-year or interval:PART."),
        ],
        beside: Annotated[Names, Query(description="Hold another of these equal. May be repeated.")] = (),
    ) -> Response:
        """Which lasts longer, how many times, and whether the records can tell."""
        return await ask(desk, lambda bench: bench.compare(mode, by, beside=beside), "compare", mode, by, beside)

    @routes.get("/weak-points/{mode}/while/{other}", responses=result("wearlore compare --while") | problems(404))
    async def acceleration(mode: Mode, other: Mode) -> Response:
        """How much faster a failure mode comes while the other is present."""
        return await ask(desk, lambda bench: bench.while_present(mode, other), "while", mode, other)


def _components(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/components/{component}/economy", responses=result("The remedies (wearlore economy)") | problems(404))
    async def economy(component: Part, asked: Annotated[Component, Query()]) -> Response:
        """What each remedy and source grade costs per distance: is the cheap part a false economy?"""

        def question(bench: Workbench) -> object:
            return bench.economy(
                component, variant=asked.variant, position=asked.position, labour_rate=asked.rate,
                per_year=asked.per_year, horizon=asked.horizon,
            )  # fmt: skip

        return await ask(desk, question, "economy", component, asked)

    @routes.get("/components/{component}/repeats", responses=result("The repairs (wearlore repeats)") | problems(404))
    async def repeats(
        component: Part,
        mode: Annotated[Name | None, Query(description="Only repairs that cured this failure mode.")] = None,
        by: Annotated[
            Literal["variant", "duty", "position", "history"] | None, Query(description="Compare by this.")
        ] = None,
    ) -> Response:
        """How often it is repaired on the same vehicle, again and again, and whether that gets worse."""
        return await ask(desk, lambda bench: bench.repeats(component, mode=mode, by=by), "repeats", component, mode, by)

    @routes.get("/readings/{reading}/drift", responses=result("The drift (wearlore drift)") | problems(404))
    async def drift(reading: Reading, asked: Annotated[Drifting, Query()]) -> Response:
        """How a reading drifts with the age of the piece; for one vehicle, the distance left to the limit."""

        def question(bench: Workbench) -> object:
            return bench.drift(
                reading, vehicle=asked.vehicle, km=asked.odometer, mode=asked.mode, position=asked.position
            )

        return await ask(desk, question, "drift", reading, asked)


def _plans(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/plan", responses=result("The plan (wearlore plan)") | problems(404))
    async def plan(asked: Annotated[Plan, Query()]) -> Response:
        """What to look at and when, what to renew at which age, what to leave: for a variant from new."""

        def question(bench: Workbench) -> object:
            return bench.plan(variant=asked.variant, strategies=asked.strategies(), terms=asked.terms(bench))

        return await ask(desk, question, "plan", asked, long=True)

    @routes.get("/weak-points/{mode}/plan", responses=result("The strategy (wearlore plan --mode)") | problems(404))
    async def planned_mode(
        mode: Mode,
        variant: Annotated[Name | None, Query(description="Of this variant from new; unless given, the first.")] = None,
        vehicle: Annotated[Name | None, Query(description="Instead: on this vehicle, from its age.")] = None,
    ) -> Response:
        """One failure mode in detail: strategies held against each other, with the curve of cost."""
        return await ask(
            desk, lambda bench: bench.planned_mode(mode, vehicle, variant=variant), "planned", mode, variant, vehicle,
            long=True,
        )  # fmt: skip

    @routes.get("/components/{component}/interval", responses=result("wearlore plan --interval") | problems(404))
    async def interval(
        component: Part,
        change_cost: Annotated[
            float, Query(alias="change-cost", gt=0, le=1e6, allow_inf_nan=False, description="Money of one change.")
        ],
        variant: Annotated[Name | None, Query(description="Of this variant; unless given, the first.")] = None,
    ) -> Response:
        """How often to change a fluid: the interval that costs least."""
        return await ask(
            desk, lambda bench: bench.fluid_interval(component, change=change_cost, variant=variant),
            "interval", component, change_cost, variant, long=True,
        )  # fmt: skip
