"""The way to the work of a visit: what comes off for what, and who shares it; as HTML, everything in it escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from wearlore.answers import Opened
from wearlore.book.model import Book
from wearlore.jobcard.reasons import piece

NAMED = 3  # pieces that are named one by one
DEEPEST = 8  # steps of indentation that a page has room for


def access_picture(opened: Sequence[Opened], book: Book) -> str:
    """A list of bars: each operation below the last that must come off for it, as long as it takes."""
    if not opened:
        return ""
    longest = max(one.hours for one in opened) or 1.0
    return f'<ol class="way-in">{"".join(_bar(one, longest, book) for one in opened)}</ol>'


def _bar(one: Opened, longest: float, book: Book) -> str:
    shared = len(one.for_units) > 1
    also_said = f'<span class="also">also after: {escape(", ".join(one.after))}</span>' if one.after else ""
    return (
        f'<li style="--level:{min(one.level, DEEPEST)};--share:{one.hours / longest:.3f}" '
        f'class="{"shared" if shared else "own"}" aria-level="{one.level + 1}">'
        f'<span class="work">{escape(one.name)}</span>'
        f'<span class="minutes">{60 * one.hours:.0f} min</span>'
        f'<span class="bar" aria-hidden="true"></span>'
        f'<span class="for">{escape(_for_whom(one, book))}</span>{also_said}</li>'
    )


def _for_whom(one: Opened, book: Book) -> str:
    names = [piece(unit, book).lower() for unit in one.for_units]
    if len(names) <= NAMED:
        return f"for {' and '.join(filter(None, [', '.join(names[:-1]), names[-1]]))}"
    return f"shared by {len(names)} pieces"


def shared_in_words(opened: Sequence[Opened], hours_alone: float, hours: float) -> str:
    """What the picture comes to."""
    shared = [one for one in opened if len(one.for_units) > 1]
    if not shared:
        return f"{len(opened)} operations, none of them shared."
    return (
        f"{len(opened)} operations, {len(shared)} of them shared: done once, {hours:.1f} h in all. On visits of their "
        f"own the same pieces would take {hours_alone:.1f} h."
    )
