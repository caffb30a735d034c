"""One van's story as it truly runs, visit by visit, and what of it reaches the records."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from math import ceil, exp, inf
from typing import Any, Literal

import numpy as np

from wearlore.book.model import Book, Grade
from wearlore.demo.layout import Layout
from wearlore.demo.truth import OilInterval, Truth
from wearlore.units import DAYS_PER_YEAR

SOON_KM = 2_000.0  # a service that is due within this distance is done in the same visit
PUT_OFF_NOTICE_KM = 1_000.0  # mean distance an evident failure is driven with before the van comes in

Kind = Literal["service", "repair", "takeover", "sighting"]


@dataclass(frozen=True, slots=True)
class Facts:
    """What is settled for a van before it runs."""

    id: str
    built: date
    known_from: date | None  # the takeover; None: the records reach back to new
    leaves: date
    km_per_year: float
    oil: OilInterval


@dataclass(slots=True)
class Rows:
    """What reaches the records: rows in the order of the columns of ``wearlore.demo.fleet``."""

    lines: list[tuple[Any, ...]] = field(default_factory=list)
    readings: list[tuple[Any, ...]] = field(default_factory=list)


class Van:
    """A van on its way: when each mode will fail, what is found and done. Distances are km on the odometer."""

    def __init__(
        self, book: Book, truth: Truth, layout: Layout, facts: Facts, rows: Rows, rng: np.random.Generator
    ) -> None:
        self.book, self.truth, self.layout, self.facts, self.rows, self.rng = book, truth, layout, facts, rows, rng
        slots, units = len(layout.mode), len(layout.component)
        self.zero = [0.0] * slots  # odometer at which the mode's age was 0
        self.hit = np.full(slots, inf)  # odometer at which it fails, unless something accelerates it
        self.notice = np.full(slots, inf)  # odometer at which an evident failure brings the van in
        self.present = np.zeros(slots, bool)  # found failed and not cured
        self.fitted = [0.0] * units
        self.revision = [book.components[c].revision_at(facts.built) for c in layout.component]
        self.grade: list[Grade] = ["original"] * units
        self.touched = [False] * units  # renewed or cleaned at any time
        # km driven with the accelerating mode present, up to its last cure
        self.exposed = {by: 0.0 for by, _ in layout.accelerated.values()}
        self.exposed_at_fit = dict.fromkeys(layout.accelerated, 0.0)
        self.looked: set[int] = set()  # slots looked at in this visit
        self.km, self.day, self.recorded = 0, facts.built, facts.known_from is None
        for unit in range(units):
            self.fit(unit)

    # ---- the road ----

    def live(self) -> None:
        """Drive until the van leaves the fleet."""
        if self.recorded:
            self.km, self.day = int(self.rng.integers(4, 80)), self.day + timedelta(int(self.rng.integers(3, 40)))
            self._line("", text="delivered new")
        service_due = self._next_service()
        while True:
            at = max(self.km + 1, ceil(min(service_due, self.notice.min())))
            day = self.day + timedelta(self._days(at - self.km))
            if self.facts.known_from and not self.recorded and day >= self.facts.known_from:
                self._drive_to(self.facts.known_from, at, day)
                self.recorded = True
                self._visit("takeover")
                continue
            if day >= self.facts.leaves:
                self._drive_to(self.facts.leaves, at, day)
                self._visit("sighting")
                return
            self.km, self.day = at, day
            if at >= service_due - SOON_KM:
                self._visit("service")
                service_due = self._next_service()
            else:
                self._visit("repair")

    def _next_service(self) -> float:
        return self.km + self.facts.oil.km * exp(self.rng.normal(0.0, 0.08))

    def _days(self, leg: float) -> int:
        return max(1, round(leg / self.facts.km_per_year * DAYS_PER_YEAR * exp(self.rng.normal(0.0, 0.15))))

    def _drive_to(self, stop: date, at: int, day: date) -> None:
        """Stop on ``stop``, on the way to ``at`` that would be reached on ``day``."""
        stop = max(stop, self.day + timedelta(1))
        share = min(1.0, (stop - self.day).days / max(1, (day - self.day).days))
        self.km, self.day = max(self.km + 1, self.km + int(share * (at - self.km))), stop

    # ---- how modes fail ----

    def fit(self, unit: int) -> None:
        """A piece is fitted: its modes start at age 0."""
        component, revision, grade = self.layout.component[unit], self.revision[unit], self.grade[unit]
        self.fitted[unit] = self.km
        for slot in self.layout.slots[unit]:
            self._store_exposure(slot)
            if slot in self.exposed_at_fit:
                self.exposed_at_fit[slot] = self._exposure(self.layout.accelerated[slot][0])
            applies = self.book.modes[self.layout.mode[slot]].applies(self.layout.variant, revision)
            self._start(slot, self.km, self._drawn(slot, component, grade) if applies else inf)

    def _drawn(self, slot: int, component: str, grade: Grade) -> float:
        faulty = self.truth.faulty.get(component)
        if faulty and faulty.grade == grade and self.rng.random() < faulty.share:
            return self.rng.uniform(0.0, faulty.by)
        return self.layout.life[slot].drawn(self.rng.random(), 0.0, self._ratio(slot))

    def _ratio(self, slot: int) -> float:
        unit = self.layout.unit[slot]
        ratio = self.truth.ratio(self.layout.component[unit], self.revision[unit], self.grade[unit])
        return ratio * (self.facts.oil.ageing if self.layout.life[slot].oil else 1.0)

    def _start(self, slot: int, zero: float, life: float) -> None:
        self.zero[slot], self.hit[slot] = zero, zero + life
        self.present[slot] = False
        late = self.rng.random() >= self.layout.life[slot].at_once
        self.notice[slot] = inf
        if self.layout.evident[slot]:
            self.notice[slot] = self.hit[slot] + (self.rng.exponential(PUT_OFF_NOTICE_KM) if late else 0.0)

    def _store_exposure(self, slot: int) -> None:
        if slot in self.exposed:
            self.exposed[slot] += max(0.0, self.km - float(self.hit[slot]))

    def _exposure(self, by: int) -> float:
        """Distance driven so far with the accelerating mode present."""
        return self.exposed[by] + max(0.0, self.km - float(self.hit[by]))

    def failed(self, slot: int) -> bool:
        """Whether the mode is there by now; what accelerates it is counted in."""
        ahead = 0.0
        if slot in self.layout.accelerated:
            by, factor = self.layout.accelerated[slot]
            ahead = (factor - 1.0) * (self._exposure(by) - self.exposed_at_fit[slot])
        return self.km + ahead >= float(self.hit[slot])

    # ---- visits ----

    def _visit(self, kind: Kind) -> None:
        """What is found, then what is done."""
        self.looked = set()
        put_off = np.flatnonzero(self.present)
        found = [int(s) for s in np.flatnonzero(self.layout.evident & ~self.present & (self.hit <= self.km))]
        if kind == "takeover":
            self._mark_originals(exclude={self.layout.unit[s] for s in (*found, *put_off)})
        if kind == "service":
            self._line("engine-oil", action="renewed", text="service, oil and filter")
        elif kind != "repair":
            self._line("", text={"takeover": "taken over", "sighting": "odometer read"}[kind])
        looks = []
        if kind == "service":
            looks = [int(s) for s in np.flatnonzero(self.rng.random(len(self.layout.mode)) < self.layout.looked)]
        found += self._look(looks)
        shown = [int(s) for s in put_off if self.layout.evident[s]] if kind == "takeover" else []
        cures = [s for s in found if kind != "sighting" and self.rng.random() < self.layout.life[s].cured]
        if kind == "service":
            cures += [int(s) for s in put_off if self.rng.random() < self.truth.fleet.cured_later]
        self._repair([*shown, *found], cures, kind)

    def _look(self, slots: Iterable[int]) -> list[int]:
        """Look at hidden modes: the good ones are written down, the failed ones returned.

        Before the records nobody looks: what is found and renewed then would leave only the sounder pieces original.
        """
        failed = []
        for slot in slots:
            if self.present[slot] or slot in self.looked or not self.recorded:
                continue
            self.looked.add(slot)
            if self.failed(slot):
                failed.append(slot)
            else:
                self._line_of(slot, "good")
            if self.layout.mode[slot] == self.truth.reading.mode:
                self._read(slot)
        return failed

    def _read(self, slot: int) -> None:
        reading = self.truth.reading
        limit = self.book.observations[reading.observation].limit or 0.0
        share = (self.km - self.zero[slot]) / float(self.hit[slot] - self.zero[slot])
        value = reading.new + (limit - reading.new) * share**reading.curve + self.rng.normal(0.0, reading.noise)
        row = (self.facts.id, self.day, self.km, reading.observation, round(max(0.0, float(value)), 2))
        self.rows.readings.append(row)

    def _mark_originals(self, exclude: set[int]) -> None:
        for unit, component in enumerate(self.layout.component):
            if not self.layout.slots[unit]:
                continue  # nothing of it can fail
            seen = self.rng.random() < self.truth.fleet.seen_original
            if seen and not self.touched[unit] and unit not in exclude:
                self._line(component, self.layout.position[unit], "original")

    def _repair(self, shown: list[int], cures: list[int], kind: Kind) -> None:
        worked = {self.layout.component[self.layout.unit[s]] for s in cures}
        reached = {at for at, components in self.truth.reached.items() if worked & set(components)}
        for at in sorted(reached):
            seen = [s for s, mode in enumerate(self.layout.mode) if mode in self.truth.seen_when_reached.get(at, ())]
            failed = self._look(seen)
            shown, cures = [*shown, *failed], [*cures, *failed]
        self.present[shown] = True
        self.notice[shown] = inf
        at_hand = {component for at in reached for component in self.truth.reached[at]}
        for slot in np.flatnonzero(self.present):
            if self.layout.component[self.layout.unit[slot]] in at_hand and slot not in cures:
                cures.append(int(slot))  # put off so far; now it is apart
        cleaned = {s for s in cures if self.rng.random() < self.layout.life[s].cleaned}
        renewed = {self.layout.unit[s]: "" for s in cures if s not in cleaned}
        self._add_habits(renewed, reached | ({"service"} if kind == "service" else set()))
        for unit, text in list(renewed.items()):
            for companion in self.truth.companions.get(self.layout.component[unit], ()):
                renewed.update({u: text for u in self.layout.units[companion] if u not in renewed})
        self._write(shown, cleaned, renewed, kind)

    def _add_habits(self, renewed: dict[int, str], at: set[str]) -> None:
        for habit in self.truth.habits:
            if habit.at not in at:
                continue
            for unit in self.layout.units[habit.component]:
                old = self.km - self.fitted[unit] >= habit.from_age
                if old and unit not in renewed and self.rng.random() < habit.chance:
                    renewed[unit] = "renewed ahead"
        campaign = self.truth.campaign
        if "service" in at and campaign.from_date <= self.day <= campaign.to_date:
            for unit in self.layout.units[campaign.component]:
                older = self.revision[unit] != campaign.revision
                if older and unit not in renewed and self.rng.random() < campaign.chance:
                    renewed[unit] = "campaign"

    def _write(self, shown: list[int], cleaned: set[int], renewed: dict[int, str], kind: Kind) -> None:
        """Findings and actions reach the records; then the pieces start anew."""
        for slot in shown:
            unit, mode = self.layout.unit[slot], self.layout.mode[slot]
            action = "cleaned" if slot in cleaned and unit not in renewed else None
            self._line_of(slot, "failed", action=action, text=self.book.modes[mode].name)
        for slot in cleaned - set(shown):
            if self.layout.unit[slot] not in renewed:
                self._line_of(slot, None, action="cleaned", text="cleaned")
        if kind == "service":
            self._clean_ahead(cleaned, renewed)
        for slot in cleaned:
            if self.layout.unit[slot] not in renewed:
                self._clean(slot)
        for unit, text in renewed.items():
            self._renew(unit, text)

    def _clean_ahead(self, cleaned: set[int], renewed: dict[int, str]) -> None:
        wish = self.truth.cleaned_ahead
        for slot, mode in enumerate(self.layout.mode):
            if mode != wish.mode or slot in cleaned or self.layout.unit[slot] in renewed or self.present[slot]:
                continue
            if self.km - self.zero[slot] >= wish.from_age and self.rng.random() < wish.chance:
                cleaned.add(slot)
                self._line_of(slot, None, action="cleaned", text="cleaned ahead")

    def _clean(self, slot: int) -> None:
        """The mode's age falls by the share that the book's clean restores (Kijima 1989, type II)."""
        age = (1.0 - self.layout.restores[slot]) * (self.km - self.zero[slot])
        self.touched[self.layout.unit[slot]] = True
        self._start(slot, self.km - age, self.layout.life[slot].drawn(self.rng.random(), age, self._ratio(slot)))

    def _renew(self, unit: int, text: str) -> None:
        component = self.layout.component[unit]
        recalled = text == "campaign" and component == self.truth.campaign.component
        self.grade[unit], self.revision[unit] = self._bought(component, recalled)
        self.touched[unit] = True
        revision = self.revision[unit] or None
        self._line(component, self.layout.position[unit], None, None, "renewed", revision, self.grade[unit], text)
        self.fit(unit)

    def _bought(self, component: str, recalled: bool) -> tuple[Grade, str]:
        """Source grade and revision of the piece that goes in."""
        current = self.book.components[component].revision_at(self.day)
        if recalled:
            return "original", self.truth.campaign.revision
        offers = self.layout.offers[component]
        shares = {g: p for g, p in self.truth.fleet.fitted_grades.items() if g in offers and p > 0}
        if len(shares) < 2:
            return "original", current
        grades, weights = list(shares), np.cumsum(list(shares.values()))
        grade = grades[int(np.searchsorted(weights, self.rng.random() * weights[-1], side="right"))]
        made = {offer.revision or "" for offer in offers[grade]}
        if grade == "original" or current in made:
            return grade, current
        older = sorted(made & self._levels_at(component))
        return (grade, older[-1]) if older else ("original", current)

    def _levels_at(self, component: str) -> set[str]:
        levels = self.book.components[component].revisions
        return {name for name, level in levels.items() if (level.from_date or date.min) <= self.day}

    # ---- records ----

    def _line_of(self, slot: int, finding: str | None, action: str | None = None, text: str = "") -> None:
        unit = self.layout.unit[slot]
        position = self.layout.position[unit]
        self._line(self.layout.component[unit], position, finding, self.layout.mode[slot], action, text=text)

    def _line(
        self,
        component: str,
        position: str = "",
        finding: str | None = None,
        mode: str | None = None,
        action: str | None = None,
        revision: str | None = None,
        grade: str | None = None,
        text: str = "",
    ) -> None:
        if self.recorded:
            self.rows.lines.append(
                (
                    self.facts.id, self.day, self.km, component or None, position or None, finding, mode, action,
                    revision, grade, text or None,
                )
            )  # fmt: skip
