"""Chosen remedies -> job card: steps, parts, consumables, tools, cautions, hours and the estimate."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import fsum

from wearlore.access import Access
from wearlore.book.model import Book, Fastener, Offer, Operation, Tool
from wearlore.jobcard.entries import Entry, entries_of
from wearlore.jobcard.model import (
    Caution,
    Chosen,
    ConsumableLine,
    Item,
    JobCard,
    Need,
    Ownership,
    PartLine,
    Shared,
    Step,
    Subject,
    Supply,
    Tightening,
    ToolLine,
)
from wearlore.jobcard.order import COLD, Act, arrange
from wearlore.jobcard.price import price_job
from wearlore.vehicle import Vehicle

SIGNALS = ("DANGER", "WARNING", "CAUTION", "NOTICE")
GENERAL_CAUTIONS = (
    Caution(
        "WARNING",
        "Vehicle and engine secured",
        "Secure the vehicle against rolling. Lift and support it, and hang the engine, only at the maker's points and "
        "with equipment tested for the load. Never work under a load that a jack alone holds.",
    ),
    Caution(
        "WARNING",
        "Hot parts and stored pressure",
        "Coolant, fuel, oil and refrigerant stay hot and under pressure after the engine stops. Let them cool and "
        "release the pressure as the maker's procedure says before anything is opened.",
    ),
    Caution(
        "CAUTION",
        "Personal protection",
        "Wear eye protection and gloves. Keep hands, hair and clothing away from belts and fans: they may start by "
        "themselves.",
    ),
)
COOL_DOWN = Caution(
    "WARNING",
    "Hot engine",
    "A hot engine burns the skin, and hot coolant sprays out under pressure when it is opened. Wait until hoses and "
    "housings can be touched.",
)


def compose(
    book: Book,
    vehicle: Vehicle,
    chosen: Sequence[Chosen],
    *,
    labour_rate: float | None = None,
    visit_fixed: float | None = None,
    tax: float | None = None,
) -> JobCard:
    """The job card and estimate for doing the ``chosen`` remedies on ``vehicle`` in one visit.

    Companions of a remedy are added. ``labour_rate`` (per hour), ``visit_fixed`` and ``tax`` (a share) are the book's
    unless given. Raises NameNotKnown for a variant, remedy, position or part that does not exist, ScopeError for a
    remedy that is not for this variant, a part that no offer fits, or operations that wait for each other.
    """
    terms = book.economics
    access = Access.of(book, vehicle.variant, vehicle.built)
    visit = _Visit(book, access, entries_of(book, vehicle.variant, chosen))
    name = book.variants[vehicle.variant].name
    subject = Subject(book.family.name, vehicle.id, name, vehicle.built, vehicle.km)
    items, parts, consumables, tools = visit.items(), visit.parts(), visit.consumables(), visit.tools()
    return JobCard(
        subject=subject,
        items=items,
        cautions=GENERAL_CAUTIONS,
        steps=visit.steps,
        parts=parts,
        consumables=consumables,
        tools=tools,
        shared=visit.shared(),
        hours=visit.hours(),
        hours_apart=fsum(item.hours_alone for item in items),
        hours_saved=fsum(item.hours_alone - item.hours for item in items),
        procedures=visit.procedures(),
        estimate=price_job(
            subject,
            items,
            parts,
            consumables,
            tools,
            labour_rate=terms.labour_rate if labour_rate is None else labour_rate,
            visit_fixed=terms.visit_fixed if visit_fixed is None else visit_fixed,
            tax_rate=terms.tax if tax is None else tax,
        ),
    )


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A part that one thing needs; without an offer when the book does not say what to buy."""

    part: str
    name: str
    offer: Offer | None
    need: Need


class _Visit:
    """Everything that the entries bring with them; lives only as long as `compose` runs."""

    def __init__(self, book: Book, access: Access, entries: tuple[Entry, ...]) -> None:
        self.book, self.access, self.entries = book, access, entries
        self.sharers: dict[str, list[Entry]] = defaultdict(list)
        for entry in entries:
            for id_ in access.reach(entry.operations(access)):
                self.sharers[id_].append(entry)
        self.operations = {id_: operation for id_, operation in access.operations.items() if id_ in self.sharers}
        self.acts = arrange(self.operations, [entry.operations(access) for entry in entries])
        self.order = list(dict.fromkeys(act.operation for act, _ in self.acts))

    def hours(self) -> float:
        return fsum(operation.total_hours for operation in self.operations.values())

    def items(self) -> tuple[Item, ...]:
        alone: dict[tuple[str, str], float] = defaultdict(float)
        share: dict[tuple[str, str], float] = defaultdict(float)
        for id_ in self.order:
            for entry in self.sharers[id_]:
                alone[entry.key] += self.operations[id_].total_hours
                share[entry.key] += self.operations[id_].total_hours / len(self.sharers[id_])
        return tuple(
            Item(
                remedy=entry.chosen.remedy,
                name=entry.remedy.name,
                title=entry.title,
                component=self.book.components[entry.remedy.component].name,
                position=entry.chosen.position,
                grade=entry.chosen.grade,
                hours_alone=alone[entry.key],
                hours=share[entry.key],
                note=entry.remedy.note,
                with_item=entry.with_item,
            )
            for entry in self.entries
        )

    def shared(self) -> tuple[Shared, ...]:
        return tuple(
            Shared(
                id_,
                self.operations[id_].name,
                self.operations[id_].total_hours,
                tuple(entry.title for entry in self.sharers[id_]),
                self.operations[id_].total_hours * (len(self.sharers[id_]) - 1),
            )
            for id_ in self.order
            if len(self.sharers[id_]) > 1 and self.operations[id_].total_hours > 0
        )

    def parts(self) -> tuple[PartLine, ...]:
        """Parts of the remedies, then what the operations spoil, then fasteners that serve once."""
        return _part_lines([*self._remedy_parts(), *self._spoiled_parts(), *self._fastener_parts()])

    @cached_property
    def _named(self) -> dict[str, Offer]:
        """What the chosen remedies say to fit."""
        return {part: offer for entry in self.entries for part, offer in entry.chosen.offers.items()}

    def _remedy_parts(self) -> Iterator[_Wanted]:
        for entry in self.entries:
            for part, quantity in entry.remedy.parts.items():
                offer = entry.chosen.offers.get(part) or self.access.offer(part, entry.chosen.grade)
                yield _Wanted(part, self.book.parts[part].name, offer, Need("remedy", entry.title, quantity))

    def _spoiled_parts(self) -> Iterator[_Wanted]:
        for id_ in self.order:
            for part, quantity in self.operations[id_].spoils.items():
                need = Need("spoiled", self.operations[id_].name, quantity)
                yield _Wanted(part, self.book.parts[part].name, self._named.get(part) or self.access.offer(part), need)

    def _fastener_parts(self) -> Iterator[_Wanted]:
        for id_ in self.order:
            for fastener in self.operations[id_].fasteners:
                if fastener.one_time_use:
                    need = Need("one-time use", self.operations[id_].name, fastener.count)
                    offer = self.access.offer(fastener.part) if fastener.part else None
                    name = self.book.parts[fastener.part].name if fastener.part else fastener.name
                    yield _Wanted(fastener.part or "", name, offer, need)

    def consumables(self) -> tuple[ConsumableLine, ...]:
        amounts: dict[str, float] = defaultdict(float)
        for step in self.steps:
            for supply in step.consumables:
                amounts[supply.id] += supply.quantity
        lines = []
        for id_, quantity in amounts.items():
            kind = self.book.consumables[id_]
            lines.append(ConsumableLine(id_, kind.name, quantity, kind.unit, kind.price, kind.sae or "", kind.note))
        return tuple(lines)

    def tools(self) -> tuple[ToolLine, ...]:
        used: dict[str, list[int]] = defaultdict(list)
        for step in self.steps:
            for id_ in self._tools_of(step):
                used[id_].append(step.number)
        return tuple(
            ToolLine(id_, self.book.tools[id_].name, *_ownership(self.book.tools[id_]), tuple(numbers))
            for id_, numbers in used.items()
        )

    def procedures(self) -> tuple[str, ...]:
        titles = [entry.remedy.procedure for entry in self.entries]
        titles += [self.operations[id_].procedure for id_ in self.order]
        return tuple(dict.fromkeys(title for title in titles if title))

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        fitted = self._fitted()
        steps: list[Step] = []
        cool = False
        for act, stage in self.acts:
            operation = self.operations[act.operation]
            state = "any" if act.half == "on" else operation.state
            if state in COLD and not cool:
                title = "Let the engine cool down"
                steps.append(Step(len(steps) + 1, stage, "wait", "", title, 0.0, "cold", cautions=(COOL_DOWN,)))
            cool = state in COLD or (cool and state != "warm")
            steps.append(
                Step(
                    number=len(steps) + 1,
                    stage=stage,
                    half=act.half,
                    operation=act.operation,
                    title=self._title(act),
                    hours=operation.refit.hours if act.half == "on" and operation.refit else operation.hours,
                    state=state,
                    items=tuple(entry.title for entry in self.sharers[act.operation]),
                    cautions=self._cautions(act),
                    instructions=operation.refit.steps if act.half == "on" and operation.refit else operation.steps,
                    fasteners=_fasteners(operation, act),
                    parts=self._parts_at(act, fitted),
                    consumables=self._consumables_at(act),
                    tools=tuple(self.book.tools[id_].name for id_ in self._tool_ids(act)),
                    licensed=operation.licensed,
                    procedure=operation.procedure,
                )
            )
        return tuple(steps)

    def _title(self, act: Act) -> str:
        operation = self.operations[act.operation]
        return operation.refit.name if act.half == "on" and operation.refit else operation.name

    def _cautions(self, act: Act) -> tuple[Caution, ...]:
        """The act's hazards, gravest first."""
        operation = self.operations[act.operation]
        ids = operation.refit.hazards if act.half == "on" and operation.refit else operation.hazards
        hazards = sorted((self.book.hazards[id_] for id_ in dict.fromkeys(ids)), key=lambda h: SIGNALS.index(h.signal))
        return tuple(Caution(hazard.signal, hazard.name, hazard.caution) for hazard in hazards)

    def _tool_ids(self, act: Act) -> tuple[str, ...]:
        operation = self.operations[act.operation]
        return operation.refit.tools if act.half == "on" and operation.refit else operation.tools

    def _tools_of(self, step: Step) -> tuple[str, ...]:
        return self._tool_ids(Act(step.operation, step.half)) if step.operation else ()

    def _consumables_at(self, act: Act) -> tuple[Supply, ...]:
        operation = self.operations[act.operation]
        uses = operation.refit.consumables if act.half == "on" and operation.refit else operation.consumables
        kinds = self.book.consumables
        return tuple(Supply(id_, kinds[id_].name, quantity, kinds[id_].unit) for id_, quantity in uses.items())

    def _parts_at(self, act: Act, fitted: Mapping[Act, Mapping[str, float]]) -> tuple[Supply, ...]:
        """New parts that go in here: the remedies', and in build-up what taking this off has spoiled."""
        amounts: dict[str, float] = defaultdict(float, fitted.get(act, {}))
        if act.half != "off":
            for part, quantity in self.access.spoiled_by(act.operation).items():
                amounts[part] += quantity
        return tuple(Supply(part, self.book.parts[part].name, quantity) for part, quantity in amounts.items())

    def _fitted(self) -> dict[Act, dict[str, float]]:
        """Where each remedy's parts go in: at its first own act after all that it takes off."""
        sequence = [act for act, _ in self.acts]
        fitted: dict[Act, dict[str, float]] = defaultdict(lambda: defaultdict(float))
        for entry in self.entries:
            own = [act for act in sequence if act.operation in entry.operations(self.access)]
            removed = max((own.index(act) for act in own if act.half == "off"), default=-1)
            if own:
                for part, quantity in entry.remedy.parts.items():
                    fitted[own[removed + 1]][part] += quantity
        return fitted


def _part_lines(wanted: Iterable[_Wanted]) -> tuple[PartLine, ...]:
    """One line for each part number, with all that it is needed for."""
    groups: dict[tuple[str, str], list[_Wanted]] = defaultdict(list)
    for one in wanted:
        groups[one.name, one.offer.number if one.offer else ""].append(one)
    return tuple(
        PartLine(
            part=group[0].part,
            name=name,
            number=number,
            grade=group[0].offer.grade if group[0].offer else "original",
            revision=(group[0].offer.revision or "") if group[0].offer else "",
            price=group[0].offer.price if group[0].offer else 0.0,
            quantity=sum(one.need.quantity for one in group),
            needs=tuple(one.need for one in group),
        )
        for (name, number), group in groups.items()
    )


def _ownership(tool: Tool) -> tuple[Ownership, float]:
    if tool.owned:
        return "owned", 0.0
    if tool.hire is not None:
        return "hire", tool.hire
    return ("buy", tool.price) if tool.price is not None else ("missing", 0.0)


def _fasteners(operation: Operation, act: Act) -> tuple[Tightening, ...]:
    """What is tightened at this act; while taking off, only the fasteners that want special care."""
    return tuple(
        _tightening(fastener, with_torque=act.half != "off")
        for fastener in operation.fasteners
        if act.half != "off" or fastener.left_hand or fastener.one_time_use
    )


def _tightening(fastener: Fastener, *, with_torque: bool) -> Tightening:
    torque = fastener.torque if with_torque else None
    return Tightening(
        name=fastener.name,
        count=fastener.count,
        size=fastener.size or "",
        property_class=fastener.property_class or "",
        torque=torque.stages if torque else (),
        angles=torque.angles if torque else (),
        one_time_use=fastener.one_time_use,
        left_hand=fastener.left_hand,
    )
