"""Find or add a vehicle; its history and what is likely on it now."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/vehicles/{vehicle}")
    async def one_vehicle(vehicle: str) -> None:
        with frame(desk, vehicle, section="vehicles", vehicle=vehicle, tab="vehicle"):
            pass
