"""A publication -> one self-contained HTML file; or its chapters alone, for a page that has the style already."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from itertools import groupby
from typing import Any, get_args

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from wearlore.book.model import Signal
from wearlore.report.guide.document import Chapter, Facts, GuideBlock, Publication, Words
from wearlore.report.page import style_sheet, to_fragment


def guide_html(publication: Publication) -> str:
    """The whole publication in one file that needs nothing else; everything in it is escaped."""
    return (
        _environment()
        .get_template("guide.html")
        .render(
            publication=publication,
            groups=[(name, list(chapters)) for name, chapters in groupby(publication.chapters, lambda one: one.group)],
            shown=_shown,
            style=Markup(style_sheet() + guide_style()),
        )
    )


def chapter_html(chapter: Chapter) -> str:
    """What stands below the title of a chapter."""
    return str(_shown(chapter.blocks))


def guide_style() -> str:
    """What the guide has beside the look of all documents."""
    return files("wearlore.report").joinpath("templates", "guide.css").read_text(encoding="utf-8")


def _shown(blocks: Sequence[GuideBlock]) -> Markup:
    """Words and facts by the guide's own macros, every other block as documents show it."""
    own: Any = _environment().get_template("guide_blocks.html").make_module()
    parts = []
    for block in blocks:
        if isinstance(block, Words):
            parts.append(str(own.words(block)))
        elif isinstance(block, Facts):
            parts.append(str(own.facts(block)))
        else:
            parts.append(to_fragment([block]))
    return Markup("".join(parts))


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("wearlore.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["signals"] = get_args(Signal)
    return environment
