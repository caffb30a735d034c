"""Who may have a store open: many that read, or one that writes.

One process cannot have a DuckDB file open for reading and for writing at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Condition


class Gate:
    """Many threads may read at a time; one that writes is alone. Reading inside reading is safe."""

    def __init__(self) -> None:
        self._changed = Condition()
        self._reading = 0
        self._writing = False

    @contextmanager
    def reading(self) -> Iterator[None]:
        with self._changed:
            self._changed.wait_for(lambda: not self._writing)
            self._reading += 1
        try:
            yield
        finally:
            with self._changed:
                self._reading -= 1
                self._changed.notify_all()

    @contextmanager
    def writing(self) -> Iterator[None]:
        with self._changed:
            self._changed.wait_for(lambda: not self._writing and not self._reading)
            self._writing = True
        try:
            yield
        finally:
            with self._changed:
                self._writing = False
                self._changed.notify_all()
