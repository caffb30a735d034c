"""All routes of the interface over one desk."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response

from wearlore.report.json import to_json
from wearlore.web.desk import Desk

ABOUT: dict[str, Any] = {"title": "Wearlore", "openapi_url": "/api/openapi.json"}


def router(desk: Desk) -> APIRouter:
    """All routes over one desk."""
    routes = APIRouter(prefix="/api")

    @routes.get("/family")
    async def family() -> Response:
        """What fails when, soonest first."""
        answer = await desk.ask(lambda bench: bench.lives(), key=("lives",))
        return Response(to_json(answer), media_type="application/json")

    return routes
