"""A publication -> a typeset PDF by Typst: title page, contents with page numbers, running heads, tagged for readers.

The words travel as data, not as markup: nothing that a book holds is read as Typst.
"""

from __future__ import annotations

import json
from dataclasses import asdict

import typst

from wearlore.report.guide.document import Publication
from wearlore.report.pdf import source


def guide_pdf(publication: Publication) -> bytes:
    """The same publication gives the same bytes. By PDF/UA-1: headings, alternative texts, reading order."""
    chapters = [
        {**asdict(chapter), "blocks": [{"block": type(block).__name__, **asdict(block)} for block in chapter.blocks]}
        for chapter in publication.chapters
    ]
    data = {**asdict(publication), "made_on": publication.made_on.isoformat(), "chapters": chapters}
    return typst.compile(
        source("guide.typ"),
        ignore_system_fonts=True,
        pdf_standards="ua-1",
        sys_inputs={"guide": json.dumps(data, ensure_ascii=False)},
    )
