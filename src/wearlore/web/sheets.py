"""Documents on a page: what they say first is shown, the rest is folded away under it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from nicegui.element import Element

from wearlore.report.charts import Drawing, to_svg
from wearlore.report.sheet import Block, Figure, Figures, Heading, Paragraph, Sheet
from wearlore.web import parts
from wearlore.web.parts import tag


def figures(drawings: Sequence[Drawing], *names: str) -> Figures:
    """The drawings, or those named, as a sheet takes them; slow: wants a thread of its own."""
    return {d.name: Figure(to_svg(d.chart), d.text) for d in drawings if not names or d.name in names}


@contextmanager
def folded(what: str) -> Iterator[Element]:
    """Something that is there for whoever opens it."""
    with tag("details", classes="folded") as details:
        tag("summary", what)
        with tag("div", classes="inside"):
            yield details


def in_short(sheet: Sheet, more: str, *, open_too: Sequence[str] = ()) -> None:
    """What stands before the first heading, and under the headings of ``open_too``; the rest is folded."""
    first, *rest = _by_heading(sheet.blocks)
    parts.blocks(*first)
    for group in rest:
        if _title(group) in open_too:
            parts.blocks(*group)
    under = [block for group in rest if _title(group) not in open_too for block in group]
    if under:
        with folded(more):
            parts.blocks(*under, Paragraph(sheet.small_print, "small"))


def _title(group: Sequence[Block]) -> str:
    head = group[0]
    return head.text if isinstance(head, Heading) else ""


def _by_heading(blocks: Sequence[Block]) -> list[list[Block]]:
    """Groups that begin with a heading each, the first without; headings one step lower than in a document."""
    groups: list[list[Block]] = [[]]
    for block in blocks:
        if isinstance(block, Heading):
            if block.level == 1:
                groups.append([])
            block = replace(block, level=2)
        groups[-1].append(block)
    return groups
