"""Inspect on condition, renew at an age, or run to failure: what each costs and risks, rounded, grouped, on a
calendar."""

from wearlore.plan.ages import Events, Fixed, best_ages, best_fixed, fixed_cost, renewed_at
from wearlore.plan.build import Builder, as_built
from wearlore.plan.calendar import Job, Service, calendar
from wearlore.plan.cells import Choice, Habit, Months, Wear, choice, habit
from wearlore.plan.change import changes
from wearlore.plan.lives import Life, ModelLife
from wearlore.plan.looks import Delay, Even, Lead, Never, aged, looked_at
from wearlore.plan.make import Asked, finely, plan, weigh
from wearlore.plan.model import CEILINGS, Change, Curve, Kind, ModePlan, Option, Plan, Sight, Subject, Terms
from wearlore.plan.oil import Measured, OilChoice, oil_choice
from wearlore.plan.strategy import PER, Weighed

__all__ = [
    "CEILINGS",
    "PER",
    "Asked",
    "Builder",
    "Change",
    "Choice",
    "Curve",
    "Delay",
    "Even",
    "Events",
    "Fixed",
    "Habit",
    "Job",
    "Kind",
    "Lead",
    "Life",
    "Measured",
    "ModePlan",
    "ModelLife",
    "Months",
    "Never",
    "OilChoice",
    "Option",
    "Plan",
    "Service",
    "Sight",
    "Subject",
    "Terms",
    "Wear",
    "Weighed",
    "aged",
    "as_built",
    "best_ages",
    "best_fixed",
    "calendar",
    "changes",
    "choice",
    "finely",
    "fixed_cost",
    "habit",
    "looked_at",
    "oil_choice",
    "plan",
    "renewed_at",
    "weigh",
]
