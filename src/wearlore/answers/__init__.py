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
    survival_points,
)
from wearlore.answers.visit import Job, VisitScope

__all__ = [
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
    "survival_points",
]
