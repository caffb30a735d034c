"""Sheets -> one self-contained HTML file: our own style, light and dark, screen, phone and paper."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import get_args

from jinja2 import Environment, PackageLoader, StrictUndefined

from wearlore.book.model import Signal
from wearlore.report.sheet import Block, Sheet


def to_html(sheets: Sequence[Sheet]) -> str:
    """The sheets one after another, each on paper of its own when printed; everything in them is escaped."""
    return (
        _environment()
        .get_template("sheets.html")
        .render(sheets=[(sheet, _named(sheet.blocks)) for sheet in sheets], signals=get_args(Signal))
    )


def to_fragment(blocks: Sequence[Block]) -> str:
    """The blocks alone, for a page that has `style_sheet`; everything in them is escaped."""
    macros = _environment().get_template("blocks.html").make_module({"signals": get_args(Signal)})
    return str(macros.shown(_named(blocks)))  # type: ignore[attr-defined]


def style_sheet() -> str:
    """The look of all blocks."""
    return files("wearlore.report").joinpath("templates", "sheets.css").read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("wearlore.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _named(blocks: Sequence[Block]) -> list[tuple[str, object]]:
    return [(type(block).__name__, block) for block in blocks]
