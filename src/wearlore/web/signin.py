"""Signing in and out: plain forms that need no script."""

from __future__ import annotations

from html import escape
from math import ceil
from urllib.parse import parse_qs

from fastapi import APIRouter, Request, Response

from wearlore.web import plain
from wearlore.web.security import Guard, address_of
from wearlore.web.sessions import HOURS

FORM = """
<form method="post" action="/sign-in" class="panel signing">
{said}
<input name="name" autocomplete="username" value="Wearlore" hidden>
<label class="control"><span>Password of this bench</span>
<input type="password" name="password" autocomplete="current-password" required autofocus></label>
<input type="hidden" name="to" value="{to}">
<button class="button main">Sign in</button>
</form>
"""
LEAVE = """
<form method="post" action="/sign-out" class="panel signing">
<p>Pages that are open in this browser stop at once; what they have put on record stays.</p>
<button class="button main">Sign out</button>
</form>
"""


def router(guard: Guard) -> APIRouter:
    """Both forms."""
    routes = APIRouter(include_in_schema=False)
    sessions, cookie = guard.sessions, guard.place.cookie

    @routes.get("/sign-in")
    async def form(to: str = "/") -> Response:
        return _form(to) if guard.hashed() else Response(status_code=303, headers={"location": _local(to)})

    @routes.post("/sign-in")
    async def sign_in(request: Request) -> Response:
        said = parse_qs((await request.body()).decode(errors="replace"), max_num_fields=10)
        word, to = (said.get(name, [""])[0] for name in ("password", "to"))
        address = address_of(request.scope)
        token = await sessions.begin(word, address)
        if token is None:
            wait = sessions.attempts.wait(address)
            return _wait(to, wait) if wait else _form(to, "That is not the password of this bench.", 403)
        response = Response(status_code=303, headers={"location": _local(to)})
        secure = guard.place.secure
        response.set_cookie(cookie, token, max_age=HOURS * 3600, httponly=True, samesite="lax", secure=secure)
        return response

    @routes.get("/sign-out")
    async def leaving() -> Response:
        return Response(plain.page("Sign out", LEAVE), media_type="text/html")

    @routes.post("/sign-out")
    async def sign_out(request: Request) -> Response:
        sessions.end(guard.token(request.headers))
        response = Response(status_code=303, headers={"location": "/sign-in"})
        response.delete_cookie(cookie, httponly=True, samesite="lax", secure=guard.place.secure)
        return response

    return routes


def _form(to: str, said: str = "", status: int = 200) -> Response:
    alert = f'<div role="alert" class="problem"><p>{escape(said)}</p></div>' if said else ""
    made = FORM.format(said=alert, to=escape(_local(to)))
    return Response(plain.page("Sign in", made), status, media_type="text/html")


def _wait(to: str, seconds: float) -> Response:
    response = _form(to, f"Too many wrong passwords came from here. Try again in {ceil(seconds)} seconds.", 429)
    response.headers["retry-after"] = str(ceil(seconds))
    return response


def _local(to: str) -> str:
    """Where one wanted to go, if that is a page of this bench; else its first."""
    inside = to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable() and to.isascii()
    return to if inside else "/"
