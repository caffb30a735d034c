"""What goes wrong, as a problem (RFC 9457) with the words that a person would read."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from wearlore import errors
from wearlore.errors import WearloreError
from wearlore.web.security import PROBLEM

KINDS: dict[type[WearloreError], tuple[int, str]] = {
    errors.NameNotKnown: (404, "No such name"),
    errors.ChangedSince: (412, "Changed since"),
    errors.StoreBusy: (503, "The store is busy"),
    errors.StoreError: (503, "The store cannot be used"),
    errors.OutputError: (503, "It cannot be written"),
    errors.BookErrors: (503, "The book cannot be used"),
    WearloreError: (422, "That cannot be"),
}


def problem(status: int, title: str, detail: str, **more: Any) -> Response:
    """``more``: members of the problem beside the usual ones."""
    told = {"title": title, "status": status, "detail": detail, **more}
    return Response(json.dumps(told, ensure_ascii=False), status, media_type=PROBLEM)


def told(error: WearloreError) -> Response:
    """The problem that an error is."""
    status, title = next(KINDS[kind] for kind in type(error).__mro__ if kind in KINDS)
    response = problem(status, title, str(error), kind=type(error).__name__)
    if status == 503:
        response.headers["retry-after"] = "1"
    return response


def tell_problems(app: FastAPI) -> None:
    """Have every error of the interface answered so."""

    @app.exception_handler(WearloreError)
    async def mendable(_: Request, error: WearloreError) -> Response:
        return told(error)

    @app.exception_handler(RequestValidationError)
    async def misread(_: Request, error: RequestValidationError) -> Response:
        return problem(422, "Not understood", "; ".join(_places(error.errors())))

    @app.exception_handler(HTTPException)
    async def refused(_: Request, error: HTTPException) -> Response:
        response = problem(error.status_code, "Not done", str(error.detail))
        response.headers.update(error.headers or {})
        return response


def _places(found: Any) -> Iterator[str]:
    for one in found:
        place: Mapping[str, Any] = one
        yield f"{' '.join(str(part) for part in place['loc'])}: {place['msg']}"
