"""The interface for programs: the same results as the pages show, as JSON under ``/api``."""

from __future__ import annotations

from fastapi import APIRouter, Response

from wearlore.report.json import to_json
from wearlore.web.desk import Desk


def router(desk: Desk) -> APIRouter:
    """All routes over one desk."""
    routes = APIRouter(prefix="/api")

    @routes.get("/family")
    async def family() -> Response:
        """What fails when, soonest first."""
        answer = await desk.ask(lambda bench: bench.lives(), key=("lives",))
        return Response(to_json(answer), media_type="application/json")

    return routes
