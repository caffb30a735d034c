"""Compiled loops shared out to threads.

The loops let go of the interpreter while they run, so plain threads use every core, and any number of them may be under
way at once; each part writes rows of its own, so the result does not depend on how many there are.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from os import cpu_count

PARTS = 4  # for each core: some take longer than others


def shared_out(work: Callable[[int, int], None], size: int) -> None:
    """``work(begin, end)`` for parts that make up ``range(size)``."""
    cores = cpu_count() or 1
    parts = min(size, cores * PARTS)
    if parts <= 1 or cores == 1:
        work(0, size)
        return
    edges = [size * part // parts for part in range(parts + 1)]
    with ThreadPoolExecutor(min(cores, parts)) as threads:
        for done in [threads.submit(work, *part) for part in pairwise(edges)]:
            done.result()
