"""Who may have a store open: many that read, or one that writes.

One process cannot have a DuckDB file open for reading and for writing at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Condition, get_ident


class Gate:
    """Many threads may read at a time; one that writes is alone, and those who come after it has asked wait for it.

    Reading inside reading is safe; reading and writing do not go inside one another.
    """

    def __init__(self) -> None:
        self._changed = Condition()
        self._readers: dict[int, int] = {}  # threads that read, and how deep
        self._asked = 0
        self._writing = False

    @contextmanager
    def reading(self) -> Iterator[None]:
        me = get_ident()
        with self._changed:
            self._changed.wait_for(lambda: me in self._readers or not (self._writing or self._asked))
            self._readers[me] = self._readers.get(me, 0) + 1
        try:
            yield
        finally:
            with self._changed:
                self._readers[me] -= 1
                if not self._readers[me]:
                    del self._readers[me]
                self._changed.notify_all()

    @contextmanager
    def writing(self) -> Iterator[None]:
        with self._changed:
            self._asked += 1
            try:
                self._changed.wait_for(lambda: not (self._writing or self._readers))
            finally:
                self._asked -= 1
            self._writing = True
        try:
            yield
        finally:
            with self._changed:
                self._writing = False
                self._changed.notify_all()
