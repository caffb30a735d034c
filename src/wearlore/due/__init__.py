"""Whom of a fleet to call in, and for what: every vehicle at its next visit, by what acting there saves."""

from wearlore.due.choice import ALONE, BROUGHT, MUST, TOGETHER
from wearlore.due.kinds import Kind, Tables, kind_of
from wearlore.due.line import STEPS
from wearlore.due.listing import EPOCH, Weighed, ranked, weigh

__all__ = [
    "ALONE",
    "BROUGHT",
    "EPOCH",
    "MUST",
    "STEPS",
    "TOGETHER",
    "Kind",
    "Tables",
    "Weighed",
    "kind_of",
    "ranked",
    "weigh",
]
