"""Answers on the years to come of one vehicle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from wearlore.answers.hindsight import TrackRecord
from wearlore.estimate import Estimate
from wearlore.lives import Evidence
from wearlore.outlook.forecast import Forecast, Saving, Yearly
from wearlore.scope import Terms
from wearlore.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class ModeBehind:
    """A failure mode that costs something: its ``name``, and what its life model rests on (``record_share`` of it)."""

    name: str
    component: str
    evidence: Evidence
    record_share: float


@dataclass(frozen=True, slots=True)
class NothingShared:
    """Were every failure a visit of its own that renews one unit alone: the whole distribution, without simulation.

    ``cost`` expected, with the interval for what is not known of the lives; ``spread``: 10, 50 and 90 %. Over ``km``.
    """

    km: float
    cost: Estimate
    spread: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class VehicleOutlook:
    """What the years to come cost on one vehicle under each policy; money of the day, not discounted.

    ``by_distance``: asked for a distance (``ahead``, km), not for ``years``; then ``ahead`` is the expected one.
    ``paths``: courses simulated; ``draws`` of the lives' parameters among them. ``told``: the policy told in detail.
    ``found``, ``probable``: faults that are cured in the first visit, and such as may be there, by name. ``seen_to``:
    the greatest odometer on record, km. ``unknown``: modes left out, of which there is neither record nor judgement.
    ``track_record``: how forecasts held on these records; None where they are too short to tell.
    """

    vehicle: Vehicle
    terms: Terms
    yearly: Yearly
    ahead: float
    years: int
    by_distance: bool
    paths: int
    draws: int
    told: str
    policies: Mapping[str, Forecast]
    savings: tuple[Saving, ...]
    apart: NothingShared | None
    modes: Mapping[str, ModeBehind]
    found: tuple[str, ...]
    probable: tuple[str, ...]
    seen_to: float
    unknown: tuple[str, ...] = ()
    track_record: TrackRecord | None = None

    @property
    def extrapolates(self) -> bool:
        """The odometer lies beyond all that is on record."""
        return self.vehicle.km > self.seen_to
