"""The interface's own description as a page without scripts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

from fastapi import APIRouter, Request, Response

from wearlore.web import plain

Described = Mapping[str, Any]
KINDS = {
    "string": "text",
    "number": "number",
    "integer": "whole number",
    "boolean": "true or false",
    "array": "several",
}


def add(routes: APIRouter) -> None:
    @routes.get("/docs", include_in_schema=False)
    async def docs(request: Request) -> Response:
        """What can be asked, and with what."""
        described = request.app.openapi()
        return Response(plain.page("Interface for programs", "".join(_body(described))), media_type="text/html")


def _body(described: Described) -> Iterator[str]:
    yield f"<p>{escape(described['info']['description'].replace('`', ''))}</p>"
    yield '<p>The same as OpenAPI: <a href="/api/openapi.json">/api/openapi.json</a></p>'
    for path, methods in described["paths"].items():
        for method, operation in methods.items():
            yield from _operation(path, method, operation, described)


def _operation(path: str, method: str, operation: Described, described: Described) -> Iterator[str]:
    yield f'<section class="panel listed"><h2><code>{method.upper()} {escape(path)}</code></h2>'
    yield f"<p>{escape(operation['description'].replace('``', ''))}</p>"
    parameters = [*operation.get("parameters", []), *_members(operation, described)]
    if parameters:
        yield f"<details><summary>With {len(parameters)} parameters</summary><dl>"
        for one in parameters:
            needed = ", needed" if one.get("required") else ""
            told = one.get("description", "").replace("``", "")
            kind = f"{one['in']}, {_kind(one['schema'])}{needed}"
            yield f"<dt><code>{escape(one['name'])}</code> <small>{kind}</small></dt>"
            yield f"<dd>{escape(told)}</dd>"
        yield "</dl></details>"
    yield "</section>"


def _members(operation: Described, described: Described) -> Iterator[Described]:
    """The members of a body in JSON, as if they were parameters."""
    content = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
    if "$ref" in content.get("schema", {}):
        schema = described["components"]["schemas"][content["schema"]["$ref"].rpartition("/")[2]]
        for name, member in schema["properties"].items():
            yield {
                "name": name,
                "in": "body",
                "schema": member,
                "required": name in schema.get("required", ()),
                "description": member.get("description", ""),
            }


def _kind(schema: Described) -> str:
    """What a value is, in words."""
    if "anyOf" in schema:
        return _kind(schema["anyOf"][0])
    if "enum" in schema:
        return escape(" or ".join(map(str, schema["enum"])))
    return KINDS.get(str(schema.get("type", "")), "object")
