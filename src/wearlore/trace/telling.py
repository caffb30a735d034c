"""What a person says, in the words of the book -> what is told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain
from math import isfinite

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace.case import Told

AND_BY = ":"  # between what was seen and the inspection that showed it


def told(
    book: Book,
    *,
    saw: Iterable[str] = (),
    absent: Iterable[str] = (),
    dry: Iterable[str] = (),
    codes: Iterable[str] = (),
    codes_read: bool = False,
    readings: Iterable[str] = (),
    found: Iterable[str] = (),
    good: Iterable[str] = (),
) -> tuple[Told, ...]:
    """All that was said, each once.

    ``saw``, ``absent``: observations or failure modes, each alone or as ``NAME:INSPECTION`` that showed it. ``dry``:
    zones, or wet observations. ``codes``: trouble codes; ``codes_read``: those of the book that are not named are
    absent. ``readings``: ``NAME=VALUE``. ``found``, ``good``: failure modes confirmed, or looked at and good. What
    this vehicle cannot have is found out by `Case.facts`. Raises NameNotKnown and TraceError.
    """
    there = [_code(book, code) for code in codes]
    others = [id_ for id_, o in book.observations.items() if o.kind == "code" and id_ not in there]
    said = chain(
        (_seen(book, name, present=True) for name in saw),
        (_seen(book, name, present=False) for name in absent),
        (Told(id_, False) for name in dry for id_ in _wet(book, name)),
        (Told(id_) for id_ in there),
        (Told(id_, False) for id_ in others if codes_read),
        (_reading(book, written) for written in readings),
        (Told(_mode(book, name)) for name in found),
        (Told(_mode(book, name), False) for name in good),
    )
    return tuple(dict.fromkeys(said))


def written(one: Told) -> tuple[str, str]:
    """The option and its word that say the same again."""
    if one.value is not None:
        return "--read", f"{one.about}={one.value!r}"
    return "--saw" if one.present else "--absent", one.about + (f"{AND_BY}{one.by}" if one.by else "")


def _seen(book: Book, name: str, *, present: bool) -> Told:
    about, _, by = name.partition(AND_BY)
    if about.partition("@")[0] not in {*book.observations, *book.modes}:
        raise NameNotKnown("observation", about, book.observations)
    if by and by not in book.inspections:
        raise NameNotKnown("inspection", by, book.inspections)
    return Told(about, present, by=by)


def _wet(book: Book, name: str) -> Iterator[str]:
    wet = {id_: o for id_, o in book.observations.items() if o.kind == "wet"}
    if name in wet:
        yield name
        return
    if name not in book.zones:
        raise NameNotKnown("zone or wet observation", name, [*book.zones, *wet])
    found = [id_ for id_, observation in wet.items() if observation.zone == name]
    if not found:
        zones = dict.fromkeys(o.zone for o in wet.values() if o.zone)
        raise TraceError(f"nothing in zone {name} can be wet in this book", f"Zones where it can: {', '.join(zones)}")
    yield from found


def _code(book: Book, name: str) -> str:
    by_code = {o.code.upper(): id_ for id_, o in book.observations.items() if o.kind == "code" and o.code}
    known = {**by_code, **{id_: id_ for id_ in by_code.values()}}
    if found := known.get(name) or known.get(name.upper()):
        return found
    raise NameNotKnown("trouble code", name, by_code)


def _reading(book: Book, written: str) -> Told:
    name, _, number = written.partition("=")
    readings = [id_ for id_, o in book.observations.items() if o.kind == "reading"]
    if name not in readings:
        raise NameNotKnown("reading", name, readings)
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise TraceError(f"{number!r} is no value of {name}", f"Give a number: {name}=1.5")
    return Told(name, value=value)


def _mode(book: Book, name: str) -> str:
    if name.partition("@")[0] not in book.modes:
        raise NameNotKnown("failure mode", name, book.modes)
    return name
