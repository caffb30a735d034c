"""The Markdown that a person may write in the book: paragraphs, lists, emphasis, links to read on. Nothing else.

The rules stand here once: the review tells what breaks them, and the guide reads by them. What no rule allows stays
plain text, so that nothing written in a book becomes markup of a page.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from markdown_it import MarkdownIt
from markdown_it.token import Token

ALLOWED = ("paragraph", "list", "emphasis", "link", "newline", "escape", "entity", "backticks", "autolink")
LINK = re.compile(r"^(https?://|mailto:|#)", re.IGNORECASE)
REFUSED = {
    "html_block": "raw HTML",
    "html_inline": "raw HTML",
    "image": "an image",
    "heading_open": "a heading",
    "fence": "a block of code",
    "code_block": "a block of code",
    "table_open": "a table",
    "hr": "a rule",
    "blockquote_open": "a quotation",
}
MEND = "Write paragraphs, lists with -, *emphasis*, **strong words** and [links](https://…)."


class _Careful(MarkdownIt):
    def validateLink(self, url: str) -> bool:
        return may_link(url)


class _Lenient(MarkdownIt):
    def validateLink(self, url: str) -> bool:
        return True


def reader() -> MarkdownIt:
    """Reads what is allowed; links go to http, https, mailto or an anchor of the same document."""
    return _Careful("zero", {"html": False}).enable(list(ALLOWED))


def may_link(address: str) -> bool:
    return bool(LINK.match(address.strip()))


def refused(text: str) -> Iterator[tuple[int, str]]:
    """What the text uses and may not, with its line in the text, counted from 1."""
    markdown = _Lenient("commonmark", {"html": True}).enable("table")
    for block in markdown.parse(text):
        line = block.map[0] + 1 if block.map else 1
        for token in (block, *(block.children or ())):
            if token.type in REFUSED:
                yield line, REFUSED[token.type]
            elif token.type == "link_open" and not may_link(_address(token)):
                yield line, f"a link to {_address(token)!r}"


def anchors(text: str) -> Iterator[str]:
    """Names within the document that the text links to: ``#chain-stretch``."""
    for block in reader().parse(text):
        for token in block.children or ():
            if token.type == "link_open" and _address(token).startswith("#"):
                yield _address(token)[1:]


def _address(token: Token) -> str:
    return str(token.attrs.get("href", ""))
