"""The order of work: operations and what each needs -> acts in sequence.

An operation with a build-up half is two acts, off and on; any other is one. What must come first is an edge between
acts; what merely reads better (strip-down, remedies, build-up in reverse, closing checks) is the order in which free
acts are taken. Before build-up what wants a warm engine comes before what wants it cold or drained wherever the edges
permit. Strip-down takes remedy by remedy what each needs. Closing work comes in the order in which the book lists it,
what wants a warm engine last: a stripped engine can only cool, a built one only warm.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush

from wearlore.book.model import Operation
from wearlore.errors import ScopeError
from wearlore.jobcard.model import Half, Stage

COLD = ("cold", "drained")


@dataclass(frozen=True, slots=True, order=True)
class Act:
    """An operation done in one go, taken off, or put back on."""

    operation: str
    half: Half


def arrange(operations: Mapping[str, Operation], own: Sequence[Sequence[str]]) -> tuple[tuple[Act, Stage], ...]:
    """All acts of ``operations`` in the order of work, each with the stage it belongs to.

    ``operations``: everything the visit reaches, in the book's order. ``own``: for each remedy its own operations.
    Raises ScopeError when operations wait for each other in a ring.
    """
    return _Work(operations, own).sequence()


class _Work:
    """The graph of one visit; lives only as long as `arrange` runs."""

    def __init__(self, operations: Mapping[str, Operation], own: Sequence[Sequence[str]]) -> None:
        self.operations = operations
        self.listed = {id_: number for number, id_ in enumerate(operations)}
        self.rank = _rank(operations, [id_ for ids in own for id_ in ids])
        self.core, self.needed = _core(operations, own)
        self.acts = [act for id_ in self.rank for act in _acts(id_, operations[id_])]
        self.after: dict[Act, set[Act]] = defaultdict(set)
        self._link()
        self._close_last()
        self.late = self._following(act for act in self.acts if self._closes(act)) & {
            act for act in self.acts if not self._closes(act)
        }
        self.early = self._warm_first()

    def first(self, id_: str) -> Act:
        return Act(id_, "off" if self.operations[id_].refit else "do")

    def last(self, id_: str) -> Act:
        return Act(id_, "on" if self.operations[id_].refit else "do")

    def _closes(self, act: Act) -> bool:
        return act.operation not in self.core

    def _link(self) -> None:
        """What needs an operation comes after it and, in build-up, before it goes back on."""
        for id_ in self.rank:
            operation = self.operations[id_]
            if operation.refit:
                self.after[self.first(id_)].add(self.last(id_))
            for need in self._here(operation.needs):
                self.after[self.first(need)].add(self.first(id_))
                if id_ in self.core and self.operations[need].refit:
                    self.after[self.last(id_)].add(self.last(need))
            for then in self._here(operation.then):
                self.after[self.last(id_)].add(self.first(then))
        # A check wants what it needs still off, unless it follows the very thing being put back.
        for id_ in self.rank:
            for need in self._here(self.operations[id_].needs):
                back = self.last(need)
                if (
                    id_ not in self.core
                    and self.operations[need].refit
                    and self.last(id_) not in self._following([back])
                ):
                    self.after[self.last(id_)].add(back)

    def _close_last(self) -> None:
        """Closing work waits for all that does not wait for it; checks wait for the fills and bleeds before them."""
        closing = [act for act in self.acts if self._closes(act)]
        checks = [act for act in closing if self.operations[act.operation].closing]
        for group in (closing, checks):
            held = self._following(group) | set(group)
            for act in self.acts:
                if act not in held:
                    self.after[act].update(group)

    def _warm_first(self) -> set[Act]:
        """Acts that want a warm engine and wait for no cold one, with all that they wait for."""
        before: dict[Act, set[Act]] = defaultdict(set)
        for act, nexts in self.after.items():
            for following in nexts:
                before[following].add(act)
        early: set[Act] = set()
        for act in self.acts:
            if not self._closes(act) and self._state(act) == "warm":
                ancestors = _reach([act], before)
                if not any(self._state(ancestor) in COLD for ancestor in ancestors):
                    early |= ancestors | {act}
        return early

    def _state(self, act: Act) -> str:
        return "any" if act.half == "on" else self.operations[act.operation].state

    def _following(self, acts: Iterable[Act]) -> set[Act]:
        return _reach(acts, self.after)

    def _here(self, ids: Iterable[str]) -> list[str]:
        return [id_ for id_ in ids if id_ in self.operations]

    def _stage(self, act: Act) -> Stage:
        if self._closes(act) or act in self.late:
            return "closing"
        if act in self.early:
            return "warm"
        if act.half == "on":
            return "build-up"
        return "strip-down" if act.half == "off" or act.operation in self.needed else "remedy"

    def _block(self, act: Act) -> int:
        """Which of the free acts to take first."""
        if not self._closes(act):
            return 2 if act.half == "on" else 0 if act.half == "off" or act.operation in self.needed else 1
        if self._following([act]) & self.late:
            return 3
        return 5 if self.operations[act.operation].closing else 4

    def sequence(self) -> tuple[tuple[Act, Stage], ...]:
        waits = dict.fromkeys(self.acts, 0)
        for nexts in self.after.values():
            for act in nexts:
                waits[act] += 1
        place: dict[Act, int] = {}

        def key(act: Act) -> tuple[bool, int, bool, int, Act]:
            heat = self._closes(act) and self._state(act) == "warm"
            ranks = self.listed if self._closes(act) else self.rank
            rank = -place[self.first(act.operation)] if act.half == "on" else ranks[act.operation]
            return act not in self.early, self._block(act), heat, rank, act

        free = [key(act) for act, count in waits.items() if count == 0]
        heapify(free)
        while free:
            act = heappop(free)[-1]
            place[act] = len(place)
            for following in self.after[act]:
                waits[following] -= 1
                if waits[following] == 0:
                    heappush(free, key(following))
        if len(place) < len(self.acts):
            raise _ring(self.after, set(self.acts) - set(place), self.operations)
        return tuple((act, self._stage(act)) for act in place)


def _acts(id_: str, operation: Operation) -> tuple[Act, ...]:
    return (Act(id_, "off"), Act(id_, "on")) if operation.refit else (Act(id_, "do"),)


def _rank(operations: Mapping[str, Operation], wanted: Iterable[str]) -> dict[str, int]:
    """The order in which a person would come to each operation: remedy by remedy, what it needs first."""
    rank: dict[str, int] = {}
    seen: set[str] = set()

    def visit(id_: str) -> None:
        if id_ in seen or id_ not in operations:
            return
        seen.add(id_)
        for need in operations[id_].needs:
            visit(need)
        rank[id_] = len(rank)

    for id_ in wanted:
        visit(id_)
    for id_ in list(rank):
        for then in operations[id_].then:
            visit(then)
    for id_ in operations:
        visit(id_)
    return rank


def _core(operations: Mapping[str, Operation], own: Sequence[Sequence[str]]) -> tuple[set[str], set[str]]:
    """Operations of strip-down, remedies and build-up, and those among them that another one needs."""
    follows = {then for operation in operations.values() for then in operation.then}
    core: set[str] = set()
    needed: set[str] = set()
    pending = [
        id_ for ids in own for id_ in ids
        if id_ in operations and id_ not in follows and not operations[id_].closing
    ]  # fmt: skip
    while pending:
        id_ = pending.pop()
        if id_ not in core:
            core.add(id_)
            needs = [need for need in operations[id_].needs if need in operations]
            needed.update(needs)
            pending.extend(needs)
    return core, needed


def _reach(acts: Iterable[Act], edges: Mapping[Act, set[Act]]) -> set[Act]:
    found: set[Act] = set()
    pending = list(acts)
    while pending:
        for following in edges.get(pending.pop(), ()):
            if following not in found:
                found.add(following)
                pending.append(following)
    return found


def _ring(after: Mapping[Act, set[Act]], stuck: set[Act], operations: Mapping[str, Operation]) -> ScopeError:
    act = min(act for act in stuck if act in _reach([act], after))
    path = [act]
    while True:
        act = min(n for n in after[path[-1]] if path[0] in _reach([n], after) or n == path[0])
        if act in path:
            names = list(dict.fromkeys(operations[a.operation].name for a in path[path.index(act) :]))
            return ScopeError(
                f"these operations wait for each other: {' → '.join([*names, names[0]])}",
                "Take one 'needs' or 'then' between them out of the book",
            )
        path.append(act)
