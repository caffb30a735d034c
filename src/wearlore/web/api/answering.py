"""How the interface answers: results as the commands print them with ``--json``, under one description."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from fastapi import Response

from wearlore.report.json import to_json
from wearlore.web.desk import Desk, Key
from wearlore.web.security import PROBLEM
from wearlore.workbench import Workbench

T = TypeVar("T")
SHAPE = {
    "type": "object",
    "required": ["title", "status", "detail"],
    "properties": {
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "What was expected and how to mend it"},
        "kind": {"type": "string", "description": "The kind of error, where it is one of ours"},
    },
}
SAID = {
    400: "The body cannot be read",
    401: "Nobody is signed in (only where the bench has a password)",
    403: "A page of another site asked",
    404: "A name that stands for nothing here; the nearest that do are named",
    412: "It has changed since: read it again",
    413: "More was sent than may be",
    415: "A file of another kind than can be taken",
    422: "What was asked cannot be, or was not understood; what was expected and how to mend it",
    428: "The version that one had before one is not said (If-Match)",
    503: "The store or the book cannot be used now",
}


def answered(result: object, *, status: int = 200, **headers: str) -> Response:
    return Response(to_json(result), status, headers, media_type="application/json")


async def ask(desk: Desk, question: Callable[[Workbench], T], *key: Any, long: bool = False) -> Response:
    """Ask the desk and answer with the result; the same key has the same answer until something changes."""
    kept: Key | None = ("api", *key) if key else None
    return answered(await desk.ask(question, key=kept, long=long))


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """What else a route may answer, for its description."""
    return {
        status: {
            "description": SAID[status],
            "content": {PROBLEM: {"schema": SHAPE}},
        }
        for status in sorted({401, 403, 413, 422, 503, *statuses})
    }


def result(description: str) -> dict[int | str, dict[str, Any]]:
    """A result, for the description of its route."""
    schema = {"type": ["object", "array"]}
    return {200: {"description": description, "content": {"application/json": {"schema": schema}}}}
