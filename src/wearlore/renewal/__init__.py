"""Expected future cost of a unit, left or renewed."""

from wearlore.renewal.equation import (
    Draws,
    Left,
    Process,
    Span,
    UnknownAge,
    cumulative_hazard,
    draw_nodes,
    first_failure,
    renewal_function,
    renewed,
    survival,
    there_now,
    unknown_age,
    worth_left,
    worth_new,
)
from wearlore.renewal.risk import Cure, Effect, Group, Kept, ModeRisk
from wearlore.renewal.unit import Models, UnitWorth

__all__ = [
    "Cure",
    "Draws",
    "Effect",
    "Group",
    "Kept",
    "Left",
    "ModeRisk",
    "Models",
    "Process",
    "Span",
    "UnitWorth",
    "UnknownAge",
    "cumulative_hazard",
    "draw_nodes",
    "first_failure",
    "renewal_function",
    "renewed",
    "survival",
    "there_now",
    "unknown_age",
    "worth_left",
    "worth_new",
]
