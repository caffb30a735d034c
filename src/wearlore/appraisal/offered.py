"""A vehicle that is in no store: its units from the book, their ages from what its seller can show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from wearlore.book.model import Book
from wearlore.errors import AppraisalError, NameNotKnown
from wearlore.vehicle import FittedUnit, ModeState, Vehicle

NAMELESS = "this vehicle"


@dataclass(frozen=True, slots=True)
class Renewed:
    """A unit (`component`, or `component/position`; a component with several positions: all) renewed at ``km``."""

    unit: str
    km: float


def offered(
    book: Book, variant: str, built: date, km: float, renewed: Sequence[Renewed], *, complete: bool, today: date
) -> Vehicle:
    """The vehicle as it stands, nothing known to be wrong.

    ``complete``: the history is known, so that every unit not ``renewed`` is the first, as old as the vehicle. Without
    that only renewals are known; all other ages are not. A renewal fits the design level of its day, which is taken
    from the odometer at an even pace. Raises NameNotKnown; AppraisalError for dates and distances that cannot be.
    """
    _check(book, variant, built, km, today)
    last = _last(book, variant, km, renewed)
    units = []
    for component, entry in book.components.items():
        if entry.variants and variant not in entry.variants:
            continue
        for place in entry.places:
            at = last.get((component, place))
            day = built if at is None else built + timedelta(days=int((today - built).days * at / km if km else 0))
            age = km - at if at is not None else km if complete else None
            units.append(_unit(book, variant, component, place, entry.revision_at(day), age))
    return Vehicle(NAMELESS, variant, built, km, tuple(units))


def kept_well(vehicle: Vehicle) -> Vehicle:
    """A vehicle of the same kind, age and odometer to compare it with, of which each unit was renewed whenever it
    failed: the ages are spread as that leaves them."""
    units = tuple(
        replace(unit, at_least=0.0, modes=tuple(ModeState(state.mode, None, 0.0) for state in unit.modes))
        for unit in vehicle.units
    )
    return replace(vehicle, units=units)


def _unit(book: Book, variant: str, component: str, place: str, revision: str, age: float | None) -> FittedUnit:
    modes = tuple(
        ModeState(id_, age, 0.0 if mode.noticed == "hidden" or age is None else age)
        for id_, mode in book.modes_of(component)
        if mode.applies(variant, revision)
    )
    return FittedUnit(component, place, revision, "original", age or 0.0, modes)


def _check(book: Book, variant: str, built: date, km: float, today: date) -> None:
    if variant not in book.variants:
        raise NameNotKnown("variant", variant, book.variants)
    entry = book.variants[variant]
    if not 0 <= km < float("inf"):
        raise AppraisalError(f"an odometer does not read {km:g}", "Give a distance, 0 or more.")
    if built > today:
        raise AppraisalError(f"built on {built} lies after today, {today}", "Give the date the vehicle was built.")
    if entry.built_from and built < entry.built_from:
        problem = f"{variant} is built from {entry.built_from} on: {built} is before that"
        raise AppraisalError(problem, "Look again at the date, or at the variant.")
    if entry.built_to and built > entry.built_to:
        problem = f"{variant} was built until {entry.built_to}: {built} is after that"
        raise AppraisalError(problem, "Look again at the date, or at the variant.")


def _last(book: Book, variant: str, km: float, renewed: Sequence[Renewed]) -> dict[tuple[str, str], float]:
    """The odometer at which each place was renewed last."""
    last: dict[tuple[str, str], float] = {}
    for one in renewed:
        component, _, place = one.unit.partition("/")
        here = {id_: entry for id_, entry in book.components.items() if not entry.variants or variant in entry.variants}
        if component not in here:
            raise NameNotKnown("component", component, here)
        places = here[component].places
        if place and place not in places:
            raise NameNotKnown(f"position of {component}", place, places)
        if not 0 <= one.km <= km:
            expected = f"{one.unit} is said to be renewed at {one.km:,.0f} km of {km:,.0f}"
            raise AppraisalError(expected, "Give the odometer at its renewal, not beyond the one now.")
        for each in (place,) if place else places:
            last[component, each] = max(last.get((component, each), 0.0), one.km)
    return last
