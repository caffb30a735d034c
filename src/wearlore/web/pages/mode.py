"""One weak point: what the records say of it, and what to do about it."""

from __future__ import annotations

from nicegui import ui

from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/weak-points/{mode}")
    async def weak_point(mode: str) -> None:
        with frame(desk, mode, section="family"):
            pass
