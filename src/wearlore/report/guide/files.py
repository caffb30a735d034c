"""The guide as files to publish: a page and a printed guide for each reader."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import get_args

from wearlore.answers.guide import FamilyGuide, Reader
from wearlore.report.guide.page import guide_html
from wearlore.report.guide.print import guide_pdf
from wearlore.report.guide.publication import publication
from wearlore.units import Units

READERS: tuple[Reader, ...] = get_args(Reader)


def files(guide: FamilyGuide, readers: Iterable[Reader], units: Units, made_on: date) -> dict[str, bytes]:
    """Name -> content."""
    made = {}
    for reader in readers:
        published = publication(guide, reader, units, made_on)
        made[f"{reader}.html"] = guide_html(published).encode()
        made[f"{reader}.pdf"] = guide_pdf(published)
    return made
