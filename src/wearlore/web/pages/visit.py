"""What to do in a visit."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}/visit")
    async def visit(vehicle: str) -> None:
        with frame(desk, "Scope of a visit", section="vehicles", vehicle=vehicle, tab="visit"):
            pass
