"""Sheets -> PDF by Typst: A4, page numbers, the vehicle and the date on every page.

The words travel as data, not as markup: nothing that a book or a record holds is read as Typst.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from importlib.resources import files

import typst

from wearlore.report.sheet import Sheet


def to_pdf(sheets: Sequence[Sheet]) -> bytes:
    """The sheets as one PDF, each beginning on a page of its own; the same sheets give the same bytes."""
    data = json.dumps([_plain(sheet) for sheet in sheets], ensure_ascii=False)
    return typst.compile(source("sheets.typ"), ignore_system_fonts=True, sys_inputs={"sheets": data})


def source(template: str) -> bytes:
    """A template with the blocks of all documents before it."""
    templates = files("wearlore.report").joinpath("templates")
    return templates.joinpath("blocks.typ").read_bytes() + templates.joinpath(template).read_bytes()


def _plain(sheet: Sheet) -> dict[str, object]:
    blocks = [{"block": type(block).__name__, **asdict(block)} for block in sheet.blocks]
    return {**asdict(sheet), "made_on": sheet.made_on.isoformat(), "blocks": blocks}
