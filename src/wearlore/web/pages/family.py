"""The wear bands of all weak points."""

from __future__ import annotations

from nicegui import ui

from wearlore.answers import FamilyLives
from wearlore.report.charts import family_drawings
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import frame


def create(desk: Desk) -> None:
    """Make the page known."""

    def draw(lives: FamilyLives) -> None:
        for drawing in family_drawings(lives, desk.units):
            parts.chart(drawing)

    @ui.page("/")
    async def family() -> None:
        with frame(desk, "What fails and when", section="family"):
            await parts.answered(desk, lambda bench: bench.lives(), draw, key=("lives",))
