"""What the book says of each failure mode on a typical vehicle: its signs, and every remedy as a visit of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import get_args

from wearlore import jobcard
from wearlore.access import Access
from wearlore.answers.guide import Beside, Bit, Caution, Influence, RemedyTold, Sign, SpecialTool, WayToLook
from wearlore.book.model import Book, Remedy, Signal
from wearlore.errors import ScopeError
from wearlore.jobcard import JobCard, PartLine
from wearlore.vehicle import Vehicle

WORTH_TELLING = 0.25  # hours spared, and the share of its own hours, from which a neighbour is named (judgement)
NEIGHBOURS = 6
SIGNALS: tuple[Signal, ...] = get_args(Signal)


@dataclass(frozen=True)
class Remedying:
    """The book as it applies to ``vehicle``, a typical one as built."""

    book: Book
    vehicle: Vehicle
    access: Access

    @classmethod
    def of(cls, book: Book, vehicle: Vehicle) -> Remedying:
        return cls(book, vehicle, Access.of(book, vehicle.variant, vehicle.built))

    # signs ------------------------------------------------------------------------------------------------------------

    def signs(self, mode: str) -> tuple[Sign, ...]:
        """By falling chance."""
        seen = sorted(self.book.modes[mode].observations.items(), key=lambda pair: -pair[1])
        entries = ((id_, self.book.observations[id_], chance) for id_, chance in seen)
        return tuple(Sign(id_, one.name, one.kind, one.code or "", chance) for id_, one, chance in entries)

    def looks(self, mode: str) -> tuple[WayToLook, ...]:
        """Inspections that tell the mode, or what it brings about; the surest first, then the shortest."""
        brought = self.book.modes[mode].observations
        found = []
        for id_, inspection in self.book.inspections.items():
            direct = inspection.tells[mode].sensitivity if mode in inspection.tells else 0.0
            by_sign = (a.sensitivity * brought[o] for o, a in inspection.observes.items() if o in brought)
            if sure := max([direct, *by_sign]):
                found.append(WayToLook(id_, inspection.name, inspection.minutes, sure))
        return tuple(sorted(found, key=lambda look: (-look.sensitivity, look.minutes)))

    def speeds_up(self, mode: str) -> tuple[Influence, ...]:
        """What speeds up this mode."""
        modes = self.book.modes.items()
        return tuple(Influence(id_, one.name, one.accelerates[mode]) for id_, one in modes if mode in one.accelerates)

    def is_sped_up_by(self, mode: str) -> tuple[Influence, ...]:
        """What this mode speeds up."""
        sped = self.book.modes[mode].accelerates.items()
        return tuple(Influence(id_, self.book.modes[id_].name, factor) for id_, factor in sped)

    # remedies ---------------------------------------------------------------------------------------------------------

    def told(self, mode: str) -> tuple[RemedyTold, ...]:
        """Those that can be had for this variant, cheapest first."""
        found = [
            one
            for id_, remedy in self.book.remedies_for(mode, self.vehicle.variant)
            if (one := self._told(id_, remedy))
        ]
        return tuple(sorted(found, key=lambda one: one.price))

    def _told(self, id_: str, remedy: Remedy) -> RemedyTold | None:
        """None where no offer of a part fits."""
        place = self.book.components[remedy.component].places[0]
        try:
            card = jobcard.compose(self.book, self.vehicle, [jobcard.Chosen(id_, place)], visit_fixed=0.0)
        except ScopeError:
            return None
        steps = card.steps
        return RemedyTold(
            remedy=id_,
            name=remedy.name,
            kind=remedy.kind,
            effect=remedy.restores if remedy.kind == "clean" else remedy.lowers,
            note=remedy.note,
            price=card.estimate.subtotal,
            hours=card.hours,
            bits=tuple(_bit(line) for line in card.parts),
            tools=tuple(SpecialTool(line.tool, line.name, line.ownership) for line in card.tools),
            cautions=_cautions(card),
            left_to=tuple(dict.fromkeys(step.licensed for step in steps if step.licensed)),
            procedures=card.procedures,
            companions=tuple(self.book.remedies[name].name for name in remedy.companions),
            same_visit=tuple(self._beside(remedy, place)),
        )

    def _beside(self, remedy: Remedy, place: str) -> Iterator[Beside]:
        """What else is within reach, each component once; what comes along anyway is left out."""
        opened = self.access.reach(self.access.of_remedy(remedy, place))
        along = {remedy.component, *(self.book.remedies[name].component for name in remedy.companions)}
        best: dict[str, Beside] = {}
        for id_, other in self.book.remedies.items():
            if other.component in along or other.kind != "renew" or not self._fitting(other):
                continue
            there = self.book.components[other.component].places[0]
            reached = self.access.reach(self.access.of_remedy(other, there))
            alone, spared = self._hours(reached), self._hours(reached & opened)
            known = best.get(other.component)
            if spared >= WORTH_TELLING and spared >= WORTH_TELLING * alone and (not known or alone < known.alone):
                best[other.component] = Beside(id_, other.name, other.cures[0], spared, alone)
        yield from sorted(best.values(), key=lambda one: -one.hours)[:NEIGHBOURS]

    def _fitting(self, remedy: Remedy) -> bool:
        variants = self.book.components[remedy.component].variants, remedy.variants
        return all(not only or self.vehicle.variant in only for only in variants)

    def _hours(self, operations: frozenset[str]) -> float:
        return sum(self.access.operations[id_].total_hours for id_ in sorted(operations))


def _bit(line: PartLine) -> Bit:
    once = any(need.kind != "remedy" for need in line.needs)
    return Bit(line.part, line.name, line.quantity, line.price, once)


def _cautions(card: JobCard) -> tuple[Caution, ...]:
    """Of all steps, each once, gravest first."""
    met = dict.fromkeys((one.signal, one.name, one.text) for step in card.steps for one in step.cautions)
    return tuple(Caution(*one) for one in sorted(met, key=lambda one: SIGNALS.index(one[0])))
