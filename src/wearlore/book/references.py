"""Names that stand for nothing, names that nothing uses, and chains of names that bite their own tail."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from typing import Any

from pydantic import BaseModel

from wearlore.book.model import Book
from wearlore.book.remark import Remark, did_you_mean
from wearlore.book.source import Path

# field -> the section in which its names must stand
REFERENCES = {
    "zones.runs_to": "zones",
    "components.zone": "zones",
    "components.variants": "variants",
    "modes.component": "components",
    "modes.variants": "variants",
    "modes.observations": "observations",
    "modes.accelerates": "modes",
    "observations.zone": "zones",
    "inspections.needs": "operations",
    "inspections.tools": "tools",
    "inspections.hazards": "hazards",
    "inspections.observes": "observations",
    "inspections.tells": "modes",
    "rules.when": "observations",
    "rules.bars": "hazards",
    "operations.needs": "operations",
    "operations.then": "operations",
    "operations.fasteners.part": "parts",
    "operations.tools": "tools",
    "operations.consumables": "consumables",
    "operations.spoils": "parts",
    "operations.hazards": "hazards",
    "operations.variants": "variants",
    "operations.refit.tools": "tools",
    "operations.refit.consumables": "consumables",
    "operations.refit.hazards": "hazards",
    "remedies.component": "components",
    "remedies.cures": "modes",
    "remedies.operations": "operations",
    "remedies.parts": "parts",
    "remedies.companions": "remedies",
    "remedies.variants": "variants",
    "parts.component": "components",
    "parts.offers.variants": "variants",
}
# sections of things that are there to be used; operations, modes and remedies have checks of their own
USED = ("zones", "observations", "parts", "tools", "consumables", "hazards")


def named(value: Any, steps: tuple[str, ...], path: Path = ()) -> Iterator[tuple[Path, str]]:
    """Every name that ``value`` holds along the fields ``steps``, with its path."""
    if isinstance(value, BaseModel):
        yield from named(getattr(value, steps[0]), steps[1:], (*path, steps[0]))
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from named(item, steps, (*path, index))
    elif isinstance(value, Mapping):
        for key, item in value.items():
            if steps:
                yield from named(item, steps, (*path, key))
            else:
                yield (*path, key), key
    elif value is not None:
        yield path, value


def unknown_names(book: Book) -> Iterator[Remark]:
    for field, section in REFERENCES.items():
        known = getattr(book, section)
        for path, name in named(book, tuple(field.split("."))):
            if name not in known:
                yield _unknown(path, section, name, known)
    yield from _unknown_revisions(book)


def _unknown(path: Path, section: str, name: str, known: Iterable[str]) -> Remark:
    mend = did_you_mean(name, known, f"Write it under {section}, or remove it here.")
    return Remark("error", path, f"a name from {section}, not {name!r}", mend)


def _unknown_revisions(book: Book) -> Iterator[Remark]:
    for id_, component in book.components.items():
        for name, revision in component.revisions.items():
            if revision.supersedes and revision.supersedes not in component.revisions:
                where: Path = ("components", id_, "revisions", name, "supersedes")
                yield _unknown(where, f"the revisions of {id_}", revision.supersedes, component.revisions)
    for id_, mode in book.modes.items():
        revisions = book.components[mode.component].revisions if mode.component in book.components else {}
        for index, name in enumerate(mode.revisions):
            if name not in revisions:
                yield _unknown(
                    ("modes", id_, "revisions", index), f"the revisions of {mode.component}", name, revisions
                )
    for id_, part in book.parts.items():
        revisions = book.components[part.component].revisions if part.component in book.components else {}
        for index, offer in enumerate(part.offers):
            if offer.revision and offer.revision not in revisions:
                where = ("parts", id_, "offers", index, "revision")
                yield _unknown(
                    where, f"the revisions of {part.component or 'its component'}", offer.revision, revisions
                )


def unused_names(book: Book) -> Iterator[Remark]:
    used: dict[str, set[str]] = {section: set() for section in USED}
    for field, section in REFERENCES.items():
        if section in used:
            used[section] |= {name for _, name in named(book, tuple(field.split(".")))}
    for section in USED:
        for id_ in getattr(book, section):
            if id_ not in used[section]:
                yield Remark(
                    "note", (section, id_), "something that uses it", "Remove it, or name it where it belongs."
                )


def loops(before: Mapping[str, Iterable[str]]) -> Iterator[list[str]]:
    """Cycles of a graph (node -> what comes before it), each as its nodes with the first one repeated at the end.

    One edge of every cycle found is taken out before the next is looked for, so that each knot is told once.
    """
    graph = {node: list(dict.fromkeys(others)) for node, others in before.items()}
    while True:
        try:
            TopologicalSorter(graph).prepare()
        except CycleError as error:
            loop = list(error.args[1])
            yield loop
            graph[loop[1]].remove(loop[0])
        else:
            return


def cycles(book: Book) -> Iterator[Remark]:
    operations = book.operations
    before = {id_: [*operation.needs] for id_, operation in operations.items()}
    for id_, operation in operations.items():
        for follower in operation.then:
            before.setdefault(follower, []).append(id_)
    for loop in loops(before):
        yield _cycle("error", ("operations", loop[1]), loop, "is done before", "Look at their 'needs' and 'then'.")
    for loop in loops({id_: zone.runs_to for id_, zone in book.zones.items()}):
        mend = "Fluid runs downwards: name under runs_to only what lies below."
        yield _cycle("error", ("zones", loop[1], "runs_to"), loop, "lies below", mend)
    for loop in loops({id_: mode.accelerates for id_, mode in book.modes.items()}):
        mend = "Keep the direction that matters."
        yield _cycle("error", ("modes", loop[1], "accelerates"), loop, "is accelerated by", mend)
    for id_, component in book.components.items():
        supersedes = {n: [r.supersedes] if r.supersedes else [] for n, r in component.revisions.items()}
        for loop in loops(supersedes):
            path = ("components", id_, "revisions", loop[1], "supersedes")
            yield _cycle("error", path, loop, "is superseded by", "The older one supersedes nothing.")
    for loop in loops({id_: remedy.companions for id_, remedy in book.remedies.items()}):
        mend = "If they are always done together, one remedy with all their operations says it more plainly."
        yield _cycle("warning", ("remedies", loop[1], "companions"), loop, "comes with", mend)


def _cycle(severity: Any, path: Path, loop: list[str], verb: str, mend: str) -> Remark:
    chain = f" {verb} ".join(loop[:2])
    chain += "".join(f", which {verb} {name}" for name in loop[2:])
    return Remark(severity, path, f"no circle ({chain})", mend)
