"""The answers to whether forecasts held, by what the records of a last part say."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from wearlore.hindsight import Coverage, Tally, Verdict
from wearlore.trace.calibration import Calibration


@dataclass(frozen=True, slots=True)
class ModeHindsight:
    """One mode's forecast beside what happened.

    ``pieces`` were at risk (of a hidden mode: looks at them), ``begun`` of them fitted since the cut-off. ``unknown``
    more were of unknown age and are left out, ``unknown_failed`` of them failed. ``before``: failures in as long a time
    before the cut-off. ``beyond_chance``: further off than chance makes it among so many modes.
    """

    mode: str
    name: str
    noticed: Literal["evident", "hidden"]
    pieces: int
    begun: int
    tally: Tally
    before: int
    unknown: int
    unknown_failed: int
    beyond_chance: bool


@dataclass(frozen=True, slots=True)
class FamilyHindsight:
    """Forecasts of a family made with what was known up to and including the day ``cut_off``, to the day ``end``.

    ``modes``: those of which anything was at risk, furthest off first. ``pieces``: the chance of each piece (or look)
    beside what became of it. ``vehicles`` are on record, ``seen`` of them since the cut-off, which ran ``distance``
    km. ``naive_error``: mean absolute error, in failures a mode, of "as many as in the time before", to be compared
    with ``verdict.crps``. ``silent``: modes of which nothing was at risk; ``not_known``: those of which there was
    neither a record nor a judgement.
    """

    family: str
    hold_out: str
    cut_off: date
    end: date
    vehicles: int
    seen: int
    distance: float
    verdict: Verdict
    modes: tuple[ModeHindsight, ...]
    pieces: Calibration
    naive_error: float
    silent: tuple[str, ...]
    not_known: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrackRecord:
    """In short: how forecasts made ``hold_out`` before the newest record held, over ``modes`` failure modes."""

    hold_out: str
    cut_off: date
    end: date
    modes: int
    half: Coverage
    most: Coverage
    sum: Tally
