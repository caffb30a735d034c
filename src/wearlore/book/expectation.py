"""What was expected where the book has another shape, and how to mend it, in words a mechanic can act on."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import Any, get_args

from pydantic_core import ErrorDetails

from wearlore.book.model import Book, Entry
from wearlore.book.source import Path

Words = tuple[str, str]
ID_MEND = "Use small letters, digits and hyphens{}."


def expectation(details: ErrorDetails, path: Path) -> Words:
    """(expected, mend) for one of pydantic's errors at ``path``."""
    kind, limits, given = details["type"], details.get("ctx", {}), details["input"]
    if kind == "extra_forbidden":
        return _unknown_name(path)
    if kind == "missing":
        if isinstance(path[-1], int):
            return f"a list with {path[-1] + 1} values at least", "Add the value that is missing."
        return f"'{path[-1]}:' here", "Add the line."
    if kind == "string_pattern_mismatch":
        return _pattern(str(limits.get("pattern")), str(given))
    if kind == "value_error":
        return str(limits.get("error", details["msg"])), ""
    if kind == "too_short" and isinstance(given, Mapping):
        return f"at least {limits['min_length']} name here", ""
    if kind in _LIMITS:
        return _LIMITS[kind](limits) + ("" if isinstance(given, list | tuple) else f", not {_shown(given)}"), ""
    for start, (expected, mend) in _SHAPES.items():
        if kind.startswith(start):
            return f"{expected}, not {_shown(given)}", mend(given)
    return f"{details['msg'][:1].lower()}{details['msg'][1:]}", ""


def _unknown_name(path: Path) -> Words:
    entry = entry_at(path[:-1])
    known = list(entry.model_fields) if entry else []
    near = get_close_matches(str(path[-1]), known, n=1, cutoff=0.6)
    if near:
        return f"a name known here, not '{path[-1]}'", f"Did you mean '{near[0]}'?"
    return f"a name known here, not '{path[-1]}'", f"Known are: {', '.join(known)}."


def entry_at(path: Path) -> type[Entry] | None:
    """The model of what stands at ``path`` of a book."""
    entry: type[Entry] = Book
    steps = iter(path)
    for step in steps:
        field = entry.model_fields.get(str(step))
        inner = _entry_in(field.annotation) if field else None
        if inner is None:
            return None
        if field and getattr(field.annotation, "__origin__", None) in (dict, tuple):
            next(steps, None)  # the id or the number in the list
        entry = inner
    return entry


def _entry_in(annotation: Any) -> type[Entry] | None:
    if isinstance(annotation, type) and issubclass(annotation, Entry):
        return annotation
    return next(filter(None, map(_entry_in, get_args(annotation))), None)


def _pattern(pattern: str, given: str) -> Words:
    if "a-z0-9" in pattern:
        spelled = re.sub(r"[^a-z0-9]+", "-", given.lower()).strip("-")
        return f"an id, not {_shown(given)}", ID_MEND.format(f", for example {spelled}" if spelled else "")
    known = {
        r"^[A-Z]{3}$": ("three capital letters", ""),
        r"^\d\.\d$": ("a number of ISO 14224 Table B.2 such as '2.4'", "Put it in quotes."),
    }
    expected, mend = known.get(pattern, ("a size such as M8 or M10x1.25", "Write a small x and a decimal point."))
    return f"{expected}, not {_shown(given)}", mend


def _shown(given: Any) -> str:
    if isinstance(given, Mapping):
        return "names with values"
    if isinstance(given, list | tuple):
        return "a list"
    if given is None:
        return "nothing"
    text = str(given)
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _number_mend(given: Any) -> str:
    text = str(given).strip()
    if re.fullmatch(r"\d{1,3}([ ,.']\d{3})+", text):
        return f"Write {re.sub(r'[^0-9]', '', text)}: digits without separators."
    if re.fullmatch(r"\d+,\d+", text):
        return f"Write {text.replace(',', '.')}, with a decimal point."
    if found := re.search(r"\d+(\.\d+)?", text):
        return f"Write the number alone: {found[0]} (units and currency stand in family.units)."
    return "Write digits with a decimal point."


def _nothing(given: Any) -> str:
    return ""


_LIMITS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "greater_than": lambda limits: f"a number above {limits['gt']:g}",
    "greater_than_equal": lambda limits: f"a number of at least {limits['ge']:g}",
    "less_than": lambda limits: f"a number below {limits['lt']:g}",
    "less_than_equal": lambda limits: f"a number of at most {limits['le']:g}",
    "literal_error": lambda limits: str(limits["expected"]),
    "too_short": lambda limits: f"a list with at least {limits['min_length']} in it",
    "too_long": lambda limits: f"a list with at most {limits['max_length']} in it",
    "string_too_short": lambda limits: "some words",
    "string_too_long": lambda limits: f"at most {limits['max_length']} characters",
}
_SHAPES: dict[str, tuple[str, Callable[[Any], str]]] = {
    "string": ("text", lambda given: "" if isinstance(given, dict | list) or given is None else "Put it in quotes."),
    "int": ("a whole number", _number_mend),
    "float": ("a number", _number_mend),
    "finite": ("a finite number", _nothing),
    "bool": ("true or false", _nothing),
    "date": ("a date such as 2019-05-31", _nothing),
    "tuple": (
        "a list such as [one, two]",
        lambda given: "Put it in square brackets." if isinstance(given, str) else "",
    ),
    "dict": ("names with values, one on each line", _nothing),
    "model": ("names with values, one on each line", _nothing),
}
