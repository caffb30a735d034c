"""Where does it come from, and what do I look at next."""

from wearlore.trace.acting import SearchOrder, search_order
from wearlore.trace.looking import Acting, Look, NextStep, Repair, Sight, Stakes, Step, Worth, next_step
from wearlore.trace.network import Cause, Edge, Fact, Finding, Network, not_seen, reported, seen
from wearlore.trace.posterior import Explanation, Influence, Posterior, Solver, posterior

__all__ = [
    "Acting",
    "Cause",
    "Edge",
    "Explanation",
    "Fact",
    "Finding",
    "Influence",
    "Look",
    "Network",
    "NextStep",
    "Posterior",
    "Repair",
    "SearchOrder",
    "Sight",
    "Solver",
    "Stakes",
    "Step",
    "Worth",
    "next_step",
    "not_seen",
    "posterior",
    "reported",
    "search_order",
    "seen",
]
