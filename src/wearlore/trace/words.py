"""A person's own words -> the observations of the book that they may mean."""

from __future__ import annotations

import re
from difflib import get_close_matches

from wearlore.book.model import Book


def meant(book: Book, words: str) -> tuple[str, ...]:
    """Observations that have every word, or one that begins with it, in name, zone, fluid, code or circumstance."""
    wanted = _words_of(words)
    if words in book.observations or not wanted:
        return (words,) if wanted else ()
    called = {id_: _called_by(book, id_) for id_ in book.observations}
    return tuple(id_ for id_, own in called.items() if all(any(o.startswith(w) for o in own) for w in wanted))


def near(book: Book, words: str) -> tuple[str, ...]:
    """Words that observations have, near to those that were said."""
    known = {word for id_ in book.observations for word in _called_by(book, id_)}
    found = [word for part in _words_of(words) for word in get_close_matches(part, known, n=2, cutoff=0.7)]
    return tuple(dict.fromkeys(found))


def _called_by(book: Book, id_: str) -> list[str]:
    observation = book.observations[id_]
    zone = book.zones[observation.zone].name if observation.zone in book.zones else ""
    own = (id_, observation.name, zone, observation.fluid or "", observation.code or "", observation.circumstance)
    return _words_of(" ".join(own))


def _words_of(text: str) -> list[str]:
    return re.findall(r"\w+", text.casefold())
