"""What to do in one visit, and what to leave: formulate, solve, explain."""

from wearlore.scope.advice import REASONS, Advice, Habit, Reason, Scope, choose, explain, settle
from wearlore.scope.build import Builder, problem
from wearlore.scope.ground import Ground
from wearlore.scope.improve import Call, close_calls, renewed, turned
from wearlore.scope.model import Candidate, Fault, Option, Problem, Step, Terms
from wearlore.scope.outline import Doing, Leaving, Outline, outline
from wearlore.scope.policy import follow_advice, upkeep
from wearlore.scope.program import Program, Solution, by_min_cut, formulate, solve

__all__ = [
    "REASONS",
    "Advice",
    "Builder",
    "Call",
    "Candidate",
    "Doing",
    "Fault",
    "Ground",
    "Habit",
    "Leaving",
    "Option",
    "Outline",
    "Problem",
    "Program",
    "Reason",
    "Scope",
    "Solution",
    "Step",
    "Terms",
    "by_min_cut",
    "choose",
    "close_calls",
    "explain",
    "follow_advice",
    "formulate",
    "outline",
    "problem",
    "renewed",
    "settle",
    "solve",
    "turned",
    "upkeep",
]
