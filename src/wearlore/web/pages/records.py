"""What the records hold, and taking more."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/records")
    async def records() -> None:
        with frame(desk, "Records", section="records"):
            pass
