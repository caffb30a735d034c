"""A publication as both formats show it: chapters of blocks, and the specialist's own words as runs of text.

Beside the blocks of every document (`report.sheet`) it has facts and words. All of it is data: neither format reads
anything in it as markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from markdown_it.token import Token

from wearlore.answers.guide import Reader
from wearlore.book.markdown import reader
from wearlore.report.sheet import Block

Style = Literal["paragraph", "bullet", "number"]


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch of text; ``link``: an address, or ``#`` and the name of a chapter."""

    text: str
    strong: bool = False
    emphasis: bool = False
    link: str = ""


@dataclass(frozen=True, slots=True)
class Passage:
    """A paragraph, or an item of a list at ``depth`` from 0; ``mark``: what stands before it."""

    style: Style
    runs: tuple[Run, ...]
    depth: int = 0
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """What the specialist says, with whose words they are."""

    passages: tuple[Passage, ...]
    author: str


@dataclass(frozen=True, slots=True)
class Facts:
    pairs: tuple[tuple[str, str], ...]


GuideBlock = Block | Words | Facts


@dataclass(frozen=True, slots=True)
class Chapter:
    """``anchor``: by which it is linked to; ``group``: under which the contents list it; ``kicker``: a line above."""

    anchor: str
    title: str
    group: str
    kicker: str
    blocks: tuple[GuideBlock, ...]


@dataclass(frozen=True, slots=True)
class Publication:
    reader: Reader
    kind: str
    title: str
    subtitle: str
    author: str
    made_on: date
    facts: tuple[tuple[str, str], ...]
    chapters: tuple[Chapter, ...]
    small_print: str


def words(text: str, author: str, chapters: Sequence[str]) -> tuple[Words, ...]:
    """The Markdown of the book as words; a link to a chapter that this publication does not have stays plain."""
    passages = tuple(_passages(reader().parse(text), frozenset(chapters)))
    return (Words(passages, author),) if passages else ()


def _passages(tokens: Sequence[Token], chapters: frozenset[str]) -> list[Passage]:
    found: list[Passage] = []
    lists: list[tuple[Style, int]] = []
    fresh = False
    for token in tokens:
        if token.type in ("bullet_list_open", "ordered_list_open"):
            style: Style = "bullet" if token.type.startswith("bullet") else "number"
            lists.append((style, int(token.attrs.get("start", 1)) - 1))
        elif token.type in ("bullet_list_close", "ordered_list_close"):
            lists.pop()
        elif token.type == "list_item_open":
            lists[-1] = (lists[-1][0], lists[-1][1] + 1)
            fresh = True
        elif token.type == "inline":
            runs = tuple(_runs(token.children or [], chapters))
            if not lists:
                found.append(Passage("paragraph", runs))
            else:
                style, number = lists[-1]
                mark = ("•" if style == "bullet" else f"{number}.") if fresh else ""
                found.append(Passage(style, runs, len(lists) - 1, mark))
                fresh = False
    return found


def _runs(tokens: Sequence[Token], chapters: frozenset[str]) -> list[Run]:
    runs: list[Run] = []
    strong = emphasis = 0
    link = ""
    for token in tokens:
        match token.type:
            case "strong_open" | "strong_close":
                strong += token.nesting
            case "em_open" | "em_close":
                emphasis += token.nesting
            case "link_open":
                address = str(token.attrs.get("href", ""))
                link = address if not address.startswith("#") or address[1:] in chapters else ""
            case "link_close":
                link = ""
            case "softbreak" | "hardbreak":
                runs.append(Run(" ", strong > 0, emphasis > 0, link))
            case _:
                if token.content:
                    runs.append(Run(token.content, strong > 0, emphasis > 0, link))
    return runs
