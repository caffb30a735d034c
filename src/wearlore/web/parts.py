"""What pages are built from: plain HTML elements with our own look, each usable by keyboard and by touch."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from json import dumps
from typing import Any, TypeVar

from nicegui import ui
from nicegui.element import Element

from wearlore.errors import WearloreError
from wearlore.report.charts import Drawing, to_svg
from wearlore.report.page import to_fragment
from wearlore.report.sheet import Block, Figure, Paragraph
from wearlore.web.desk import Desk, Key
from wearlore.workbench import Workbench

T = TypeVar("T")
Act = Callable[[], Awaitable[None] | None]
Taking = Callable[[Any], Awaitable[None] | None]
VALUE = "(e) => emit(e.target.value)"
TICKED = "(e) => emit(e.target.checked)"
AT_FIRST = "^value"  # the attribute: the property would put back what was typed since, at every change of the page
WAIT = 0.05  # seconds between two values of a slider on its way
AT_ONCE = 0.25  # seconds in which an answer still comes with the page itself


def tag(name: str, text: str | None = None, *, classes: str = "", **attributes: str | float | bool) -> Element:
    """An HTML element; ``aria_label`` is its attribute ``aria-label``."""
    made = Element(name)
    made._text = text  # as the page library's own elements do
    made.props.update({key.rstrip("_").replace("_", "-"): value for key, value in attributes.items()})
    return made.classes(classes) if classes else made


def retext(element: Element, text: str) -> None:
    """Other words in an element made by `tag`."""
    element._text = text
    element.update()


@contextmanager
def panel(title: str = "", *, classes: str = "") -> Iterator[Element]:
    """A part of the page under a heading of its own."""
    with tag("section", classes=f"panel {classes}".strip()) as section:
        if title:
            tag("h2", title)
        yield section


def blocks(*shown: Block) -> Element:
    """Blocks as documents show them."""
    return ui.html(to_fragment(shown), sanitize=False).classes("blocks")


def chart(drawing: Drawing) -> Element:
    """A drawing, which adapts to light and dark."""
    return blocks(Figure(to_svg(drawing.chart), drawing.text))


def says(text: str, style: str = "normal") -> Element:
    """A paragraph: ``normal``, ``lead`` or ``small``."""
    return blocks(Paragraph(text, style))  # type: ignore[arg-type]


def facts(pairs: Sequence[tuple[str, str]]) -> Element:
    """Labels with what they stand for."""
    with tag("dl", classes="facts") as listed:
        for label, value in pairs:
            with tag("div"):
                tag("dt", label)
                tag("dd", value)
    return listed


def key_figures(told: Sequence[tuple[str, str, str]]) -> Element:
    """The numbers that a page is about: what each is, the number, and what stands beside it."""
    with tag("dl", classes="key-figures") as listed:
        for label, value, beside in told:
            with tag("div"):
                tag("dt", label)
                tag("dd", value)
                tag("dd", beside, classes="beside")
    return listed


def link(text: str, to: str, *, classes: str = "") -> Element:
    return tag("a", text, href=to, classes=classes)


def button(label: str, act: Act, *, main: bool = False, pressed: bool | None = None) -> Element:
    """``main``: the one that a page is there for; ``pressed``: of a button that stays in or out."""
    made = tag("button", label, type="button", classes="button main" if main else "button")
    if pressed is not None:
        made.props["aria-pressed"] = str(pressed).lower()
    return made.on("click", lambda _: act())


def press(made: Element, pressed: bool) -> None:
    """A button that stays in or out, as it is to be now."""
    if made.props.get("aria-pressed") != (said := str(pressed).lower()):
        made.props["aria-pressed"] = said
        made.update()


@contextmanager
def labelled(label: str, unit: str = "") -> Iterator[None]:
    """A control with its label over it and its unit behind it."""
    with tag("label", classes="control"):
        tag("span", label)
        with tag("span", classes="with-unit"):
            yield
            if unit:
                tag("span", unit, classes="unit")


def choice(label: str, options: Mapping[str, str], value: str, take: Taking) -> Element:
    """One of ``options``: what they are called by what they stand for."""
    with labelled(label), tag("select") as made:
        for name, called in options.items():
            option = tag("option", called, value=name)
            if name == value:
                option.props["selected"] = True
    return made.on("change", lambda event: take(event.args), js_handler=VALUE)


def field(
    label: str, value: str, take: Taking, *, kind: str = "text", unit: str = "", live: bool = False, **properties: Any
) -> Element:
    """A line to type in; taken when it is left or Enter is pressed, with ``live`` at every key."""
    with labelled(label, unit):
        made = tag("input", type=kind, **properties)
    made.props[AT_FIRST] = value
    event = "input" if live else "change"
    return made.on(event, lambda told: take(told.args), js_handler=VALUE, throttle=0.15 if live else 0.0)


def refill(made: Element, text: str) -> None:
    """Other words in a field, whatever was typed."""
    made.client.run_javascript(f"getHtmlElement({made.id}).value = {dumps(text)}")


def slider(
    label: str,
    value: float,
    ends: tuple[float, float],
    step: float,
    show: Callable[[float], str],
    take: Callable[[float], Awaitable[None] | None],
) -> Element:
    """A number between two ends, shown as it moves."""

    async def moved(told: str) -> None:
        retext(said, show(float(told)))
        if (done := take(float(told))) is not None:
            await done

    low, high = ends
    with tag("label", classes="control slider"):
        with tag("span"):
            tag("span", label)
            said = tag("span", show(value), classes="said")  # an output would take the label
        made = tag("input", type="range", min=low, max=high, step=step)
    made.props[AT_FIRST] = value
    return made.on("input", lambda told: moved(told.args), js_handler=VALUE, throttle=WAIT, leading_events=False)


def tick(label: str, value: bool, take: Callable[[bool], Awaitable[None] | None]) -> Element:
    """A box to tick."""
    with tag("label", classes="tick-box"):
        made = tag("input", type="checkbox")
        if value:
            made.props["checked"] = True
        tag("span", label)
    return made.on("change", lambda told: take(told.args), js_handler=TICKED)


def problem(error: WearloreError) -> None:
    """What is wrong and how to mend it, read out at once."""
    with tag("div", role="alert", classes="problem"):
        for line in str(error).splitlines():
            tag("p", line)


@contextmanager
def anew(slot: Element) -> Iterator[None]:
    """Fill the slot anew; what may be mended is said in it."""
    slot.clear()
    with slot:
        try:
            yield
        except WearloreError as error:
            slot.clear()
            problem(error)


def doing(what: str, done: int, of: int) -> str:
    """What is being done, and how much of it is: ``Fitting life models 30 % …``."""
    share = f" {100 * done / of:.0f} %" if of else ""
    return f"{what}{share} …".capitalize()


async def answered(
    desk: Desk,
    question: Callable[[Workbench], T],
    draw: Callable[[T], None],
    *,
    key: Key | None = None,
    long: bool = False,
    waiting: str = "Reading the records",
    moment: float = AT_ONCE,
    turn: asyncio.Lock | None = None,
) -> Element:
    """A slot that shows the answer: with the page if it is there in a ``moment`` (s), else what is being done so far.

    With a ``moment`` of 0 it is asked only once the page is there, unless it is kept: for pages that ask much, one
    after another with a ``turn`` that they share. Errors that a person can mend are shown in its place.
    """
    slot = tag("div", classes="slot")
    loop = asyncio.get_running_loop()
    shown: dict[str, Element] = {}
    asked: list[asyncio.Future[T]] = []

    def ask() -> asyncio.Future[T]:
        if not asked:
            asked.append(asyncio.ensure_future(in_turn()))
        return asked[0]

    async def in_turn() -> T:
        async with turn or nullcontext():
            return await desk.ask(question, key=key, long=long, progress=tell)

    def tell(what: str, done: int, of: int) -> None:
        loop.call_soon_threadsafe(say, doing(what, done, of))

    def say(text: str) -> None:
        if not ask().done() and "said" in shown:
            retext(shown["said"], text)

    async def fill() -> None:
        await asyncio.wait([ask()])  # what is being done stands there until then
        with anew(slot):
            draw(ask().result())

    if moment or (key is not None and desk.kept(key) is not None):
        done, _ = await asyncio.wait([ask()], timeout=moment or AT_ONCE)
        if done:
            await fill()
            return slot
    with slot, tag("p", role="status", classes="waiting"):
        shown["said"] = tag("span", f"{waiting} …")
    with slot:
        ui.timer(0.01, fill, once=True)
    return slot
