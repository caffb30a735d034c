"""Whom of the fleet to call in, and for what."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from functools import partial
from math import log1p

import numpy as np
from numpy.typing import NDArray

from wearlore.answers.due import DueOrder, FleetDue
from wearlore.book.model import Book, Mode
from wearlore.due import EPOCH, STEPS, Kind, Tables, kind_of, ranked, weigh
from wearlore.errors import NameNotKnown, RecordsError, ScopeError
from wearlore.lifetimes.fleet import fleet
from wearlore.renewal import Span
from wearlore.scope import Terms
from wearlore.scope.build import VISIT, Builder
from wearlore.units import DAYS_PER_YEAR
from wearlore.vehicle import FittedUnit, Fleet, ModeState, Vehicle
from wearlore.workbench.outlooks import Outlooks

MONTHS = 18.0  # since its last visit, after which a vehicle counts as gone


class Dues(Outlooks):
    """Whom of the fleet to call in, and for what."""

    def due(
        self,
        *,
        variant: str | None = None,
        by: DueOrder = "saving",
        months: float = MONTHS,
        driven: float | None = None,
        terms: Terms | None = None,
        exact: bool = False,
    ) -> FleetDue:
        """Every vehicle of the fleet at its next visit, ranked ``by`` what acting saves or by the risk of leaving.

        The fleet: vehicles (of ``variant``) seen within ``months`` before the newest record. Each is taken to have run
        ``driven`` km since its last visit, unless given its own usual distance between visits. ``exact``: reckon every
        unit for itself and not from tables, at ten times the time. Raises NameNotKnown, ScopeError,
        RecordsError when no vehicle is left.
        """
        terms = terms or self.terms()
        self._check_due(variant, months, driven)
        with self._reading() as store:
            whole = fleet(store, self.book, progress=self._walking)
        here, gone = _here(whole, variant, months)
        if not here.size:
            raise RecordsError(
                str(self.store_path), 0, "visits", "at least one vehicle with a visit",
                "Load records first: wearlore records load FILE",
            )  # fmt: skip
        own = whole.of(here)
        leg = np.where(np.isnan(own.leg), terms.per_year / 2, own.leg) if driven is None else np.full(len(own), driven)
        known, unknown = self._known_modes()
        book = self.book.model_copy(update={"modes": known})
        span = Span(terms.horizon, log1p(terms.discount) / terms.per_year, 1)
        longest = float((own.km + leg).max())
        tables = Tables(span, longest, exact)
        self.progress("tabling what units cost", 0, 0)
        number, kinds = self._kinds(own, book, terms, tables)
        weighed = weigh(own, kinds, number, leg, span, progress=partial(self.progress, "weighing vehicles"))
        return FleetDue(own, kinds, number, leg, weighed, ranked(weighed, by), by, book, terms, months, gone, unknown)

    def _check_due(self, variant: str | None, months: float, driven: float | None) -> None:
        if variant is not None and variant not in self.book.variants:
            raise NameNotKnown("variant", variant, self.book.variants)
        if not 0 < months < np.inf:
            raise ScopeError(f"{months:g} months is no time within which a vehicle was seen", "It must be above 0")
        if driven is not None and not 0 <= driven < np.inf:
            raise ScopeError(f"the distance since the last visit is {driven:g} km", "It must be 0 or more")

    def _known_modes(self) -> tuple[dict[str, Mode], tuple[str, ...]]:
        """Modes of which something is known, and the names of the others."""
        known = {}
        for number, (mode, entry) in enumerate(self.book.modes.items()):
            self.progress("fitting life models", number, len(self.book.modes))
            if self._model_or_none(mode):
                known[mode] = entry
        return known, tuple(sorted(self.book.modes.keys() - known.keys()))

    def _kinds(self, own: Fleet, book: Book, terms: Terms, tables: Tables) -> tuple[NDArray[np.int64], dict[int, Kind]]:
        """Vehicles of one variant, built while the same parts were on offer, are of one kind; the number of each."""
        turns = np.array(sorted(set(_turns(book))), np.int64)
        period = np.searchsorted(turns, own.built, side="right")
        number = own.variant * (turns.size + 1) + period
        kinds = {}
        for one in np.unique(number).tolist():
            rows = np.flatnonzero(number == one)
            first = int(rows[0])
            variant, built = own.variants[own.variant[first]], EPOCH + timedelta(int(own.built[first]))
            make = partial(self._builder, book, variant, built, terms)
            units, designs = _units(own, book, variant, rows)
            kinds[one] = kind_of(
                make, units, designs, tables,
                labour_rate=terms.labour_rate,
                free_steps=frozenset({VISIT}),
                stranded={mode: entry.consequence.stranded for mode, entry in book.modes.items()},
            )  # fmt: skip
        return number.astype(np.int64), kinds

    def _builder(self, book: Book, variant: str, built: date, terms: Terms, units: tuple[FittedUnit, ...]) -> Builder:
        vehicle = Vehicle("", variant, built, 0.0, units)
        builder = Builder.of(book, vehicle, self._model_of, terms, rng=np.random.default_rng(self.seed))
        builder.span = Span(builder.span.km, builder.span.discount, STEPS)
        return builder


def _here(whole: Fleet, variant: str | None, months: float) -> tuple[NDArray[np.int64], int]:
    """Vehicles still in the fleet, and how many are gone."""
    wanted = np.ones(len(whole), bool) if variant is None else whole.variant == whole.variants.index(variant)
    if not len(whole):
        return np.zeros(0, np.int64), 0
    recent = whole.last >= whole.last.max() - months * DAYS_PER_YEAR / 12
    return np.flatnonzero(wanted & recent), int((wanted & ~recent).sum())


def _turns(book: Book) -> Iterator[int]:
    """Days from which other parts are on offer, or other design levels current."""
    for part in book.parts.values():
        for offer in part.offers:
            if offer.from_date:
                yield (offer.from_date - EPOCH).days
            if offer.to_date:
                yield (offer.to_date - EPOCH).days + 1


def _units(
    own: Fleet, book: Book, variant: str, rows: NDArray[np.int64]
) -> tuple[list[FittedUnit], list[Sequence[tuple[str, str]]]]:
    """The units of these vehicles as new, and the designs (revision, grade) met of each."""
    units: list[FittedUnit] = []
    designs: list[Sequence[tuple[str, str]]] = []
    for u, (component, position) in enumerate(own.units):
        only = book.components[component].variants
        if only and variant not in only:
            continue
        codes = np.unique(own.revision[rows, u] * len(own.grades) + own.grade[rows, u])
        met = [divmod(int(code), len(own.grades)) for code in codes]
        named = [(own.revisions[u][r], own.grades[g]) for r, g in met]
        slots = range(int(own.unit_slot[u]), int(own.unit_slot[u + 1]))
        modes = tuple(ModeState(own.modes[s], 0.0, 0.0) for s in slots if own.modes[s] in book.modes)
        units.append(FittedUnit(component, position, *named[0], 0.0, modes))
        designs.append(named)
    return units, designs
