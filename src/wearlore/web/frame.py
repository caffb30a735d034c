"""What stands around every page: the head with the ways to the other pages, and the foot."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from hashlib import sha256
from importlib.resources import files
from urllib.parse import quote, urlencode

from fastapi import Response
from nicegui import ui
from nicegui.slot import Slot

from wearlore.report.guide.page import guide_style
from wearlore.report.page import style_sheet
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.parts import tag

LOOK = "/look.css"
MARK = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" fill="#0d5c63"/>'
    '<path d="M4 22h8M8 16h14M16 10h12" stroke="#fff" stroke-width="3.2" fill="none"/></svg>'
)
SECTIONS = {
    "family": ("Family", "/"),
    "vehicles": ("Vehicles", "/vehicles"),
    "appraisal": ("Buying", "/appraisal"),
    "due": ("Due list", "/due"),
    "records": ("Records", "/records"),
    "hindsight": ("Hindsight", "/hindsight"),
    "guide": ("Guide", "/guide"),
}
OF_A_VEHICLE = {
    "vehicle": ("History", ""),
    "trace": ("Trace", "/trace"),
    "visit": ("Visit", "/visit"),
    "outlook": ("Outlook", "/outlook"),
    "appraisal": ("Appraisal", "/appraisal"),
}
FOOT = (
    "Chances, prices and intervals are estimates from records and judgement. The maker's procedure, local codes and "
    "licensed practice come first."
)


@contextmanager
def frame(desk: Desk, title: str, *, section: str = "", vehicle: str = "", tab: str = "") -> Iterator[None]:
    """A page called ``title``, in a ``section`` of the bench; of a ``vehicle`` also under its ``tab``."""
    ui.page_title(f"{title} · Wearlore")
    ui.add_head_html(f'<link rel="stylesheet" href="{style_address()}">')
    _no_landmark(ui.context.client.content.parent_slot)
    with tag("div", classes="bench"):
        tag("a", "To the content", href="#content", classes="skip")
        with tag("header", classes="top"):
            tag("a", "Wearlore", href="/", classes="mark")
            tag("span", desk.bench.book.family.name, classes="family")
            _ways(section)
        if vehicle:
            _of_a_vehicle(vehicle, tab)
        with tag("main", id="content", tabindex="-1"):
            tag("h1", title)
            if desk.problem:
                parts.says("The book or the store has changed and cannot be read; what stood before is shown.")
                parts.problem(desk.problem)
            yield
        with tag("footer", classes="foot"):
            tag("p", FOOT)
            if desk.signed_in:
                tag("a", "Sign out", href="/sign-out")


def _no_landmark(around: Slot | None) -> None:
    """The page library wraps every page in a ``main`` of its own: ours is the one that counts."""
    if around is not None:
        around.parent.props["role"] = "presentation"


def of_vehicle(vehicle: str, to: str = "", **said: str | list[str]) -> str:
    """The address of a page of a vehicle; ``said``: what its query says (``per_year`` is ``per-year`` there)."""
    query = urlencode({name.replace("_", "-"): value for name, value in said.items()}, doseq=True)
    return f"/vehicles/{quote(vehicle, safe='')}{to}" + (f"?{query}" if query else "")


def _ways(section: str) -> None:
    with tag("nav", classes="ways", aria_label="Pages"):
        for name, (called, to) in SECTIONS.items():
            way = tag("a", called, href=to)
            if name == section:
                way.props["aria-current"] = "page"


def _of_a_vehicle(vehicle: str, tab: str) -> None:
    with tag("nav", classes="tabs", aria_label="Of this vehicle"):
        tag("span", vehicle, classes="subject")
        for name, (called, to) in OF_A_VEHICLE.items():
            way = tag("a", called, href=of_vehicle(vehicle, to))
            if name == tab:
                way.props["aria-current"] = "page"


@cache
def _style() -> str:
    own = files("wearlore.web").joinpath("bench.css").read_text(encoding="utf-8")
    return style_sheet() + guide_style() + own


@cache
def _version() -> str:
    return sha256(_style().encode()).hexdigest()[:12]


def style_address() -> str:
    return f"{LOOK}?{_version()}"


def look() -> Response:
    """The style of all pages."""
    return Response(_style(), media_type="text/css", headers={"Cache-Control": "public, max-age=31536000, immutable"})
