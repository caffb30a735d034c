"""Whom of the fleet to call in, and for what."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import get_args

from fastapi import Request, Response
from nicegui import app, ui
from nicegui.element import Element

from wearlore.answers.due import DueList, DueOrder, DueVehicle, FleetDue
from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, WearloreError
from wearlore.report import due as words
from wearlore.report.due_files import to_csv, to_xlsx
from wearlore.report.sheet import counted
from wearlore.units import Units, show_share, significant
from wearlore.web import parts, plain
from wearlore.web.desk import Desk, Key
from wearlore.web.frame import frame, of_vehicle
from wearlore.web.latest import Latest
from wearlore.web.parts import tag
from wearlore.web.said import Said, keep_address
from wearlore.workbench import Workbench
from wearlore.workbench.dues import MONTHS

A_PAGE = 50
ORDERS: dict[str, str] = {"saving": "What acting saves", "risk": "Risk of stopping on the road"}
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
SMALL = (
    "The visit is one that the vehicle makes anyway and is not charged; it is expected at the odometer given. Saving: "
    "expected and discounted over the horizon, against leaving everything at that visit; an open fault then takes a "
    "visit of its own. In brackets 95 % of what records and judgement allow. Fails, stops: the chance of needing a "
    "cure, and of stopping on the road, before the visit after if nothing is done; open faults are not counted there."
)


def create(desk: Desk) -> None:
    """Make the page and its files known."""

    @ui.page("/due")
    async def due(request: Request) -> None:
        with frame(desk, "Due list", section="due"):
            _Page(desk, Said.of(request)).show()

    @app.get("/due.csv", include_in_schema=False)
    async def as_csv(request: Request) -> Response:
        return await _file(desk, Said.of(request), "due.csv", "text/csv; charset=utf-8", to_csv)

    @app.get("/due.xlsx", include_in_schema=False)
    async def as_xlsx(request: Request) -> Response:
        return await _file(desk, Said.of(request), "due.xlsx", WORKBOOK, to_xlsx)


# -------------------------------------------------------------------------------------------------------- the question
def _question(said: Said, units: Units) -> tuple[Callable[[Workbench], FleetDue], Key]:
    """The whole fleet, weighed; order, variant and search only choose from it."""
    weighed_by = said.but(by="", variant="", search="", page="", top="")

    def ask(bench: Workbench) -> FleetDue:
        return bench.due(
            months=said.number("months") or MONTHS,
            driven=said.km("driven", units),
            terms=bench.terms(labour_rate=said.number("rate"), horizon=said.km("horizon", units)),
        )

    return ask, ("due", weighed_by.key, units)


def _order(said: Said) -> DueOrder:
    by = said.one("by", "saving")
    for known in get_args(DueOrder):
        if by == known:
            return known  # type: ignore[no-any-return]
    raise NameNotKnown("order", by, get_args(DueOrder))


def _chosen(found: FleetDue, said: Said) -> tuple[DueList, tuple[DueVehicle, ...]]:
    """The list in the order asked for, and of its rows those looked for."""
    top = said.number("top")
    listed = found.narrowed(said.one("variant"), _order(said)).top(len(found) if top is None else max(1, int(top)))
    wanted = said.one("search").casefold().split()
    return listed, tuple(row for row in listed.rows if all(word in _words(row) for word in wanted))


def _words(row: DueVehicle) -> str:
    items = " ".join(f"{item.unit} {item.name}" for item in row.items)
    return f"{row.vehicle} {row.variant} {' '.join(row.faults)} {items}".casefold()


async def _file(
    desk: Desk, said: Said, name: str, kind: str, make: Callable[[tuple[DueVehicle, ...], Units], bytes]
) -> Response:
    """The list as asked for, to save."""
    units = desk.units
    try:
        question, key = _question(said, units)
        found = await desk.ask(question, key=key, long=True)
        made = await desk.ask(lambda _: make(_chosen(found, said)[1], units))
    except WearloreError as error:
        return Response(plain.refusal("No due list", str(error)), 400, media_type="text/html")
    return Response(made, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


# ------------------------------------------------------------------------------------------------------------ the page
class _Page:
    """One visitor's page: what is asked, and the place of its answer."""

    def __init__(self, desk: Desk, said: Said) -> None:
        self.desk, self.said, self.units = desk, said, desk.units

    def show(self) -> None:
        self.latest = Latest(self.desk, "Weighing the fleet")
        self.rows: Element | None = None
        self.ask()

    def say(self, **changed: str) -> None:
        self.said = self.said.but(**{"page": "", **changed})
        keep_address(self.said)
        if self.rows is not None:
            with parts.anew(self.rows):
                self._draw_rows()

    def ask(self) -> None:
        question, key = _question(self.said, self.units)
        self.latest.ask(question, self.draw, key=key)

    def draw(self, found: FleetDue) -> None:
        self.found = found
        with parts.panel(classes="asking"), tag("div", classes="controls"):
            parts.choice("In order of", {**ORDERS}, _order(self.said), lambda by: self.say(by=by))
            variants = {"": "all"} | {name: name for name in sorted(found.fleet.variants)}
            parts.choice("Variant", variants, self.said.one("variant"), lambda to: self.say(variant=to))
            parts.field(
                "Find", self.said.one("search"), lambda told: self.say(search=told), kind="search", live=True,
                placeholder="vehicle or job", autocomplete="off",
            )  # fmt: skip
        self.rows = tag("div", classes="slot")
        with parts.anew(self.rows):
            self._draw_rows()

    def _draw_rows(self) -> None:
        listed, rows = _chosen(self.found, self.said)
        pages = max(1, -(-len(rows) // A_PAGE))
        page = min(max(1, int(self.said.number("page") or 1)), pages)
        shown = rows[(page - 1) * A_PAGE : page * A_PAGE]
        parts.says(_lead(listed, self.units), "lead")
        with tag("div", classes="over-list"):
            tag("p", _counted(listed, rows, shown, page), role="status")
            self._files()
        if shown:
            self._table(shown)
        if pages > 1:
            self._pages(page, pages)
        parts.says(SMALL, "small")
        if listed.unknown:
            parts.says(f"Left out, neither record nor judgement: {', '.join(listed.unknown)}.", "small")

    def _files(self) -> None:
        with tag("p", classes="files"):
            for name, kind in (("due.csv", "CSV"), ("due.xlsx", "XLSX")):
                to = Said(f"/{name}", self.said.but(page="").query).address
                tag("a", f"{kind} of these", href=to, download=name, classes="button")

    def _table(self, shown: tuple[DueVehicle, ...]) -> None:
        far = max((row.saving.high for row in shown), default=1.0)
        low = min(0.0, *(row.saving.low for row in shown))
        with tag("div", classes="due-list"):
            with tag("div", classes="due head", aria_hidden="true"):
                for label in ("#", "Vehicle", "Do", f"Saving, {self.units.currency} (95 %)", "Now", "Fails", "Stops"):
                    tag("span", label)
            with tag("ol", start=shown[0].rank):
                for row in shown:
                    _row(row, low, far, self.units, self.found.book)

    def _pages(self, page: int, pages: int) -> None:
        with tag("nav", classes="paging", aria_label="Pages of the list"):
            if page > 1:
                parts.button("Before", lambda: self.say(page=str(page - 1)))
            tag("span", f"Page {page} of {pages}")
            if page < pages:
                parts.button("Next", lambda: self.say(page=str(page + 1)))


def _lead(listed: DueList, units: Units) -> str:
    total = listed.total
    low, high = (significant(end) for end in (total.low, total.high))
    return (
        f"Acting at every vehicle's next visit saves {units.show_money(significant(total.value))} ({low:,.0f} to "
        f"{high:,.0f}) over {units.show_distance(listed.horizon)} each; {listed.worth:,} of "
        f"{counted(listed.vehicles, 'vehicle')} have work due."
    )


def _counted(listed: DueList, rows: tuple[DueVehicle, ...], shown: tuple[DueVehicle, ...], page: int) -> str:
    if not rows:
        return "No vehicle is called so, and no job."
    begin = (page - 1) * A_PAGE + 1
    whole = f"{counted(len(rows), 'vehicle')}" + (f" of {listed.vehicles:,}" if len(rows) < listed.vehicles else "")
    said = f"{begin:,} to {begin + len(shown) - 1:,} of {whole}, {words.ORDERS[listed.by]}."
    return f"{said} {listed.gone:,} not seen for {listed.months:g} months are left out." if listed.gone else said


def _row(row: DueVehicle, low: float, far: float, units: Units, book: Book) -> None:
    with tag("li", classes="due"):
        tag("span", f"{row.rank}", classes="rank")
        with tag("div", classes="who"):
            parts.link(row.vehicle, of_vehicle(row.vehicle))
            tag("span", f"{row.variant}, due at {units.show_odometer(row.km)}")
            tag("span", f"last seen {_day(row.last_visit)} at {units.show_odometer(row.last_km)}")
        with tag("div", classes="do"):
            must, rest = words.jobs_in_words(row, book)
            if row.faults:
                tag("b", "open fault", classes="flag")
                tag("span", f"{must}." if must else "No remedy here for what is open.")
            tag("span", rest or ("" if row.faults else "Nothing."))
            to = of_vehicle(
                row.vehicle, "/visit", fault=list(row.faults), odometer=f"{units.from_km(row.km):.0f}"
            )  # fmt: skip
            tag("a", "Plan the visit", href=to, classes="go", aria_label=f"Plan the visit of {row.vehicle}")
        with tag("div", classes="saves"):
            saving = row.saving
            tag("i", f"Saving, {units.currency}")
            tag("b", f"{round(saving.value):,}")
            tag("span", f"({round(saving.low):,} to {round(saving.high):,})")
            _lane(saving.value, saving.low, saving.high, low, far)
        for label, value in (
            ("Now", f"{round(row.now):,}"),
            ("Fails", show_share(row.fails_soon)),
            ("Stops", show_share(row.stops_soon)),
        ):
            with tag("span", classes="number-of"):
                tag("i", label)
                tag("span", value)


def _day(day: date) -> str:
    return day.isoformat()


def _lane(value: float, low: float, high: float, begin: float, end: float) -> None:
    """The interval on the scale of the list."""

    def at(amount: float) -> float:
        return 100 * (amount - begin) / (end - begin) if end > begin else 0.0

    with tag("div", classes="spread", aria_hidden="true"):
        tag("i", style=f"left: {at(low):.1f}%; width: {at(high) - at(low):.1f}%")
        tag("b", style=f"left: {at(value):.1f}%")
