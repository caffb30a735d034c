"""A workshop folder: its book and its store, read once.

folder/book.yaml or folder/book/*.yaml    the book
folder/records.duckdb                     the store
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from copy import copy
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, Generic, Self, TypeVar

from wearlore.book import load
from wearlore.book.model import Book
from wearlore.records import intake
from wearlore.records.files import open_file
from wearlore.records.gate import Gate
from wearlore.records.store import Store
from wearlore.records.summary import Summary, summary

Progress = Callable[[str, int, int], None]  # what is being done, how much of it, of how much (0: not known)


def silent(_what: str, _done: int, _of: int) -> None:
    """No progress shown."""


T = TypeVar("T")


class once(Generic[T]):
    """A property found once for a bench and for all that `Folder.telling` makes of it."""

    def __init__(self, find: Callable[[Any], T]) -> None:
        self.find, self.name = find, find.__name__
        self.__doc__ = find.__doc__

    def __get__(self, bench: Any, kind: type | None = None) -> T:
        if self.name not in bench.found_once:
            bench.found_once[self.name] = self.find(bench)
        found: T = bench.found_once[self.name]
        return found


class Folder:
    """The book and the store of ``folder``.

    ``seed`` starts the generator that every draw comes from, so that the same question has the same answer. Methods
    raise WearloreError of the kind that fits.
    """

    def __init__(
        self, folder: str | Path, *, group_km: float | None = None, seed: int = 1, progress: Progress = silent
    ) -> None:
        self.folder = Path(folder)
        self.group_km = group_km
        self.seed = seed
        self.progress = progress
        self.gate = Gate()
        self.found_once: dict[str, Any] = {}

    def again(self) -> Self:
        """The folder as it is now: nothing read yet, beside this one."""
        anew = type(self)(self.folder, group_km=self.group_km, seed=self.seed, progress=self.progress)
        anew.gate = self.gate
        return anew

    def telling(self, progress: Progress) -> Self:
        """This one, with all that it has read, telling its progress elsewhere."""
        other = copy(self)
        other.progress = progress
        return other

    @property
    def store_path(self) -> Path:
        return self.folder / "records.duckdb"

    @property
    def book_path(self) -> Path:
        """The folder ``book`` where there is one, otherwise the file ``book.yaml``."""
        several = self.folder / "book"
        return several if several.is_dir() else self.folder / "book.yaml"

    @once
    def book(self) -> Book:
        """The book, refused when its review finds an error."""
        return load.load(self.book_path)

    def take(self, paths: Iterable[str | Path], *, today: date, quarantine: bool = False) -> tuple[intake.Intake, ...]:
        """Load files of records, vehicles before what happened to them; each file is one transaction."""
        book = self.book
        with self._writing() as store:
            return tuple(
                intake.take(
                    store,
                    book,
                    path,
                    today=today,
                    quarantine=quarantine,
                    progress=partial(self.progress, f"taking {Path(path).name}"),
                )
                for path in sorted(paths, key=lambda path: open_file(path).kind != "vehicles")
            )

    def records(self) -> Summary:
        """What the store holds."""
        with self._reading() as store:
            return summary(store)

    @contextmanager
    def _reading(self) -> Iterator[Store]:
        with self.gate.reading(), Store.open(self.store_path, read_only=True) as store:
            yield store

    @contextmanager
    def _writing(self) -> Iterator[Store]:
        with self.gate.writing(), Store.open(self.store_path) as store:
            yield store
