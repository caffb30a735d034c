"""The answer to whether what traces say can be trusted, by what was found afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from wearlore.trace.calibration import Calibration


@dataclass(frozen=True, slots=True)
class Miss:
    """A ``cause`` (``MODE`` or ``MODE@POSITION``) of which the opposite was likelier than what was ``found``.

    ``stated``: the chance given to it at odometer ``traced_km``. What was found stands in line ``line`` of ``file``.
    """

    vehicle: str
    traced_on: date
    traced_km: float
    cause: str
    name: str
    stated: float
    found: bool
    found_on: date
    found_km: float
    text: str
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class TraceCalibration:
    """Stated chances of a family's traces beside what was found.

    ``calibration``: of the ``resolved`` predictions that were in question; None while there is none. The other
    ``predictions``: ``beside`` (resolved, not in question), ``superseded`` (by a later one before the same finding),
    ``open`` (nothing found within ``within`` km), ``gone`` (of modes that the book no longer has). ``misses``: the
    worst of those resolved, worst first.
    """

    family: str
    calibration: Calibration | None
    traces: int
    predictions: int
    resolved: int
    beside: int
    superseded: int
    open: int
    gone: int
    within: float
    misses: tuple[Miss, ...]
