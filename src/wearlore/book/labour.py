"""Review of operations, fasteners, tools and cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from wearlore.book.fasteners import Thread, strength, thread, torque_span
from wearlore.book.model import Book, Fastener, Inspection, Operation, Torque
from wearlore.book.remark import Remark
from wearlore.book.source import Path
from wearlore.units import NEWTON_METRE_PER, Units

LBF_FT = NEWTON_METRE_PER["lbf·ft"]


def reached(book: Book, starts: Iterable[str], follow: Callable[[Operation], Iterable[str]]) -> set[str]:
    """The known operations one gets to from ``starts``, these included."""
    found: set[str] = set()
    waiting = [*starts]
    while waiting:
        id_ = waiting.pop()
        if id_ in book.operations and id_ not in found:
            found.add(id_)
            waiting += follow(book.operations[id_])
    return found


def _needs(operation: Operation) -> Iterable[str]:
    return operation.needs


def _needs_and_then(operation: Operation) -> Iterable[str]:
    return operation.needs + operation.then


def needed_operations(book: Book, variant: str, starts: Iterable[str]) -> list[Operation]:
    """The operations that ``starts`` bring with them on ``variant``."""
    on_variant = {id_: o for id_, o in book.operations.items() if not o.variants or variant in o.variants}
    reach = reached(
        book, [id_ for id_ in starts if id_ in on_variant], lambda o: on_variant.keys() & _needs_and_then(o)
    )
    return [on_variant[id_] for id_ in sorted(reach)]


def unneeded_operations(book: Book) -> Iterator[Remark]:
    starts = [id_ for remedy in book.remedies.values() for id_ in remedy.operations]
    starts += [id_ for inspection in book.inspections.values() for id_ in inspection.needs]
    reach = reached(book, starts, _needs_and_then)
    for id_, operation in book.operations.items():
        if id_ in reach:
            continue
        if operation.closing:
            mend = "Name it under 'then' of the operation that makes it necessary."
            yield Remark("warning", ("operations", id_), "an operation that this closing check follows ('then')", mend)
        else:
            mend = "Name it under 'operations' of a remedy or 'needs' of another operation, or remove it."
            yield Remark("warning", ("operations", id_), "something that needs this operation", mend)


def each_position(book: Book) -> Iterator[Remark]:
    """Work done anew at each position is asked for by remedies: another operation could not say at which position."""
    for id_, operation in book.operations.items():
        for field in ("needs", "then"):
            for k, other in enumerate(getattr(operation, field)):
                if other in book.operations and book.operations[other].each_position:
                    expected = f"an operation done once in a visit ({other!r} is done at each position)"
                    mend = "Name it under 'operations' of the remedies instead, or take 'each_position' away."
                    yield Remark("error", ("operations", id_, field, k), expected, mend)


def engine_states(book: Book) -> Iterator[Remark]:
    """A warm engine before a cold or drained one; closing operations come after everything and may warm it again."""
    for id_, operation in book.operations.items():
        if operation.state != "warm" or operation.closing:
            continue
        before = {other: book.operations[other].state for other in sorted(reached(book, operation.needs, _needs))}
        wrong = [f"{other} ({state})" for other, state in before.items() if state in ("cold", "drained")]
        if wrong:
            expected = f"work on a warm engine first, but this warm operation needs {', '.join(wrong)}"
            yield Remark("warning", ("operations", id_, "state"), expected, "Look at 'state' and 'needs' of these.")


def fasteners(book: Book) -> Iterator[Remark]:
    for id_, operation in book.operations.items():
        for index, fastener in enumerate(operation.fasteners):
            path: Path = ("operations", id_, "fasteners", index)
            if fastener.one_time_use and fastener.part is None:
                yield Remark(
                    "error", (*path, "part"), "the part that replaces this one-time-use fastener", "Add 'part:'."
                )
            yield from _torque(fastener, path, book.units)


def _torque(fastener: Fastener, path: Path, units: Units) -> Iterator[Remark]:
    if fastener.size is None:
        return
    bolt = thread(fastener.size)
    if bolt is None:
        yield Remark(
            "warning", (*path, "size"), f"a metric ISO thread, not {fastener.size}", "Write M8, or M8x1 when fine."
        )
    elif fastener.property_class and fastener.torque:
        yield from _bearable(fastener.torque, bolt, fastener, path, units)


def _bearable(torque: Torque, bolt: Thread, fastener: Fastener, path: Path, units: Units) -> Iterator[Remark]:
    class_ = str(fastener.property_class)
    loose, most = torque_span(bolt, class_, then_angle=bool(torque.angles))
    name = f"{fastener.size} of class {class_}"
    for index, stage in enumerate(torque.stages):
        where = (*path, "torque", "stages", index)
        if stage > most:
            proof, tensile = strength(class_, bolt.diameter)
            harm = "breaks it" if stage > most * tensile / proof else "stretches it for good"
            expected = f"at most {units.show_torque(most)} for {name}, not {units.show_torque(stage)}, which {harm}"
            yield Remark("error", where, expected, _slip(stage, loose, most, units))
    last = torque.stages[-1]
    if last < loose:
        where = (*path, "torque", "stages", len(torque.stages) - 1)
        expected = (
            f"at least {units.show_torque(loose)} for {name}, not {units.show_torque(last)}, which leaves it loose"
        )
        yield Remark("warning", where, expected, _slip(last, loose, most, units))


def _slip(torque: float, loose: float, most: float, units: Units) -> str:
    """The unit that was perhaps meant: the figure as typed, read in the other unit, would be believable."""
    typed = torque / NEWTON_METRE_PER[units.torque]
    other = "lbf·ft" if units.torque == "N·m" else "N·m"
    if loose <= typed * NEWTON_METRE_PER[other] <= most:
        return f"Did you mean {typed:.3g} {other}? This book is written in {units.torque}."
    return "Look at the size, the property class and the torque."


def tools(book: Book) -> Iterator[Remark]:
    for id_, tool in book.tools.items():
        if tool.owned or tool.hire is not None:
            continue
        users = {name for name, operation in book.operations.items() if id_ in operation.all_tools}
        out = [
            name for name, remedy in book.remedies.items() if users & reached(book, remedy.operations, _needs_and_then)
        ]
        if out:
            mend = f"Without it these remedies are out: {', '.join(out)}."
            yield Remark("note", ("tools", id_), "a tool that is owned, or that can be hired ('hire')", mend)


def cautions(book: Book) -> Iterator[Remark]:
    for id_, hazard in book.hazards.items():
        if not hazard.caution.strip():
            mend = "Say in 'caution' how not to get hurt; it is printed before the step."
            yield Remark("error", ("hazards", id_), "a caution for this hazard", mend)


def bars(book: Book) -> Iterator[Remark]:
    """A rule withholds inspections by their hazards, those of the operations that they need counted."""
    met = {hazard for inspection in book.inspections.values() for hazard in _hazards_of(book, inspection)}
    for id_, rule in book.rules.items():
        for index, hazard in enumerate(rule.bars):
            if hazard in book.hazards and hazard not in met:
                mend = "Name it under 'hazards' of the inspections that must wait, or remove it here."
                yield Remark("warning", ("rules", id_, "bars", index), "something that this rule withholds", mend)


def _hazards_of(book: Book, inspection: Inspection) -> Iterator[str]:
    yield from inspection.hazards
    for operation in reached(book, inspection.needs, _needs):
        yield from book.operations[operation].hazards
