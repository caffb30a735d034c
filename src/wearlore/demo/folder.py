"""The demo's workshop folder: the book, the records of its fleet, and the van whose visit is shown."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from wearlore.book import load
from wearlore.demo import BOOK, SEED
from wearlore.demo.fleet import default_van, simulate
from wearlore.demo.truth import Truth
from wearlore.errors import NameNotKnown, OutputError

MARK = "made-by-wearlore-demo.txt"
NOTE = "This folder was made by `wearlore demo`, which makes it anew each time. Everything in it is invented.\n"


@dataclass(frozen=True, slots=True)
class DemoFolder:
    """What was laid out: the files of records to take, and the van and faults of the visit."""

    files: tuple[Path, ...]
    vehicle: str
    faults: tuple[str, ...]


def lay_out(folder: Path, *, vans: int, progress: Callable[[str, int, int], None]) -> DemoFolder:
    """Write book and records of ``vans`` invented vans into ``folder``, in place of an earlier demo.

    Raises OutputError when the folder holds anything but an earlier demo, or cannot be written.
    """
    if vans < 1:
        raise OutputError(str(folder), "a fleet needs at least one van", "Give --vans a number above 0.")
    _clear(folder)
    progress("inventing the fleet", 0, 0)
    fleet = simulate(load.load(folder / "book"), Truth.read(), vans=vans, rng=np.random.default_rng(SEED))
    files = fleet.write(folder / "records")
    try:
        van = default_van(fleet)
    except NameNotKnown as none:
        raise OutputError(str(folder), "no van of so small a fleet has a fault to show", "Give --vans more.") from none
    return DemoFolder(files, van.vehicle, (van.mode,))


def _clear(folder: Path) -> None:
    try:
        if folder.exists() and any(folder.iterdir()) and not (folder / MARK).exists():
            raise OutputError(str(folder), "this folder holds something else", "Name a new one with --folder.")
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        (folder / MARK).write_text(NOTE, encoding="utf-8")
        shutil.copytree(BOOK, folder / "book")
    except OSError as error:
        raise OutputError(str(folder), f"it cannot be written: {error.strerror}", "Name another folder.") from error
