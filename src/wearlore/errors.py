"""The errors a person may cause, and what each one tells.

    WearloreError
    ├── BookErrors      a book that cannot be used: holds every BookError found in it
    │   └── BookError   one place: file, line, path in the book, what was expected, how to mend it
    ├── RecordsError    one place in a file of records: file, line, field, what was expected, how to mend it
    │   └── RecordsErrors   every place found in one file
    ├── StoreError      the store cannot be opened, read or written
    │   └── StoreBusy   another process has it open: the same may go well a little later
    ├── ChangedSince    a vehicle whose records are no longer those that somebody had before them
    ├── NameNotKnown    a vehicle, component, mode … that does not exist, with the nearest that do
    ├── CannotOccur     a failure mode that a vehicle cannot have
    ├── LivesError      arrays of lives that contradict themselves
    ├── FitError        a life model that the lives do not determine
    ├── ScopeError      demands on a visit that collide
    ├── TraceError      causes and findings that contradict themselves, or too many that hang together
    ├── AppraisalError  what is said of a vehicle for sale, or of prices, that cannot be
    ├── HindsightError  records of which no part can be held out and forecast
    ├── PlanError       a plan that cannot be, or that breaks a ceiling on risk
    ├── ServeError      a bench that cannot be served as told: address, password, certificate
    └── OutputError     a document that cannot be written

Fields travel in ``args`` (so that an error survives a worker process) and the text is built in ``__str__``.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class WearloreError(Exception):
    """Anything a person can mend; the command line prints it and ends with exit code 2."""


class BookError(WearloreError, ValueError):
    """One place in a book that cannot be used (line 0: the file or folder as a whole)."""

    def __init__(self, file: str, line: int, path: str, expected: str, mend: str) -> None:
        super().__init__(file, line, path, expected, mend)

    def __str__(self) -> str:
        file, line, path, expected, mend = self.args
        place = f"{file}:{line}" if line else f"{file}"
        return f"{place}: {path}: expected {expected}. {mend}".rstrip()


class BookErrors(WearloreError):
    """All that is wrong with a book, at once."""

    def __init__(self, errors: Iterable[BookError]) -> None:
        super().__init__(tuple(errors))

    @property
    def errors(self) -> tuple[BookError, ...]:
        return tuple(self.args[0])

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)


class RecordsError(WearloreError, ValueError):
    """One place in a file of records that cannot be taken (line 0: the file as a whole)."""

    def __init__(self, file: str, line: int, field: str, expected: str, mend: str) -> None:
        super().__init__(file, line, field, expected, mend)

    def __str__(self) -> str:
        file, line, field, expected, mend = self.args
        place = f"{file}:{line}" if line else f"{file}"
        return f"{place}: {field}: expected {expected}. {mend}".rstrip()


class RecordsErrors(WearloreError):
    """All lines of a file that cannot be taken; the store is as it was. Its text shows the first `SHOWN` of them."""

    SHOWN = 50

    def __init__(self, errors: Iterable[RecordsError]) -> None:
        super().__init__(tuple(errors))

    @property
    def errors(self) -> tuple[RecordsError, ...]:
        return tuple(self.args[0])

    def __str__(self) -> str:
        shown = [str(error) for error in self.errors[: self.SHOWN]]
        if more := len(self.errors) - len(shown):
            shown.append(f"… and {more:,} more like these.")
        return "\n".join(shown)


class StoreError(WearloreError):
    """The store cannot be opened, read or written."""

    def __init__(self, path: str, problem: str, mend: str) -> None:
        super().__init__(path, problem, mend)

    def __str__(self) -> str:
        path, problem, mend = self.args
        return f"{path}: {problem}. {mend}".rstrip()


class ChangedSince(WearloreError):
    """A vehicle whose records are no longer those of the version that somebody had before them."""

    def __init__(self, vehicle: str, expected: str, now: str) -> None:
        super().__init__(vehicle, expected, now)

    def __str__(self) -> str:
        vehicle, _, _ = self.args
        return f"something was put on record of {vehicle} since this was opened. Look at it, then add yours as well."


class StoreBusy(StoreError):
    """Another process has the store open; the same may go well a little later."""


class NameNotKnown(WearloreError, LookupError):
    """A name that stands for nothing here; names the nearest that do."""

    def __init__(self, kind: str, name: str, known: Iterable[str]) -> None:
        super().__init__(kind, name, tuple(known))

    def __str__(self) -> str:
        kind, name, known = self.args
        spelled = {other.casefold(): other for other in known}
        near = [spelled[other] for other in get_close_matches(name.casefold(), spelled, n=3, cutoff=0.5)]
        near = near or sorted(known)[:5]
        hint = f"Did you mean {', '.join(near)}?" if near else f"There is no {kind} yet."
        return f"no {kind} is called {name!r}. {hint}"


class CannotOccur(WearloreError, LookupError):
    """A failure mode of the book that this vehicle cannot have."""

    def __init__(self, mode: str, vehicle: str, variant: str) -> None:
        super().__init__(mode, vehicle, variant)

    def __str__(self) -> str:
        mode, vehicle, variant = self.args
        return (
            f"{mode} cannot occur on {vehicle} ({variant}). "
            "Its variant, or the revision fitted to it, does not have this failure mode."
        )


class LivesError(WearloreError, ValueError):
    """Arrays of lives that contradict themselves at one row (counted from 0)."""

    def __init__(self, row: int, expected: str) -> None:
        super().__init__(row, expected)

    def __str__(self) -> str:
        row, expected = self.args
        return f"life {row}: expected {expected}"


class FitError(WearloreError):
    """A life model that these lives do not determine."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem, mend)

    def __str__(self) -> str:
        problem, mend = self.args
        return f"{problem}. {mend}".rstrip()


class ScopeError(WearloreError):
    """Demands on a visit that cannot all be met."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem, mend)

    def __str__(self) -> str:
        problem, mend = self.args
        return f"{problem}. {mend}".rstrip()


class TraceError(WearloreError, ValueError):
    """Causes, findings and facts from which nothing can be concluded."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem, mend)

    def __str__(self) -> str:
        problem, mend = self.args
        return f"{problem}. {mend}".rstrip()


class AppraisalError(WearloreError, ValueError):
    """What is said of a vehicle for sale, or of prices, that cannot be."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem, mend)

    def __str__(self) -> str:
        problem, mend = self.args
        return f"{problem}. {mend}".rstrip()


class HindsightError(WearloreError, ValueError):
    """Records of which no part can be held out and forecast."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem, mend)

    def __str__(self) -> str:
        problem, mend = self.args
        return f"{problem}. {mend}".rstrip()


class PlanError(WearloreError, ValueError):
    """A plan that cannot be, or that breaks a ceiling on risk."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem, mend)

    def __str__(self) -> str:
        problem, mend = self.args
        return f"{problem}. {mend}".rstrip()


class ServeError(WearloreError):
    """A bench that cannot be served as told: its address, password or certificate."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem, mend)

    def __str__(self) -> str:
        problem, mend = self.args
        return f"{problem}. {mend}".rstrip()


class OutputError(WearloreError):
    """A document that cannot be written."""

    def __init__(self, path: str, problem: str, mend: str) -> None:
        super().__init__(path, problem, mend)

    def __str__(self) -> str:
        path, problem, mend = self.args
        return f"{path}: {problem}. {mend}".rstrip()
