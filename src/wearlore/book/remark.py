"""What a check of the review has to say about one thing in the book, before its file and line are looked up."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Literal, NamedTuple

from wearlore.book.source import Path

Severity = Literal["error", "warning", "note"]


class Remark(NamedTuple):
    """error: certainly wrong, nothing computes with it. warning: looks wrong. note: worth knowing."""

    severity: Severity
    path: Path
    expected: str
    mend: str = ""


def did_you_mean(name: str, known: Iterable[str], otherwise: str) -> str:
    near = get_close_matches(name, list(known), n=2, cutoff=0.6)
    return f"Did you mean {' or '.join(repr(n) for n in near)}?" if near else otherwise
