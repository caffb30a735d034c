"""All routes of the interface over one desk, and how it is described."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from wearlore.web.api import family, fleet, pages, records, vehicles
from wearlore.web.desk import Desk

ABOUT: dict[str, Any] = {
    "title": "Wearlore",
    "summary": "What fails when, where a fault comes from, what to do in a visit, and what it will cost.",
    "description": (
        "Results are those that the commands print with `--json`: distances in km, torques in N·m, money in the "
        "currency of the book. What nothing bounds is `null`, and its name stands in `unbounded`. What goes wrong is "
        "a problem (RFC 9457) whose `detail` says what was expected and how to mend it."
    ),
    "version": "1",
    "openapi_url": "/api/openapi.json",
}


def router(desk: Desk) -> APIRouter:
    """All routes over one desk."""
    routes = APIRouter(prefix="/api")
    for part in (family, vehicles, fleet, records):
        part.add(routes, desk)
    pages.add(routes)
    return routes
