"""Whether forecasts held."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/hindsight")
    async def hindsight() -> None:
        with frame(desk, "Hindsight", section="hindsight"):
            pass
