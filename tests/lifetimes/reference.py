"""One vehicle's history told slowly, in plain Python, from the rules alone: pieces, spells of each mode, rows.

`tell` gives the lives by one of the three rules for unknown starts; from the same lives, `stretches` and `ages` tell
where a mode was present and how old it was at each visit.

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
    assumed: bool = False  # new where it was first seen, by the rule alone


@dataclass
class Spell:
    """A life of one mode: from new, a clean or an unknown beginning, to a cure or the end of what is seen."""

    km: float
    age: float | None  # at km; None: unknown
    entry: float
    first: bool = False
    assumed: bool = False
    goods: list[float] = field(default_factory=list)
    failed: float | None = None
    failed_last: float = 0.0
    elsewhere: bool = False  # cured outside the records, found so at the end
    ended_on: Visit | None = None  # by this visit's actions (or findings, when elsewhere); None: the records end
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
    placed: list[tuple[str, str, float, float, float, float]] = field(default_factory=list)  # mode, position, odometers
    pieces: dict[tuple[str, str], list[Piece]] = field(default_factory=dict)  # of each unit, one after another
    spells: dict[tuple[str, str], dict[int, list[Spell]]] = field(default_factory=dict)  # mode, position -> piece ->
    left_out: Counter[tuple[str, str]] = field(default_factory=Counter)
    units: dict[tuple[str, str], UnitEnd] = field(default_factory=dict)


def visits_of(van: Van) -> list[Visit]:
    ordered = sorted(van.lines, key=lambda line: (line.date, line.km))
    return [Visit(*key, list(group)) for key, group in groupby(ordered, key=lambda line: (line.date, line.km))]


def tell(book: Book, van: Van, rule: str = "left out") -> Story:
    story = Story()
    visits = visits_of(van)
    for name, component in book.components.items():
        if component.variants and van.variant not in component.variants:
            continue
        for position in component.places:
            tell_unit(book, van, name, component, position, visits, story, rule)
    return story


def current(component: Component, day: date) -> str:
    """The design level current on a day: the latest begun by then, else the first."""
    begun = [(level.from_date or date.min, name) for name, level in component.revisions.items()]
    begun = [b for b in begun if b[0] <= day]
    return sorted(begun)[-1][1] if begun else next(iter(component.revisions), "")


def about(visit: Visit, component: str, position: str) -> list[Line]:
    return [line for line in visit.lines if line.component == component and line.position in (position, "all")]


def tell_unit(
    book: Book, van: Van, name: str, component: Component, position: str, visits: list[Visit], story: Story, rule: str
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
            original = original or rule == "original"
            first_km = mine[0].km
            start = 0.0 if van.complete or original else first_km if rule == "new at first sight" else None
            assumed = start is not None and not van.complete and not original
            pieces.append(
                Piece(
                    start, 0.0 if van.complete or assumed else first_km, current(component, van.built), "original",
                    0.0 if van.complete or original else first_km, seen, at_end, assumed,
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
    story.pieces[name, position] = pieces
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
            spells, seen_elsewhere = spells_of(piece, number == 0, id_, mode.noticed == "hidden", restores, rule)
            in_place = max(in_place, seen_elsewhere)
            spells[-1].end = end_km
            for spell in spells:
                row_of(spell, id_, mode.noticed == "hidden", piece, story, position)
            story.spells.setdefault((id_, position), {})[number] = spells
            modes[id_] = (spells[-1], mode.noticed == "hidden")
        if number == len(pieces) - 1:
            ends = {id_: mode_end(spell, hidden, now, in_place) for id_, (spell, hidden) in modes.items()}
            story.units[name, position] = UnitEnd(piece.revision, piece.grade, now - in_place, ends)


def spells_of(
    piece: Piece, first_piece: bool, mode: str, hidden: bool, restores: float | None, rule: str
) -> tuple[list[Spell], float]:
    if piece.start is None:
        spell = Spell(piece.watched_from, None, 0.0)
    else:
        entry = 0.0 if hidden else piece.watched_from
        spell = Spell(piece.start, 0.0, entry, first=first_piece, assumed=piece.assumed)
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
            spell.failed_last = visit.km
        elif good:
            if spell.failed is not None:  # somebody else cured it: nothing is known of what was done
                spell.end, elsewhere = visit.km, visit.km
                spell.elsewhere, spell.ended_on = True, visit
                new = rule == "new at first sight"
                spell = Spell(visit.km, 0.0 if new else None, 0.0, assumed=new)
                spells.append(spell)
            spell.goods.append(visit.km)
        if repaired or cleaned:
            spell.end, spell.ended_on = visit.km, visit
            if repaired or restores == 1.0:
                spells.append(Spell(visit.km, 0.0, 0.0))
            elif spell.age is None:
                spells.append(Spell(visit.km, None, 0.0))
            else:
                virtual = (1.0 - restores) * spell.age_at(visit.km)
                spells.append(Spell(visit.km, virtual, virtual))
    return spells, elsewhere


def row_of(spell: Spell, mode: str, hidden: bool, piece: Piece, story: Story, position: str) -> None:
    def row(lower: float, upper: float) -> None:
        story.rows.append((mode, piece.revision, piece.grade, spell.entry, lower, upper))
        story.placed.append((mode, position, spell.km - spell.age, spell.km, lower, upper))

    if spell.age is None:
        story.left_out[mode, "unknown_start"] += 1
    elif spell.assumed and spell.failed == spell.km:
        story.left_out[mode, "at_entry"] += 1
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


def can_be_met(book: Book, van: Van, mode: str) -> bool:
    component = book.components[book.modes[mode].component]
    on_variant = not component.variants or van.variant in component.variants
    return on_variant and any(book.modes[mode].applies(van.variant, r) for r in component.revisions or ("",))


def stretches(book: Book, van: Van, story: Story, mode: str) -> list[tuple[str, bool, float, float, float]]:
    """(position, known to be present, low, start, end): where the mode was present, or nobody knows whether it was."""
    if not can_be_met(book, van, mode):
        return []
    name, hidden = book.modes[mode].component, book.modes[mode].noticed == "hidden"
    visits, found = visits_of(van), []
    for position in book.components[name].places:
        lives = story.spells.get((mode, position), {})
        unknown_to = known_from(van, hidden, story.pieces[name, position][0], lives.get(0), visits)
        if unknown_to > 0:
            found.append((position, False, 0.0, 0.0, unknown_to))
        for spell in (spell for spells in lives.values() for spell in spells if spell.failed is not None):
            low = spell.failed
            at_first_look = spell.age is None and spell is lives.get(0, [None])[0]
            if hidden and (spell.goods or not at_first_look):
                low = max(spell.goods, default=spell.km)
            found.append((position, True, low, spell.failed, spell.failed_last if spell.elsewhere else spell.end))
            if spell.elsewhere and spell.end > spell.failed_last:
                found.append((position, False, spell.failed_last, spell.failed_last, spell.end))
    return found


def known_from(van: Van, hidden: bool, piece: Piece, spells: list[Spell] | None, visits: list[Visit]) -> float:
    """The odometer up to which nothing is known of a mode, on the first piece of a unit."""
    first = visits[0].km
    if van.complete:
        return 0.0
    if piece.assumed:
        return first
    if piece.start == 0.0:
        failed_at_once = spells is not None and spells[0].failed == first
        return first if failed_at_once and not hidden else 0.0
    if not hidden:
        return first
    if spells is None:
        return piece.visits[-1].km if piece.renewed_at_end else visits[-1].km
    return min(km for s in spells for km in (*s.goods, s.end, s.end if s.failed is None else s.failed))


def ages(
    book: Book, van: Van, story: Story, mode: str, position: str
) -> list[tuple[date, float, float | None, int, str, str]]:
    """(day, odometer, age, number of the piece, revision, grade) at each visit, before anything is done there."""
    rows, number = [], 1
    for k, piece in enumerate(story.pieces[book.modes[mode].component, position]):
        alone = [Spell(piece.start or 0.0, None if piece.start is None else 0.0, 0.0)]
        left = list(story.spells.get((mode, position), {}).get(k, alone))
        for visit in piece.visits:
            if left[0].ended_on is visit and left[0].elsewhere:
                left.pop(0)
                number += 1
            met = left[0].age is not None and can_be_met(book, van, mode)
            age = left[0].age_at(visit.km) if met else None
            rows.append((visit.day, visit.km, age, number, piece.revision, piece.grade))
            if left[0].ended_on is visit:
                left.pop(0)
                number += 1
        number += 1
    return rows
