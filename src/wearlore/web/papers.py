"""The papers of a visit as files to open or print."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

from fastapi import APIRouter, Request, Response
from fastapi.responses import PlainTextResponse

from wearlore.answers import Job
from wearlore.errors import NameNotKnown, ScopeError, WearloreError
from wearlore.report.card import job_card
from wearlore.report.owner import estimate, owner_page
from wearlore.report.page import to_html
from wearlore.report.pdf import to_pdf
from wearlore.report.sheet import Sheet
from wearlore.units import Units
from wearlore.web.desk import Desk
from wearlore.web.said import Said
from wearlore.web.visiting import key_of, visit_of

PAPERS: dict[str, Callable[[Job, Units, date], Sheet]] = {
    "job-card": lambda job, units, made_on: job_card(job.card, units, made_on),
    "estimate": lambda job, units, made_on: estimate(job.card.estimate, units, made_on),
    "owner": lambda job, units, made_on: owner_page(job.owner, units, made_on),
}
FORMATS: dict[str, tuple[str, Callable[[Sheet], bytes]]] = {
    "pdf": ("application/pdf", lambda sheet: to_pdf([sheet])),
    "html": ("text/html; charset=utf-8", lambda sheet: to_html([sheet]).encode()),
}


def router(desk: Desk) -> APIRouter:
    """All papers over one desk."""
    routes = APIRouter(prefix="/papers", include_in_schema=False)

    @routes.get("/{vehicle}/{paper}.{kind}")
    async def paper(vehicle: str, paper: str, kind: str, request: Request) -> Response:
        """One paper of the visit that the query asks for."""
        if paper not in PAPERS or kind not in FORMATS:
            return PlainTextResponse("There is no such paper.", 404)
        try:
            made = await _made(desk, vehicle, paper, kind, Said.of(request))
        except NameNotKnown as error:
            return PlainTextResponse(str(error), 404)
        except WearloreError as error:
            return PlainTextResponse(str(error), 422)
        name = f"{_plain(vehicle)}-{paper}.{kind}"
        held = {"Content-Disposition": f'inline; filename="{name}"', "Cache-Control": "no-store"}
        return Response(made, media_type=FORMATS[kind][0], headers=held)

    return routes


def _plain(vehicle: str) -> str:
    """A vehicle's name as part of the name of a file."""
    return re.sub(r"[^A-Za-z0-9_]+", "-", vehicle)[:60].strip("-") or "vehicle"


async def _made(desk: Desk, vehicle: str, paper: str, kind: str, said: Said) -> bytes:
    units = desk.units
    _, job = await desk.ask(
        lambda bench: visit_of(bench, vehicle, said, units), key=key_of(vehicle, said, units), long=True
    )
    if job is None:
        raise ScopeError("nothing is done in this visit", "Name a fault, or take a unit in.")
    return await desk.ask(lambda _: FORMATS[kind][1](PAPERS[paper](job, units, desk.today())))
