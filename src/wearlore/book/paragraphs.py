"""Review of the specialist's own paragraphs: only what a page and a printed guide can both show, and safely."""

from __future__ import annotations

from collections.abc import Iterator

from wearlore.book.markdown import MEND, anchors, refused
from wearlore.book.model import Book
from wearlore.book.remark import Remark, did_you_mean
from wearlore.book.source import Path


def paragraphs(book: Book) -> Iterator[Remark]:
    for path, text in _written(book):
        for line, what in dict.fromkeys(refused(text)):
            yield Remark("error", path, f"Markdown without {what} (line {line} of the text)", MEND)
        for name in dict.fromkeys(anchors(text)):
            if name not in book.modes:
                mend = did_you_mean(name, book.modes, "Link to the id of a failure mode.")
                yield Remark("error", path, f"a link to a failure mode, not '#{name}'", mend)
    if not book.guide.author and any(text for _, text in _written(book)):
        yield Remark("note", ("guide",), "whose words the paragraphs are", "Add 'author:' under guide.")


def _written(book: Book) -> Iterator[tuple[Path, str]]:
    yield ("guide", "owners"), book.guide.owners
    yield ("guide", "buyers"), book.guide.buyers
    for id_, mode in book.modes.items():
        yield ("modes", id_, "told"), mode.told
