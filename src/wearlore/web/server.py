"""The server: the pages and the interface for programs in one application, on this machine unless told otherwise."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import uvicorn
from fastapi import FastAPI
from nicegui import ui

from wearlore.web import api, pages, papers
from wearlore.web.desk import Desk
from wearlore.web.frame import LOOK, look
from wearlore.web.security import Guard


def application(desk: Desk, guard: Guard) -> FastAPI:
    """Pages, interface and guard over one desk. One a process: the page library keeps its own register of pages."""

    @asynccontextmanager
    async def watching(_: FastAPI) -> AsyncIterator[None]:
        watch = asyncio.create_task(desk.watch())
        yield
        watch.cancel()
        with suppress(asyncio.CancelledError):
            await watch
        desk.close()

    app = FastAPI(title="Wearlore", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json", lifespan=watching)
    app.include_router(api.router(desk))
    app.include_router(papers.router(desk))
    app.get(LOOK, include_in_schema=False)(look)
    for page in pages.ALL:
        page.create(desk)
    ui.run_with(
        app,
        title="Wearlore",
        favicon=pages.MARK,
        dark=None,
        language="en-GB",
        tailwind=False,
        binding_refresh_interval=None,
        show_welcome_message=False,
    )
    guard.protect(app)
    return app


def serve(desk: Desk, *, host: str, port: int, guard: Guard) -> None:
    """Serve until interrupted."""
    uvicorn.run(application(desk, guard), host=host, port=port, log_level="warning", access_log=False)
