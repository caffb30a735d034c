"""Stands before every request and every socket: who may ask, from which page, how much, and what a page may do.

Refused in this order: another name than ours (421: a name that somebody else points at this machine), another site's
page (403), too much (413), nobody who is signed in where a password is set (303 to the sign-in page, or 401).
"""

from __future__ import annotations

import base64
import binascii
import json
import secrets
import socket
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import quote, urlsplit

from fastapi import FastAPI
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from wearlore.errors import ServeError
from wearlore.web import plain
from wearlore.web.limits import limit_of, told_length, within
from wearlore.web.nonces import NONCE, Nonces
from wearlore.web.sessions import Sessions

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
OPEN = ("/sign-in", "/look.css")  # for those who are not signed in yet
SAFE = ("GET", "HEAD", "OPTIONS")
NOT_TRUSTED = (b"forwarded", b"x-forwarded-for", b"x-forwarded-host", b"x-forwarded-prefix", b"x-forwarded-proto")
PROBLEM = "application/problem+json"
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "Cross-Origin-Resource-Policy": "same-origin",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Place:
    """Where the bench is served: the address it is bound to, the port, and whether over TLS."""

    host: str = "127.0.0.1"
    port: int = 8040
    secure: bool = False

    @property
    def alone(self) -> bool:
        """Only this machine can ask."""
        return self.host in LOOPBACK or (_is_address(self.host) and ip_address(self.host).is_loopback)

    @property
    def cookie(self) -> str:
        """The session's; benches on several ports of one machine do not share it."""
        return f"__Host-wearlore-{self.port}" if self.secure else f"wearlore-{self.port}"

    def is_ours(self, host: str) -> bool:
        """Whether the Host of a request names this bench.

        On this machine alone: its three usual names. In a network also addresses (a name that somebody else points here
        is none) and the names of this machine.
        """
        try:
            named = urlsplit(f"//{host}")
            name, port = (named.hostname or "").rstrip("."), named.port
        except ValueError:
            return False
        if (port or (443 if self.secure else 80)) != self.port or named.username is not None or named.path:
            return False
        return name in LOOPBACK or (not self.alone and (_is_address(name) or name in self._names()))

    def _names(self) -> frozenset[str]:
        name = socket.gethostname().casefold()
        return frozenset({name, f"{name.partition('.')[0]}.local", self.host.casefold()})


def _is_address(name: str) -> bool:
    try:
        return bool(ip_address(name))
    except ValueError:
        return False


class Guard:
    """The guard of a bench at ``place``; ``sessions`` know its password."""

    def __init__(self, place: Place, sessions: Sessions) -> None:
        self.place = place
        self.sessions = sessions

    def protect(self, app: FastAPI) -> None:
        """Put the guard before ``app``, and between the two what makes answers smaller."""
        app.add_middleware(Nonces)
        app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
        app.add_middleware(Guarded, guard=self)

    def hashed(self) -> str | None:
        """The hash of the password, None where anybody may ask. Raises ServeError where nobody may."""
        hashed = self.sessions.password.hashed()
        if hashed is None and not self.place.alone:
            raise ServeError("the password of this bench was taken away", "Set one: wearlore password --in FOLDER")
        return hashed

    def token(self, headers: Headers) -> str:
        """That of the session which the request says it belongs to."""
        named = (part.partition("=") for part in headers.get("cookie", "").split(";"))
        return next((value.strip() for name, _, value in named if name.strip() == self.place.cookie), "")

    def is_foreign(self, scope: Scope, headers: Headers) -> bool:
        """Whether a page of another site asks: by what every browser says of that, and no page can change."""
        origin = headers.get("origin")
        if origin is not None and not self._is_own(origin, headers.get("host", "")):
            return True
        from_there = headers.get("sec-fetch-site", "none") not in ("none", "same-origin")
        following = scope.get("method") in SAFE and headers.get("sec-fetch-mode") == "navigate"
        return from_there and not following

    def _is_own(self, origin: str, host: str) -> bool:
        return origin.casefold() == f"{'https' if self.place.secure else 'http'}://{host}".casefold()

    async def knows(self, scope: Scope, headers: Headers) -> bool:
        """Whether it may come in: by its session, or under ``/api`` with the password itself (HTTP Basic)."""
        if self.hashed() is None or self.sessions.good(self.token(headers)):
            return True
        word = _basic(headers.get("authorization", "")) if scope["path"].startswith("/api/") else None
        return word is not None and await self.sessions.right(word, address_of(scope))

    def policy(self, nonce: str) -> str:
        """Scripts are the page library's and ours; it makes its templates into functions, hence ``unsafe-eval``."""
        return (
            f"default-src 'self'; script-src 'self' 'nonce-{nonce}' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
            "img-src 'self' data: blob:; connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
            "frame-ancestors 'none'"
        )


class Guarded:
    """An application behind its guard."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self.app = app
        self.guard = guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        scope["headers"] = [pair for pair in scope["headers"] if pair[0] not in NOT_TRUSTED]
        headers = Headers(scope=scope)
        refused = await self._refused(scope, headers)
        if scope["type"] == "websocket":
            if refused:
                await send({"type": "websocket.close", "code": 1008})
            else:
                await self.app(scope, self._while_signed_in(receive, headers), send)
            return
        scope[NONCE] = secrets.token_urlsafe(16)
        dressed = self._dressed(scope[NONCE], send)
        limit = limit_of(scope["path"])
        if refused is None and await within(limit, self.app, scope, receive, dressed):
            return
        await (refused or too_much(scope, headers, limit))(scope, receive, dressed)

    async def _refused(self, scope: Scope, headers: Headers) -> Response | None:
        """What is answered instead, if anything is."""
        guard, limit = self.guard, limit_of(scope["path"])
        host = headers.get("host", "")
        if not guard.place.is_ours(host):
            return refuse(scope, headers, 421, "Not here", f"This bench is not called {host}.")
        if guard.is_foreign(scope, headers):
            return refuse(scope, headers, 403, "Not from there", "A page of another site may not ask this bench.")
        if told_length(scope) > limit:
            return too_much(scope, headers, limit)
        try:
            known = scope["path"] in OPEN or await guard.knows(scope, headers)
        except ServeError as error:
            return refuse(scope, headers, 403, "Closed", str(error))
        return None if known else sign_in_first(scope, headers)

    def _while_signed_in(self, receive: Receive, headers: Headers) -> Receive:
        """What a socket says, until its session ends."""

        async def received() -> Message:
            message = await receive()
            try:
                known = self.guard.hashed() is None or self.guard.sessions.good(self.guard.token(headers))
            except ServeError:
                known = False
            return message if known else {"type": "websocket.disconnect", "code": 1008}

        return received

    def _dressed(self, nonce: str, send: Send) -> Send:
        """Every answer with the headers that say what a page may do."""

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update({**HEADERS, "Content-Security-Policy": self.guard.policy(nonce)})
                if self.guard.place.alone or self.guard.place.secure:  # elsewhere browsers ignore it, and say so
                    headers["Cross-Origin-Opener-Policy"] = "same-origin"
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        return dressed


def address_of(scope: Scope) -> str:
    """The address that a request comes from."""
    return str((scope.get("client") or ("",))[0])


def refuse(scope: Scope, headers: Headers, status: int, title: str, detail: str) -> Response:
    """A page for a person, a problem (RFC 9457) for a program."""
    if _wants_page(scope, headers):
        return Response(plain.refusal(title, detail), status, media_type="text/html")
    told = {"title": title, "status": status, "detail": detail}
    return Response(json.dumps(told), status, media_type=PROBLEM)


def too_much(scope: Scope, headers: Headers, limit: int) -> Response:
    response = refuse(scope, headers, 413, "Too much", f"More than {limit // 2**20} MB were sent. Send less at a time.")
    response.headers["connection"] = "close"
    return response


def sign_in_first(scope: Scope, headers: Headers) -> Response:
    if _wants_page(scope, headers):
        query = scope.get("query_string", b"").decode("latin-1")
        there = quote(scope["path"]) + (f"?{query}" if query else "")
        return Response(status_code=303, headers={"location": f"/sign-in?to={quote(there, safe='')}"})
    detail = "Sign in at /sign-in, or send the password (HTTP Basic, with any name)."
    response = refuse(scope, headers, 401, "Not signed in", detail)
    response.headers["www-authenticate"] = 'Basic realm="Wearlore", charset="UTF-8"'
    return response


def _wants_page(scope: Scope, headers: Headers) -> bool:
    return scope["type"] == "http" and scope["method"] in SAFE and "text/html" in headers.get("accept", "")


def _basic(authorization: str) -> str | None:
    """The password of ``Authorization: Basic``; None where there is none that can be read."""
    kind, _, coded = authorization.partition(" ")
    if kind.casefold() != "basic":
        return None
    try:
        return base64.b64decode(coded, validate=True).decode().partition(":")[2]
    except (binascii.Error, UnicodeDecodeError):
        return None
