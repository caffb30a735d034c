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
    source = files("wearlore.report").joinpath("templates", "sheets.typ").read_bytes()
    data = json.dumps([_plain(sheet) for sheet in sheets], ensure_ascii=False)
    return typst.compile(source, ignore_system_fonts=True, sys_inputs={"sheets": data})


def _plain(sheet: Sheet) -> dict[str, object]:
    blocks = [{"block": type(block).__name__, **asdict(block)} for block in sheet.blocks]
    return {**asdict(sheet), "made_on": sheet.made_on.isoformat(), "blocks": blocks}
