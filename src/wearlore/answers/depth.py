"""Answers on what the evidence can and cannot say: comparison, false economy, repairs, drift, acceleration."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from wearlore.economy import Economy
from wearlore.estimate import Estimate
from wearlore.life import (
    Acceleration,
    DistanceLeft,
    Drift,
    LifeComparison,
    MeanComparison,
    MeanCumulative,
    PowerLaw,
    SurvivalCurve,
    Trend,
    TypicalPath,
)
from wearlore.lifetimes import LeftOut
from wearlore.lives import Array


@dataclass(frozen=True, slots=True)
class ComparedLives:
    """Lives of one mode compared by revision, grade, variant or a covariate.

    ``sentences``: one for each contrast, that a person can repeat. ``curves``: the records of each level, as far as
    they hold a failure. ``unknown``: lives left out of which the covariates are not known.
    """

    mode: str
    name: str
    by: str
    comparison: LifeComparison
    sentences: tuple[str, ...]
    curves: Mapping[str, SurvivalCurve]
    unknown: int


@dataclass(frozen=True, slots=True)
class AcceleratedLives:
    """How much faster one mode comes while another is present.

    ``left_out``: lives of which the exposure is not known.
    """

    mode: str
    name: str
    by: str
    by_name: str
    acceleration: Acceleration
    left_out: int


@dataclass(frozen=True, slots=True)
class ComponentEconomy:
    """What each remedy and grade of a component costs per distance; ``remedies``: their names."""

    name: str
    economy: Economy
    remedies: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class RepeatedRepairs:
    """The repairs of a component, or those that cured one mode, on the same vehicle again and again.

    ``curves``: mean cumulative function of all places, or of each group of ``by``. ``power_law``, ``trend``: of all
    places; None with the reason in ``untold``. ``comparison``: of the two groups with most repairs, named in
    ``compared``, first less second. ``places``: positions on vehicles; ``distance``: km seen over all of them.
    """

    component: str
    mode: str
    name: str
    by: str
    places: int
    vehicles: int
    repairs: int
    found: int
    distance: float
    curves: Mapping[str, MeanCumulative]
    power_law: PowerLaw | None
    trend: Trend | None
    untold: str
    comparison: MeanComparison | None
    compared: tuple[str, str] | None
    left_out: LeftOut
    ends_with_repair: int


@dataclass(frozen=True, slots=True)
class PieceReading:
    """A reading of the piece in hand at its age, km."""

    age: float
    value: float


@dataclass(frozen=True, slots=True)
class VehicleDrift:
    """The piece in place on one vehicle: its readings, and the distance it has left to the limit.

    ``elongation``: of its chain by its path, now (share), where the book says how the chain runs.
    """

    vehicle: str
    km: float
    age: float
    readings: tuple[PieceReading, ...]
    left: DistanceLeft
    elongation: Estimate | None


@dataclass(frozen=True, slots=True)
class DriftingReading:
    """How a reading drifts with the age of the piece, over all pieces read, and on one vehicle when one is named.

    ``limit``: the book's, ``worse`` on which side of it things are bad, and ``elongation_at_limit`` what it is of a
    chain (share). ``left_out``: readings of pieces of unknown age. ``ages``, ``values`` (n,): all readings used.
    """

    reading: str
    name: str
    unit: str
    mode: str
    limit: float | None
    worse: Literal["higher", "lower"]
    elongation_at_limit: float | None
    usual_elongation: float | None
    drift: Drift
    typical: TypicalPath
    ages: Array = field(repr=False)
    values: Array = field(repr=False)
    left_out: int
    vehicle: VehicleDrift | None
