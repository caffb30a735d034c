"""What to do in one visit, and what to leave: formulate, solve, explain."""

from wearlore.scope.advice import REASONS, Advice, Habit, Reason, Scope, choose, explain, settle
from wearlore.scope.build import problem
from wearlore.scope.improve import Call, close_calls, renewed, turned
from wearlore.scope.model import Candidate, Fault, Option, Problem, Step, Terms
from wearlore.scope.policy import follow_advice, upkeep
from wearlore.scope.program import Program, Solution, by_min_cut, formulate, solve

__all__ = [
    "REASONS",
    "Advice",
    "Call",
    "Candidate",
    "Fault",
    "Habit",
    "Option",
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
    "problem",
    "renewed",
    "settle",
    "solve",
    "turned",
    "upkeep",
]
