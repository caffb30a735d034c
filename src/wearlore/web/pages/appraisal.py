"""Whether to buy, what to look at, and what to offer."""

from __future__ import annotations

import re

from fastapi import Request, Response
from fastapi.responses import PlainTextResponse
from nicegui import app, ui

from wearlore.errors import NameNotKnown, WearloreError
from wearlore.report.checklist import checklist
from wearlore.report.pdf import to_pdf
from wearlore.web import parts
from wearlore.web.buying import Buying
from wearlore.web.desk import Desk
from wearlore.web.forsale import Form
from wearlore.web.frame import frame
from wearlore.web.latest import Latest
from wearlore.web.looking import Looking
from wearlore.web.parts import tag
from wearlore.web.said import Said, keep_address
from wearlore.workbench.appraising import Appraising

WANTED = {
    "price": "what is asked for it",
    "variant": "its variant",
    "built": "when it was built",
    "odometer": "its odometer",
}


def create(desk: Desk) -> None:
    """Make the pages and their paper known."""

    @ui.page("/appraisal")
    async def appraisal(request: Request) -> None:
        with frame(desk, "What is it worth?", section="appraisal"):
            _Page(desk, "", Said.of(request)).show()

    @ui.page("/vehicles/{vehicle}/appraisal")
    async def appraisal_of(vehicle: str, request: Request) -> None:
        with frame(desk, "What is it worth?", section="vehicles", vehicle=vehicle, tab="appraisal"):
            _Page(desk, vehicle, Said.of(request)).show()

    @app.get("/appraisal/checklist.pdf", include_in_schema=False)
    async def paper(request: Request) -> Response:
        return await _checklist(desk, "", Said.of(request))

    @app.get("/vehicles/{vehicle}/appraisal/checklist.pdf", include_in_schema=False)
    async def paper_of(vehicle: str, request: Request) -> Response:
        return await _checklist(desk, vehicle, Said.of(request))


async def _checklist(desk: Desk, vehicle: str, said: Said) -> Response:
    """The looks that are left, to print and take along."""
    buying = Buying(vehicle, said, desk.units, desk.today())
    try:
        appraising = await desk.ask(buying.question, key=buying.key, long=True)
        made = await desk.ask(
            lambda bench: to_pdf(
                [
                    checklist(
                        appraising.answer(buying.asked(appraising), buying.told(bench.book), said.many("off")),
                        buying.units,
                        buying.today,
                    )
                ]
            )
        )
    except NameNotKnown as error:
        return PlainTextResponse(str(error), 404)
    except WearloreError as error:
        return PlainTextResponse(str(error), 422)
    name = re.sub(r"[^A-Za-z0-9_]+", "-", vehicle or said.one("variant")).strip("-")[:60] or "vehicle"
    held = {"Content-Disposition": f'inline; filename="checklist-{name}.pdf"', "Cache-Control": "no-store"}
    return Response(made, media_type="application/pdf", headers=held)


class _Page:
    """One visitor's page: what is said of the vehicle, and what is found on it."""

    def __init__(self, desk: Desk, vehicle: str, said: Said) -> None:
        self.desk = desk
        self.buying = Buying(vehicle, said, desk.units, desk.today())
        self.looking: Looking | None = None

    def show(self) -> None:
        Form(self.desk, self.buying, self.say)
        self.latest = Latest(self.desk, "Weighing what may be there")
        self.ask()

    def say(self, **changed: str | tuple[str, ...]) -> None:
        """Something else about the vehicle or its price; what was found on it stays."""
        before = self.buying
        said = (self.looking.buying if self.looking else before).said.but(**changed)
        self.buying = Buying(before.vehicle, said, before.units, before.today)
        keep_address(said)
        if self.looking and self.buying.key == before.key and not self.buying.lacking:
            self.looking.again(self.buying)
        else:
            self.ask()

    def ask(self) -> None:
        if self.buying.lacking:
            self.looking = None
            with parts.anew(self.latest.slot):
                _wanted(self.buying)
            return
        self.latest.ask(self.buying.question, self.draw, key=self.buying.key)

    def draw(self, appraising: Appraising) -> None:
        self.looking = Looking(self.desk, appraising, self.buying)


def _wanted(buying: Buying) -> None:
    lacking = [WANTED[name] for name in buying.lacking]
    with tag("div", classes="panel wanted"):
        parts.says(f"Say {', '.join(lacking[:-1])}{' and ' if lacking[:-1] else ''}{lacking[-1]}.", "lead")
        parts.says(
            "Then this page says up to which price it is worth buying, what to offer, and what to look at first, "
            "standing at the car. Each finding moves the price at once."
        )
