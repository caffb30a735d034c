"""Find or add a vehicle; its history and what is likely on it now."""

from __future__ import annotations

from fastapi import Request
from nicegui import ui

from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.finding import Adding, Finder
from wearlore.web.frame import frame
from wearlore.web.of_vehicle import OneVehicle
from wearlore.web.said import Said
from wearlore.web.sheets import folded


def create(desk: Desk) -> None:
    """Make the pages known."""

    @ui.page("/vehicles")
    async def vehicles(request: Request) -> None:
        said = Said.of(request)
        search = said.one("search")
        with frame(desk, "Vehicles", section="vehicles"), parts.panel():
            finder = Finder(desk, said)
            with folded("Add a vehicle"):
                Adding(desk)
            with finder.place():
                await parts.answered(
                    desk, lambda bench: bench.vehicles(search), finder.draw, key=("vehicles", search, 40)
                )

    @ui.page("/vehicles/{vehicle}")
    async def one_vehicle(request: Request, vehicle: str) -> None:
        with frame(desk, vehicle, section="vehicles", vehicle=vehicle, tab="vehicle"):
            page = OneVehicle(desk, vehicle, Said.of(request))
            await parts.answered(desk, lambda bench: bench.history(vehicle), page.draw)
