"""Where a fault comes from."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}/trace")
    async def trace(vehicle: str) -> None:
        with frame(desk, "Trace a fault", section="vehicles", vehicle=vehicle, tab="trace"):
            pass
