"""One vehicle's history told slowly, in plain Python, from the rules alone: pieces, spells of each mode, rows.

Shares nothing with the walk: that goes visit by visit and keeps a state, this cuts each unit's history into the pieces
that were fitted one after another, each piece into spells of one mode, and looks at every spell as a whole.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import date
from itertools import groupby, pairwise
from math import inf

from wearlore.book.model import Book, Component


@dataclass
class Line:
    date: date
    km: float
    component: str = ""
    position: str = ""
    finding: str = ""
    mode: str = ""
    action: str = ""
    revision: str = ""
    grade: str = ""


@dataclass
class Van:
    id: str
    variant: str
    built: date
    complete: bool
    lines: list[Line]


@dataclass
class Visit:
    day: date
    km: float
    lines: list[Line]


@dataclass
class Piece:
    """One physical piece: where it began (None: before the records), from where it was watched, its visits."""

    start: float | None
    watched_from: float
    revision: str
    grade: str
    in_place: float
    visits: list[Visit]
    renewed_at_end: bool


@dataclass
class Spell:
    """A life of one mode: from new, a clean or an unknown beginning, to a cure or the end of what is seen."""

    km: float
    age: float | None  # at km; None: unknown
    entry: float
    first: bool = False
    goods: list[float] = field(default_factory=list)
    failed: float | None = None
    end: float = 0.0

    def age_at(self, km: float) -> float:
        assert self.age is not None
        return self.age + (km - self.km)


@dataclass
class ModeEnd:
    age: float | None
    seen_good: float
    present: bool


@dataclass
class UnitEnd:
    revision: str
    grade: str
    at_least: float
    modes: dict[str, ModeEnd]


@dataclass
class Story:
    rows: list[tuple[str, str, str, float, float, float]] = field(default_factory=list)
    left_out: Counter[tuple[str, str]] = field(default_factory=Counter)
    units: dict[tuple[str, str], UnitEnd] = field(default_factory=dict)


def tell(book: Book, van: Van) -> Story:
    story = Story()
    ordered = sorted(van.lines, key=lambda line: (line.date, line.km))
    visits = [Visit(*key, list(group)) for key, group in groupby(ordered, key=lambda line: (line.date, line.km))]
    for name, component in book.components.items():
        if component.variants and van.variant not in component.variants:
            continue
        for position in component.places:
            tell_unit(book, van, name, component, position, visits, story)
    return story


def current(component: Component, day: date) -> str:
    """The design level current on a day: the latest begun by then, else the first."""
    begun = [(level.from_date or date.min, name) for name, level in component.revisions.items()]
    begun = [b for b in begun if b[0] <= day]
    return sorted(begun)[-1][1] if begun else next(iter(component.revisions), "")


def about(visit: Visit, component: str, position: str) -> list[Line]:
    return [line for line in visit.lines if line.component == component and line.position in (position, "all")]


def tell_unit(
    book: Book, van: Van, name: str, component: Component, position: str, visits: list[Visit], story: Story
) -> None:
    mine = [Visit(v.day, v.km, about(v, name, position)) for v in visits]
    renewals = [k for k, visit in enumerate(mine) if any(line.action == "renewed" for line in visit.lines)]
    pieces = []
    cuts = [-1, *renewals, len(mine) - 1]
    for number, (begin, end) in enumerate(pairwise(cuts)):
        seen = mine[begin + 1 : end + 1]
        at_end = number < len(renewals)
        if number == 0:
            original = any(line.finding == "original" for visit in seen for line in visit.lines)
            start = 0.0 if van.complete or original else None
            first_km = mine[0].km
            pieces.append(
                Piece(
                    start, 0.0 if van.complete else first_km, current(component, van.built), "original",
                    0.0 if start is not None else first_km, seen, at_end,
                )
            )  # fmt: skip
        else:
            visit = mine[begin]
            fitted = [line for line in visit.lines if line.action == "renewed"]
            named = [r for r in component.revisions if any(line.revision == r for line in fitted)]
            ranks = ["original", "equivalent", "economy", "upgrade"]
            grades = [g for g in ranks if any(line.grade == g for line in fitted)]
            pieces.append(
                Piece(
                    visit.km, 0.0, named[-1] if named else current(component, visit.day),
                    grades[-1] if grades else "original", visit.km, seen, at_end,
                )
            )  # fmt: skip
    now = mine[-1].km
    for number, piece in enumerate(pieces):
        in_place, modes = piece.in_place, {}
        end_km = piece.visits[-1].km if piece.renewed_at_end else now
        for id_, mode in book.modes_of(name):
            if not mode.applies(van.variant, piece.revision):
                for visit in piece.visits:
                    if any(line.finding == "failed" and line.mode == id_ for line in visit.lines):
                        story.left_out[id_, "contradicted"] += 1
                continue
            restores = next((r.restores for _, r in book.remedies_for(id_, van.variant) if r.kind == "clean"), None)
            spells, seen_elsewhere = spells_of(piece, number == 0, id_, mode.noticed == "hidden", restores)
            in_place = max(in_place, seen_elsewhere)
            spells[-1].end = end_km
            for spell in spells:
                row_of(spell, id_, mode.noticed == "hidden", piece, story)
            modes[id_] = (spells[-1], mode.noticed == "hidden")
        if number == len(pieces) - 1:
            ends = {id_: mode_end(spell, hidden, now, in_place) for id_, (spell, hidden) in modes.items()}
            story.units[name, position] = UnitEnd(piece.revision, piece.grade, now - in_place, ends)


def spells_of(
    piece: Piece, first_piece: bool, mode: str, hidden: bool, restores: float | None
) -> tuple[list[Spell], float]:
    if piece.start is None:
        spell = Spell(piece.watched_from, None, 0.0)
    else:
        spell = Spell(piece.start, 0.0, 0.0 if hidden else piece.watched_from, first=first_piece)
    spells, elsewhere = [spell], 0.0
    for visit in piece.visits:
        failed = any(line.finding == "failed" and line.mode == mode for line in visit.lines)
        good = any(line.finding == "good" and line.mode in (mode, "") for line in visit.lines)
        ends_piece = piece.renewed_at_end and visit is piece.visits[-1]
        cleaned = restores is not None and not ends_piece
        cleaned = cleaned and any(line.action == "cleaned" and line.mode in (mode, "") for line in visit.lines)
        repaired = not ends_piece and any(line.action == "repaired" and line.mode == mode for line in visit.lines)
        spell = spells[-1]
        if failed:
            if spell.failed is None:
                spell.failed = visit.km
        elif good:
            if spell.failed is not None:  # somebody else cured it: nothing is known of what was done
                spell.end, elsewhere = visit.km, visit.km
                spell = Spell(visit.km, None, 0.0)
                spells.append(spell)
            spell.goods.append(visit.km)
        if repaired or cleaned:
            spell.end = visit.km
            if repaired or restores == 1.0:
                spells.append(Spell(visit.km, 0.0, 0.0))
            elif spell.age is None:
                spells.append(Spell(visit.km, None, 0.0))
            else:
                virtual = (1.0 - restores) * spell.age_at(visit.km)
                spells.append(Spell(visit.km, virtual, virtual))
    return spells, elsewhere


def row_of(spell: Spell, mode: str, hidden: bool, piece: Piece, story: Story) -> None:
    def row(lower: float, upper: float) -> None:
        story.rows.append((mode, piece.revision, piece.grade, spell.entry, lower, upper))

    if spell.age is None:
        story.left_out[mode, "unknown_start"] += 1
    elif hidden and spell.failed is not None:
        row(spell.age_at(max(spell.goods)) if spell.goods else spell.entry, spell.age_at(spell.failed))
    elif hidden and not spell.goods:
        story.left_out[mode, "never_looked"] += 1
    elif spell.failed is not None:
        if spell.first and piece.watched_from > 0 and spell.failed == piece.watched_from:
            story.left_out[mode, "at_entry"] += 1
        else:
            row(spell.age_at(spell.failed), spell.age_at(spell.failed))
    else:
        last = spell.age_at(max(spell.goods) if hidden else spell.end)
        if last > spell.entry:
            row(last, inf)
        else:
            story.left_out[mode, "no_distance"] += 1


def mode_end(spell: Spell, hidden: bool, now: float, in_place: float) -> ModeEnd:
    at = now if spell.failed is None else spell.failed
    good = max(spell.goods, default=spell.km) if hidden else at
    if spell.age is None:
        return ModeEnd(None, max(good - in_place, 0.0), spell.failed is not None)
    return ModeEnd(spell.age_at(now), spell.age_at(good), spell.failed is not None)
