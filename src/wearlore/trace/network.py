"""Causes, what they bring about, and the facts known of one vehicle: values, checked.

A cause is present now with its prior chance, each independently of the others. A finding is a noisy-OR (Pearl 1988,
*Probabilistic Reasoning in Intelligent Systems*, section 4.3.2): each parent that is present brings it about with a
chance of its own, independently, and the leak does so without any:
P(absent | parents) = (1 - leak) · prod over present parents of (1 - chance).
A parent is a cause or another finding (a zone above from which the fluid runs down).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from wearlore.errors import NameNotKnown, TraceError


@dataclass(frozen=True, slots=True)
class Cause:
    """``prior``: chance that it is present now, before any fact."""

    name: str
    prior: float

    def __post_init__(self) -> None:
        _share(self.prior, f"the prior of cause {self.name!r}")


@dataclass(frozen=True, slots=True)
class Edge:
    """``parent`` (a cause, or a finding upstream) alone brings the finding about with ``chance``."""

    parent: str
    chance: float


@dataclass(frozen=True, slots=True)
class Finding:
    """What can be seen, heard, read or measured: present or absent. ``leak``: its chance with no parent present."""

    name: str
    leak: float
    edges: tuple[Edge, ...] = ()

    def __post_init__(self) -> None:
        _share(self.leak, f"the leak of finding {self.name!r}")
        for edge in self.edges:
            _share(edge.chance, f"the chance of {self.name!r} from {edge.parent!r}")
        if twice := _first_twice(edge.parent for edge in self.edges):
            raise TraceError(f"finding {self.name!r} names {twice!r} twice among its parents", "Name each parent once")


@dataclass(frozen=True, slots=True)
class Fact:
    """Something known of a cause or finding, as likelihoods of what was said if it is absent and if it is present.

    Only their ratio counts: 0 and 1 is seen for certain, 1 and 0 is certainly not there, 1 and 1 says nothing. Several
    facts about one name count as independent given the truth. A reading enters as the likelihoods of its value.
    What nobody looked at has no fact. ``said`` is how it is called in messages.
    """

    about: str
    absent: float
    present: float
    said: str = ""

    def __post_init__(self) -> None:
        if not (0 <= self.absent < float("inf") and 0 <= self.present < float("inf")):
            raise TraceError(
                f"the likelihoods of {self.label!r} are {self.absent:g} and {self.present:g}", "Both are 0 or more"
            )
        if self.absent == self.present == 0:
            raise TraceError(f"{self.label!r} has likelihood 0 either way", "One of the two must be above 0")

    @property
    def label(self) -> str:
        return self.said or self.about

    @property
    def says_nothing(self) -> bool:
        return self.absent == self.present


def seen(name: str) -> Fact:
    """It is there, for certain."""
    return Fact(name, 0.0, 1.0, f"{name}: present")


def not_seen(name: str) -> Fact:
    """It is not there, for certain."""
    return Fact(name, 1.0, 0.0, f"{name}: absent")


def reported(name: str, present: bool, sensitivity: float, specificity: float) -> Fact:
    """What an inspection said: P(said there | there) = ``sensitivity``, P(said absent | absent) = ``specificity``."""
    _share(sensitivity, f"the sensitivity for {name!r}")
    _share(specificity, f"the specificity for {name!r}")
    if present:
        return Fact(name, 1 - specificity, sensitivity, f"{name}: reported present")
    return Fact(name, specificity, 1 - sensitivity, f"{name}: reported absent")


@dataclass(frozen=True, slots=True)
class Network:
    """All causes and findings; names are unique among both, parents are known, and no finding lies upstream of itself.

    Findings are held in an order in which each follows those upstream of it, whatever order they are given in.
    Raises TraceError, or NameNotKnown for a parent that does not exist.
    """

    causes: tuple[Cause, ...]
    findings: tuple[Finding, ...]

    def __post_init__(self) -> None:
        if twice := _first_twice(self.names):
            raise TraceError(f"{twice!r} stands for two things", "Give each cause and finding a name of its own")
        known = set(self.names)
        for finding in self.findings:
            for edge in finding.edges:
                if edge.parent not in known:
                    raise NameNotKnown("cause or finding", edge.parent, known)
        object.__setattr__(self, "findings", _downstream(self.findings))

    @property
    def names(self) -> tuple[str, ...]:
        """Causes, then findings."""
        return (*(cause.name for cause in self.causes), *(finding.name for finding in self.findings))


def _downstream(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    by_name = {finding.name: finding for finding in findings}
    upstream: Mapping[str, list[str]] = {
        finding.name: [edge.parent for edge in finding.edges if edge.parent in by_name] for finding in findings
    }
    try:
        return tuple(by_name[name] for name in TopologicalSorter(upstream).static_order())
    except CycleError as error:
        circle = " -> ".join(error.args[1])
        raise TraceError(
            f"findings lie upstream of themselves: {circle}", "Fluid runs one way: take one of these edges out"
        ) from None


def _share(value: float, what: str) -> None:
    if not 0 <= value <= 1:
        raise TraceError(f"{what} is {value:g}", "A chance lies between 0 and 1")


def _first_twice(names: Iterable[str]) -> str | None:
    met: set[str] = set()
    for name in names:
        if name in met:
            return name
        met.add(name)
    return None
