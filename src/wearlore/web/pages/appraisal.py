"""Whether to buy, what to look at, and what to offer."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}/appraisal")
    async def appraisal(vehicle: str) -> None:
        with frame(desk, "Appraisal", section="vehicles", vehicle=vehicle, tab="appraisal"):
            pass
