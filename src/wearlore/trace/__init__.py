"""Where does it come from, and what do I look at next."""

from wearlore.trace.acting import SearchOrder, search_order
from wearlore.trace.case import Case, Told
from wearlore.trace.looking import Acting, Look, NextStep, Repair, Sight, Stakes, Step, Worth, next_step
from wearlore.trace.means import Means
from wearlore.trace.network import Cause, Edge, Fact, Finding, Network, not_seen, reported, seen
from wearlore.trace.posterior import Explanation, Influence, Posterior, Solver, posterior
from wearlore.trace.suspects import Suspect, drawn_chances, suspects, with_intervals
from wearlore.trace.telling import told, written
from wearlore.trace.words import meant, near

__all__ = [
    "Acting",
    "Case",
    "Cause",
    "Edge",
    "Explanation",
    "Fact",
    "Finding",
    "Influence",
    "Look",
    "Means",
    "Network",
    "NextStep",
    "Posterior",
    "Repair",
    "SearchOrder",
    "Sight",
    "Solver",
    "Stakes",
    "Step",
    "Suspect",
    "Told",
    "Worth",
    "drawn_chances",
    "meant",
    "near",
    "next_step",
    "not_seen",
    "posterior",
    "reported",
    "search_order",
    "seen",
    "suspects",
    "told",
    "with_intervals",
    "written",
]
