"""Compiled parallel code is entered by one thread at a time: not every threading layer bears two, some end the process.

``with PARALLEL:`` stands around each call of a kernel compiled with ``parallel=True``.
"""

from __future__ import annotations

from threading import Lock

PARALLEL = Lock()
