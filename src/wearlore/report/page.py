"""Sheets -> one self-contained HTML file: our own style, light and dark, screen, phone and paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from jinja2 import Environment, PackageLoader, StrictUndefined

from wearlore.book.model import Signal
from wearlore.report.sheet import Sheet


def to_html(sheets: Sequence[Sheet]) -> str:
    """The sheets one after another, each on paper of its own when printed; everything in them is escaped."""
    return (
        _environment()
        .get_template("sheets.html")
        .render(sheets=[(sheet, _blocks(sheet)) for sheet in sheets], signals=get_args(Signal))
    )


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("wearlore.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _blocks(sheet: Sheet) -> list[tuple[str, object]]:
    return [(type(block).__name__, block) for block in sheet.blocks]
