"""Whom of the fleet to call in."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/due")
    async def due() -> None:
        with frame(desk, "Due list", section="due"):
            pass
