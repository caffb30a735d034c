"""A small family: a belt that can be looked at, a seal behind the same cover, a chain that harms the engine, a lamp."""

from __future__ import annotations

from datetime import date

from wearlore.access import Access
from wearlore.book.model import Book
from wearlore.errors import FitError
from wearlore.life import LifeModel, life_model
from wearlore.lives import Lives
from wearlore.plan import Builder, Plan, Terms, Weighed, as_built, plan, weigh

BUILT = date(2019, 1, 1)


def belief(b10: float, b50: float) -> dict:
    return {
        "quantiles": [
            {"share": 0.1, "at": b10, "between": [0.9 * b10, 1.1 * b10]},
            {"share": 0.5, "at": b50, "between": [0.92 * b50, 1.08 * b50]},
        ]
    }


def mode(component: str, severity: str, cost: float, noticed: str = "evident", **rest: object) -> dict:
    consequence = {"severity": severity, "cost": cost}
    return {
        "name": component.capitalize(),
        "component": component,
        "noticed": noticed,
        "consequence": consequence,
        **rest,
    }


FAMILY: dict = {
    "wearlore": 1,
    "family": {"id": "f", "name": "F"},
    "economics": {"labour_rate": 60, "visit_fixed": 100, "service_every": 20000, "horizon": 100000},
    "variants": {"a": {"name": "A"}},
    "zones": {"z": {"name": "Z"}},
    "components": {
        "belt": {"name": "Belt", "system": "S", "zone": "z"},
        "seal": {"name": "Seal", "system": "S", "zone": "z"},
        "chain": {"name": "Chain", "system": "S", "zone": "z"},
        "lamp": {"name": "Lamp", "system": "S", "zone": "z", "positions": ["left", "right"]},
    },
    "modes": {
        "cracks": mode(
            "belt", "stranded", 500, "hidden", belief=belief(70e3, 110e3), observations={"cracked": 0.9},
            lead={"at": 25000, "between": [10000, 60000]},
        ),
        "leaks": mode("seal", "degraded", 700, belief=belief(90e3, 130e3)),
        "stretches": mode(
            "chain", "engine-damage", 300, "hidden", belief=belief(110e3, 180e3), observations={"phase": 0.9},
            lead={"at": 40000, "between": [20000, 80000]},
        ),
        "burns": mode("lamp", "nuisance", 0, cause="random", belief=belief(20e3, 130e3)),
    },
    "observations": {
        "cracked": {"name": "Cracked", "kind": "visible"},
        "phase": {"name": "Phase", "kind": "code", "code": "P0016"},
    },
    "inspections": {
        "look": {
            "name": "Look at the belt", "minutes": 5, "needs": ["cover"],
            "observes": {"cracked": {"sensitivity": 0.9, "specificity": 0.95}},
        },
        "read": {"name": "Read", "minutes": 5, "observes": {"phase": {"sensitivity": 0.95, "specificity": 0.98}}},
    },
    "operations": {
        "cover": {"name": "Cover off", "hours": 1.0},
        "change-belt": {"name": "Change", "hours": 0.3, "needs": ["cover"]},
        "change-seal": {"name": "Seal", "hours": 0.6, "needs": ["cover"]},
        "change-chain": {"name": "Chain", "hours": 9.0, "needs": ["cover"]},
        "change-lamp": {"name": "Lamp", "hours": 0.1},
    },
    "remedies": {
        "new-belt": {"name": "Belt", "component": "belt", "cures": ["cracks"], "operations": ["change-belt"],
                     "parts": {"belt": 1}},
        "new-seal": {"name": "Seal", "component": "seal", "cures": ["leaks"], "operations": ["change-seal"],
                     "parts": {"seal": 1}},
        "new-chain": {"name": "Chain kit", "component": "chain", "cures": ["stretches"], "operations": ["change-chain"],
                      "parts": {"chain": 1}},
        "new-lamp": {"name": "Lamp", "component": "lamp", "cures": ["burns"], "operations": ["change-lamp"],
                     "parts": {"lamp": 1}},
    },
    "parts": {
        name: {"name": name, "component": name, "offers": [{"number": name, "price": price}]}
        for name, price in {"belt": 40, "seal": 20, "chain": 600, "lamp": 5}.items()
    },
}  # fmt: skip
BOOK = Book.model_validate(FAMILY)
TERMS = Terms(60, 100, 20_000, 100_000)
VEHICLE = as_built(BOOK, "a", BUILT)


def model(mode: str, revision: str, grade: str) -> LifeModel:
    stated = BOOK.modes[mode].belief
    if stated is None:
        raise FitError("nothing is known", "")
    if mode not in _MADE:
        _MADE[mode] = life_model(mode, Lives.of(), stated)
    return _MADE[mode]


_MADE: dict[str, LifeModel] = {}


def builder(terms: Terms = TERMS, book: Book = BOOK, missing: tuple[str, ...] = ()) -> Builder:
    return Builder(book, VEHICLE, model, terms, Access.of(book, "a", BUILT, missing))


def weighed(terms: Terms = TERMS) -> tuple[Weighed, ...]:
    made = builder(terms)
    return tuple(weigh(subject, terms, made.prices) for subject in made.subjects())


def planned(terms: Terms = TERMS, **asked: object) -> Plan:
    return plan(weighed(terms), terms, builder(terms).prices, asked)  # type: ignore[arg-type]
