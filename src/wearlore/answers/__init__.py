"""The answers: frozen results as text, JSON, API and pages show them."""

from wearlore.answers.depth import (
    AcceleratedLives,
    ComparedLives,
    ComponentEconomy,
    DriftingReading,
    PieceReading,
    RepeatedRepairs,
    VehicleDrift,
)
from wearlore.answers.lives import (
    Basis,
    Depth,
    EarlyShare,
    FamilyLives,
    ModeCurves,
    ModeStudy,
    ModeSummary,
    Ranked,
    SurvivalPoint,
    UnderRule,
    basis,
    record_basis,
    round_classes,
    survival_points,
)
from wearlore.answers.visit import Job, VisitScope
from wearlore.answers.words import NOT_SAID, spoken, spoken_level, spoken_step

__all__ = [
    "NOT_SAID",
    "AcceleratedLives",
    "Basis",
    "ComparedLives",
    "ComponentEconomy",
    "Depth",
    "DriftingReading",
    "EarlyShare",
    "FamilyLives",
    "Job",
    "ModeCurves",
    "ModeStudy",
    "ModeSummary",
    "PieceReading",
    "Ranked",
    "RepeatedRepairs",
    "SurvivalPoint",
    "UnderRule",
    "VehicleDrift",
    "VisitScope",
    "basis",
    "record_basis",
    "round_classes",
    "spoken",
    "spoken_level",
    "spoken_step",
    "survival_points",
]
