"""What the years to come cost."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}/outlook")
    async def outlook(vehicle: str) -> None:
        with frame(desk, "Outlook", section="vehicles", vehicle=vehicle, tab="outlook"):
            pass
