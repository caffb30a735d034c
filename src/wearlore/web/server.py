"""The server: the pages and the interface for programs in one application, on this machine unless told otherwise."""

from __future__ import annotations

import asyncio
import errno
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from fastapi import FastAPI, Request, Response
from nicegui import app as page_app
from nicegui import ui

from wearlore.errors import ServeError
from wearlore.web import api, pages, papers, signin
from wearlore.web.desk import Desk
from wearlore.web.frame import LOOK, MARK, look
from wearlore.web.limits import SMALL
from wearlore.web.security import Guard, refuse

LEAVING = 2  # seconds in which what is being answered may still end


@dataclass(frozen=True, slots=True)
class Certificate:
    """By which a bench is served over TLS."""

    file: Path
    key: Path


def interface(desk: Desk, guard: Guard) -> FastAPI:
    """The interface for programs, the papers and signing in, behind the guard."""

    @asynccontextmanager
    async def watching(_: FastAPI) -> AsyncIterator[None]:
        watch = asyncio.create_task(desk.watch())
        yield
        watch.cancel()
        with suppress(asyncio.CancelledError):
            await watch
        desk.close()

    app = FastAPI(**api.ABOUT, docs_url=None, redoc_url=None, lifespan=watching)
    app.include_router(signin.router(guard))
    app.include_router(api.router(desk))
    app.include_router(papers.router(desk), include_in_schema=False)
    app.get(LOOK, include_in_schema=False)(look)
    api.tell_problems(app)
    guard.protect(app)
    return app


def application(desk: Desk, guard: Guard) -> FastAPI:
    """The interface, and the pages over the same desk. One a process: the page library keeps its register of pages."""
    app = interface(desk, guard)
    desk.signed_in = guard.hashed() is not None
    for page in pages.ALL:
        page.create(desk)
    ui.run_with(
        app,
        title="Wearlore",
        favicon=MARK,
        dark=None,
        language="en-GB",
        tailwind=False,
        binding_refresh_interval=None,
        show_welcome_message=False,
        gzip_middleware_factory=None,
    )
    page_app.add_exception_handler(404, _missing)
    page_app.add_exception_handler(Exception, _broken)
    return app


async def _missing(request: Request, _: Exception) -> Response:
    detail = f"There is nothing at {request.url.path}."
    return refuse(request.scope, request.headers, 404, "No such page", detail)


async def _broken(request: Request, _: Exception) -> Response:
    detail = "This page could not be made. Why is said in the terminal in which the bench was opened."
    return refuse(request.scope, request.headers, 500, "Something went wrong", detail)


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens on ``port`` of ``host``, a name or an address; port 0: any. Raises ServeError."""
    try:
        family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[
            0
        ]
        bound = socket.socket(family, kind)
    except (OSError, UnicodeError) as error:
        raise ServeError(f"{host} is no address of this machine", "Name one of its addresses, or 0.0.0.0.") from error
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(address)
        bound.listen()  # who comes before the bench is warm waits for it
    except OSError as error:
        bound.close()
        raise _not_bound(host, port, error) from error
    return bound


def _not_bound(host: str, port: int, error: OSError) -> ServeError:
    if error.errno == errno.EADDRINUSE:
        return ServeError(f"port {port} is in use already", "Close what uses it, or give another: --port 8041.")
    if error.errno == errno.EACCES:
        return ServeError(f"port {port} is not for everybody", "Give one above 1023: --port 8040.")
    return ServeError(f"{host} is no address of this machine", "Name one of its addresses, or 0.0.0.0.")


def check(certificate: Certificate) -> None:
    """Raises ServeError when the bench cannot be served with it."""
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate.file, certificate.key)
    except (OSError, ssl.SSLError) as error:
        said = error.strerror or str(error)
        mend = "Name a certificate and its key, both PEM; the key without a password."
        raise ServeError(f"{certificate.file} with {certificate.key} is no certificate ({said})", mend) from error


def serve(desk: Desk, guard: Guard, bound: socket.socket, certificate: Certificate | None = None) -> None:
    """Serve on the socket until interrupted (raises KeyboardInterrupt then)."""
    config = uvicorn.Config(
        application(desk, guard),
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws_max_size=SMALL,
        timeout_graceful_shutdown=LEAVING,
        ssl_certfile=certificate.file if certificate else None,
        ssl_keyfile=certificate.key if certificate else None,
    )
    uvicorn.Server(config).run(sockets=[bound])
