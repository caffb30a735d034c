"""A small family whose figures can be worked out by hand, and life models with nothing unknown."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from wearlore.book.model import Book
from wearlore.life.likelihood import WEIBULL, LogLife
from wearlore.scope import Terms
from wearlore.vehicle import FittedUnit, ModeState, Vehicle


@dataclass(frozen=True)
class KnownLife:
    """Stands in for a life model: what a scope asks of one. ``or_scale``: as likely to be the scale."""

    scale: float
    shape: float
    dist: LogLife = WEIBULL
    or_scale: float | None = None

    @property
    def nodes(self):
        scales = np.array([self.scale] if self.or_scale is None else [self.scale, self.or_scale])
        return np.log(scales), np.full(scales.size, 1 / self.shape), np.full(scales.size, 1 / scales.size)


def mode(component: str, cost: float = 0.0, **rest) -> dict:
    return {
        "name": component,
        "component": component,
        "noticed": "evident",
        "consequence": {"severity": "degraded", "cost": cost},
        **rest,
    }


def remedy(component: str, cures: list[str], operations: list[str], **rest) -> dict:
    return {"name": component, "component": component, "cures": cures, "operations": operations, **rest}


FAMILY: dict = {
    "wearlore": 1,
    "family": {"id": "f", "name": "F"},
    "economics": {"labour_rate": 60, "visit_fixed": 50, "discount": 0.0, "per_year": 20_000, "horizon": 100_000},
    "variants": {"a": {"name": "A"}, "b": {"name": "B"}},
    "zones": {"z": {"name": "Z"}},
    "components": {
        "seal": {"name": "Seal", "system": "S", "zone": "z"},
        "clutch": {"name": "Clutch", "system": "S", "zone": "z"},
        "slave": {"name": "Slave", "system": "S", "zone": "z"},
        "gasket": {"name": "Gasket", "system": "S", "zone": "z"},
        "pump": {
            "name": "Pump",
            "system": "S",
            "zone": "z",
            "revisions": {"A": {}, "B": {"from_date": "2018-01-01", "supersedes": "A"}},
        },
        "valve": {"name": "Valve", "system": "S", "zone": "z"},
        "radiator": {"name": "Radiator", "system": "S", "zone": "z"},
        "mount": {"name": "Mount", "system": "S", "zone": "z"},
    },
    "modes": {
        "seal-leaks": mode("seal", 40, accelerates={"mount-torn": 2.0}),
        "clutch-worn": mode("clutch", 100, noticed="hidden"),
        "slave-leaks": mode("slave", 150),
        "gasket-leaks": mode("gasket", 10),
        "pump-leaks": mode("pump", 120),
        "pump-cracks": mode("pump", 300, revisions=("A",)),
        "valve-sticks": mode("valve", 70),
        "stone": mode("radiator", 200, cause="outside"),
        "mount-torn": mode("mount", 20),
    },
    "operations": {
        "gearbox-out": {"name": "Gearbox out", "hours": 2.5, "refit": {"name": "Gearbox in", "hours": 2.5}},
        "change-seal": {"name": "Seal", "hours": 0.5, "needs": ["gearbox-out"], "then": ["look"]},
        "change-clutch": {"name": "Clutch", "hours": 0.8, "needs": ["gearbox-out"], "tools": ["aligner"]},
        "change-slave": {"name": "Slave", "hours": 0.3, "needs": ["gearbox-out"], "consumables": {"fluid": 0.5}},
        "cover-off": {"name": "Cover off", "hours": 0.4, "spoils": {"gasket": 1}},
        "clean-face": {"name": "Clean the face", "hours": 0.2, "needs": ["cover-off"]},
        "change-pump": {"name": "Pump", "hours": 1.0, "needs": ["cover-off"], "spoils": {"ring": 1}},
        "change-valve": {"name": "Valve", "hours": 0.6},
        "clean-valve": {"name": "Clean the valve", "hours": 0.5},
        "change-radiator": {"name": "Radiator", "hours": 1.5},
        "fit-mesh": {"name": "Mesh", "hours": 0.3},
        "change-mount": {"name": "Mount", "hours": 0.7},
        "look": {"name": "Look for leaks", "hours": 0.2, "closing": True},
    },
    "remedies": {
        "seal": remedy("seal", ["seal-leaks"], ["change-seal"], parts={"seal": 1}),
        "clutch": remedy("clutch", ["clutch-worn"], ["change-clutch"], parts={"clutch": 1}, companions=["slave"]),
        "slave": remedy("slave", ["slave-leaks"], ["change-slave"], parts={"slave": 1}),
        "gasket": remedy("gasket", ["gasket-leaks"], ["clean-face"]),
        "pump": remedy("pump", ["pump-leaks", "pump-cracks"], ["change-pump"], parts={"pump": 1, "ring": 2}),
        "valve": remedy("valve", ["valve-sticks"], ["change-valve"], parts={"valve": 1}),
        "valve-clean": remedy("valve", ["valve-sticks"], ["clean-valve"], kind="clean", restores=0.5),
        "radiator": remedy("radiator", ["stone"], ["change-radiator"], parts={"radiator": 1}),
        "mesh": remedy("radiator", ["stone"], ["fit-mesh"], kind="guard", lowers=0.25, parts={"mesh": 1}),
        "mount": remedy("mount", ["mount-torn"], ["change-mount"], parts={"mount": 1}),
    },
    "parts": {
        "seal": {"name": "Seal", "component": "seal", "offers": [{"number": "S", "price": 30}]},
        "clutch": {"name": "Clutch", "component": "clutch", "offers": [{"number": "C", "price": 180}]},
        "slave": {"name": "Slave", "component": "slave", "offers": [{"number": "L", "price": 60}]},
        "gasket": {"name": "Gasket", "component": "gasket", "offers": [{"number": "G", "price": 12}]},
        "pump": {
            "name": "Pump",
            "component": "pump",
            "offers": [
                {"number": "PA", "price": 70, "revision": "A", "to_date": "2017-12-31"},
                {"number": "PB", "price": 90, "revision": "B", "supersedes": "PA"},
                {"number": "PE", "price": 40, "grade": "economy", "revision": "B"},
            ],
        },
        "ring": {"name": "Ring", "offers": [{"number": "O", "price": 4}]},
        "valve": {"name": "Valve", "component": "valve", "offers": [{"number": "V", "price": 110}]},
        "radiator": {"name": "Radiator", "component": "radiator", "offers": [{"number": "R", "price": 160}]},
        "mesh": {"name": "Mesh", "offers": [{"number": "M", "price": 25}]},
        "mount": {"name": "Mount", "component": "mount", "offers": [{"number": "T", "price": 45}]},
    },
    "tools": {"aligner": {"name": "Aligner", "hire": 20, "owned": False}},
    "consumables": {"fluid": {"name": "Fluid", "unit": "L", "price": 10}},
}
BOOK = Book.model_validate(FAMILY)
LIVES = {
    "seal-leaks": KnownLife(150e3, 3.0),
    "clutch-worn": KnownLife(160e3, 3.0),
    "slave-leaks": KnownLife(180e3, 2.0),
    "gasket-leaks": KnownLife(200e3, 2.5),
    "pump-leaks": KnownLife(120e3, 3.0),
    "pump-cracks": KnownLife(250e3, 2.0),
    "valve-sticks": KnownLife(90e3, 2.5),
    "stone": KnownLife(200e3, 1.0),
    "mount-torn": KnownLife(130e3, 3.0),
}
TERMS = Terms.of(BOOK.economics)
KM = 110e3


def models(mode: str, revision: str, grade: str) -> KnownLife:
    """Economy parts live half as long."""
    life = LIVES[mode]
    return replace(life, scale=life.scale * (0.5 if grade == "economy" else 1.0))


def vehicle(*components: str, age: float | None = KM, seen_good: float | None = None, **states: ModeState) -> Vehicle:
    """Units of ``components``, all of one age; ``states`` (mode with _ for -) differ."""
    units = []
    for component in components or BOOK.components:
        revision = "A" if component == "pump" else ""
        modes = tuple(
            states.get(id_.replace("-", "_"), ModeState(id_, age, (age or 0.0) if seen_good is None else seen_good))
            for id_, described in BOOK.modes_of(component)
            if described.applies("a", revision)
        )
        units.append(FittedUnit(component, "", revision, "original", age if age is not None else 20e3, modes))
    return Vehicle("v", "a", date(2016, 5, 1), KM, tuple(units))
