"""The guide as it will be published."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/guide")
    async def guide() -> None:
        with frame(desk, "Guide", section="guide"):
            pass
