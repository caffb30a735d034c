"""The advice of a scope in words for the owner of the vehicle."""

from __future__ import annotations

from wearlore.book.model import Book
from wearlore.jobcard.model import Reason
from wearlore.scope import Advice, Scope

WORTH_TELLING = 0.25  # chance within the horizon from which a piece that is left is told of, shared work or not

SENTENCES = {
    "must": "It has failed; this cures it.",
    "asked": "Done at your wish.",
    "companion": "It is always renewed together with {because}.",
    "spoiled": "It, or a part of it, cannot be used again after the work on {because}.",
    "pays-alone": "Waiting would cost more than doing it now, even without the other work of this visit.",
    "pays-together": "The way to it is open now. Doing it later would mean paying for much of the same labour again.",
    "doubtful": "It may have failed, but that is not likely enough for its cost. Have it looked at again.",
    "not-yet": "It is good for longer: doing it now would cost more than it saves.",
    "never": "Renewing it before it fails would cost more than curing it if it ever does.",
    "refused": "Left at your wish.",
    "no-tool": "This workshop lacks a special tool for it.",
    "no-remedy": "There is nothing to be done to it now.",
}


def reasons(scope: Scope, book: Book) -> tuple[Reason, ...]:
    """One reason for each piece done now, then for each left that an owner should hear of, likeliest first.

    Left pieces are told of when this visit opens the way to them, when their chance of being needed within the horizon
    is at least `WORTH_TELLING`, or when the owner refused them.
    """
    done = [advice for advice in scope.advice if advice.chosen]
    left = [advice for advice in scope.advice if not advice.chosen and _worth_telling(advice)]
    left.sort(key=lambda advice: (-advice.chance.value, advice.unit))
    return tuple(_reason(advice, book) for advice in (*done, *left))


def piece(unit: str, book: Book) -> str:
    """A unit by its trade name: ``Coolant hose (upper)``."""
    component, _, position = unit.partition("/")
    name = book.components[component].name
    return f"{name} ({position})" if position else name


def _worth_telling(advice: Advice) -> bool:
    return advice.hours_shared > 0 or advice.chance.value >= WORTH_TELLING or advice.reason == "refused"


def _reason(advice: Advice, book: Book) -> Reason:
    names = [piece(name, book).lower() for name in advice.because if name.partition("/")[0] in book.components]
    because = " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
    failed = advice.reason == "must"
    return Reason(
        unit=piece(advice.unit, book),
        in_visit=advice.chosen,
        sentence=SENTENCES[advice.reason].format(because=because),
        chance=None if failed else advice.chance,
        cost_now=advice.cost_now if advice.remedy else None,
        cost_later=None if failed else advice.later_left.value,
        wait_until_km=advice.flip_odometer if advice.flip_offset and advice.flip_offset > 0 else None,
    )
