"""The units and modes of one variant, numbered: what every van of it has."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlore.book.model import Book, Grade, Offer
from wearlore.demo.truth import TrueLife, Truth


@dataclass(frozen=True, slots=True)
class Layout:
    """U units (a component at a position) and S slots (a mode on a unit), in the order of the book."""

    variant: str
    component: tuple[str, ...]  # (U,)
    position: tuple[str, ...]  # (U,)
    slots: tuple[tuple[int, ...], ...]  # (U,): the slots of each unit
    units: dict[str, tuple[int, ...]]  # component -> its units
    unit: tuple[int, ...]  # (S,)
    mode: tuple[str, ...]  # (S,)
    life: tuple[TrueLife, ...]  # (S,)
    evident: NDArray[np.bool_]  # (S,)
    looked: NDArray[np.float64]  # (S,): chance that a service looks at a hidden mode; 0 for evident ones
    restores: tuple[float, ...]  # (S,): share of the age that the book's clean takes away; 0 without one
    accelerated: dict[int, tuple[int, float]]  # slot that ages faster -> (slot that makes it so, factor)
    offers: dict[str, dict[Grade, tuple[Offer, ...]]]  # component -> grade -> what one can buy


def layout(book: Book, truth: Truth, variant: str) -> Layout:
    """Number the units and modes that ``variant`` can have."""
    fitted = {id_: c for id_, c in book.components.items() if not c.variants or variant in c.variants}
    places = [(id_, position) for id_, c in fitted.items() for position in c.places]
    modes_of = {
        id_: [name for name, mode in book.modes_of(id_) if not mode.variants or variant in mode.variants]
        for id_ in fitted
    }
    numbered = [(unit, mode) for unit, (id_, _) in enumerate(places) for mode in modes_of[id_]]
    modes = tuple(mode for _, mode in numbered)
    return Layout(
        variant=variant,
        component=tuple(id_ for id_, _ in places),
        position=tuple(position for _, position in places),
        slots=tuple(tuple(s for s, (u, _) in enumerate(numbered) if u == unit) for unit in range(len(places))),
        units={id_: tuple(u for u, (c, _) in enumerate(places) if c == id_) for id_ in fitted},
        unit=tuple(unit for unit, _ in numbered),
        mode=modes,
        life=tuple(truth.modes[mode] for mode in modes),
        evident=np.array([book.modes[mode].noticed == "evident" for mode in modes]),
        looked=np.array([truth.modes[mode].looked if book.modes[mode].noticed == "hidden" else 0.0 for mode in modes]),
        restores=tuple(_restores(book, mode, variant) for mode in modes),
        accelerated={
            slot: (modes.index(by), factor)
            for by, factors in truth.accelerates.items()
            for mode, factor in factors.items()
            for slot in range(len(modes))
            if modes[slot] == mode
        },
        offers={id_: _offers(book, id_, variant) for id_ in fitted},
    )


def _restores(book: Book, mode: str, variant: str) -> float:
    return max((remedy.restores or 0.0 for _, remedy in book.remedies_for(mode, variant)), default=0.0)


def _offers(book: Book, component: str, variant: str) -> dict[Grade, tuple[Offer, ...]]:
    found: dict[Grade, list[Offer]] = {}
    for part in book.parts.values():
        for offer in part.offers:
            if part.component == component and (not offer.variants or variant in offer.variants):
                found.setdefault(offer.grade, []).append(offer)
    return {grade: tuple(offers) for grade, offers in found.items()}
