"""What is said of one vehicle on the trace page: as its address holds it, and as the command that asks the same."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Protocol

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace import Told, told, written
from wearlore.web.frame import of_vehicle

FREE = "yes"  # what a tick says in an address


class Query(Protocol):
    """The query of an address."""

    def getlist(self, key: str) -> list[str]: ...


@dataclass(frozen=True, slots=True)
class Said:
    """``codes_read``: those not named are told as absent. ``odometer`` in the units shown; ``skip``: looks not now."""

    told: tuple[Told, ...] = ()
    codes_read: bool = False
    off: tuple[str, ...] = ()
    missing_tool: tuple[str, ...] = ()
    odometer: float | None = None
    rate: float | None = None
    skip: tuple[str, ...] = ()

    @classmethod
    def of(cls, book: Book, query: Query) -> Said:
        """What an address says. Raises NameNotKnown, TraceError for what the book does not know."""
        several = query.getlist
        codes_read = several("codes-read") != []
        for kind, name, known in (
            ("operation", "off", book.operations),
            ("tool", "missing-tool", book.tools),
            ("inspection", "skip", book.inspections),
        ):
            for one in several(name):
                if one not in known:
                    raise NameNotKnown(kind, one, known)
        return cls(
            told(
                book, saw=several("saw"), absent=several("absent"), dry=several("dry"), codes=several("code"),
                codes_read=codes_read, readings=several("read"), found=several("found"), good=several("good"),
            ),
            codes_read,
            tuple(several("off")),
            tuple(several("missing-tool")),
            number("the odometer", "".join(several("odometer")[:1])),
            number("the labour rate", "".join(several("rate")[:1])),
            tuple(several("skip")),
        )  # fmt: skip

    # ------------------------------------------------------------------------------------------------------- looking
    def about(self, name: str) -> Told | None:
        """What is said of it: by the person, else by the look that came last."""
        said = [one for one in self.told if one.about == name]
        return next((one for one in said if not one.by), said[-1] if said else None)

    # -------------------------------------------------------------------------------------------------------- saying
    def saying(self, *said: Told) -> Said:
        """With these, in the place of what was said of the same by the same."""
        about = {(one.about, one.by) for one in said}
        return replace(self, told=(*(one for one in self.told if (one.about, one.by) not in about), *said))

    def unsaid(self, *names: str) -> Said:
        """Without anything of these."""
        return replace(self, told=tuple(one for one in self.told if one.about not in names))

    def with_codes_read(self, book: Book, read: bool) -> Said:
        """All codes were read, so that those not named are not there; or they were not."""
        codes = [id_ for id_, observation in book.observations.items() if observation.kind == "code"]
        if not read:
            kept = tuple(one for one in self.told if one.about not in codes or one.present or one.by)
            return replace(self, told=kept, codes_read=False)
        gone = tuple(Told(id_, False) for id_ in codes if not any(one.about == id_ for one in self.told))
        return replace(self, told=(*self.told, *gone), codes_read=True)

    # ------------------------------------------------------------------------------------------------------- writing
    def pairs(self, book: Book) -> Iterator[tuple[str, str]]:
        """All of it, as names and words of the command's options."""
        for one in self.told:
            observation = book.observations.get(one.about)
            code = observation is not None and observation.kind == "code" and not one.by
            if code and not one.present and self.codes_read:
                continue
            if code and one.present:
                yield "code", observation.code or one.about if observation else one.about
            elif observation is None and not one.by:
                yield "found" if one.present else "good", one.about
            else:
                option, word = written(one)
                yield option.removeprefix("--"), word
        yield from (("codes-read", FREE) for _ in range(self.codes_read))
        yield from (("off", name) for name in self.off)
        yield from (("missing-tool", name) for name in self.missing_tool)
        numbers = (("odometer", self.odometer), ("rate", self.rate))
        yield from ((name, f"{value:.10g}") for name, value in numbers if value is not None)

    def address(self, book: Book, vehicle: str) -> str:
        """Of the page that says the same."""
        query: dict[str, str | list[str]] = {}
        for name, word in (*self.pairs(book), *(("skip", name) for name in self.skip)):
            query[name] = [*query.get(name, []), word]
        return of_vehicle(vehicle, "/trace", **query)

    def command(self, book: Book, vehicle: str, end: Sequence[str] = ()) -> str:
        """The one line that asks the same in a terminal."""
        words = ["wearlore", "trace", vehicle]
        for name, word in self.pairs(book):
            words += [f"--{name}"] if name == "codes-read" else [f"--{name}", word]
        return shlex.join([*words, *end])


def number(what: str, said: str) -> float | None:
    """A number typed or in an address, none where nothing stands; raises TraceError."""
    if not said.strip():
        return None
    try:
        value = float(said)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise TraceError(f"{said.strip()!r} is no number for {what}", "Give a number.")
    return value
