"""The small family of the scope's tests with zones, observations and inspections, and a van of it as a case."""

from __future__ import annotations

from copy import deepcopy

import numpy as np

from tests.scope.family import FAMILY, TERMS, models, vehicle
from wearlore.access import Access
from wearlore.book.model import Book
from wearlore.trace import Case, Means, suspects


def accuracy(sensitivity, specificity):
    return {"sensitivity": sensitivity, "specificity": specificity}


def wet(zone, fluid="oil", leak=0.02):
    return {"name": f"{fluid} at {zone}", "kind": "wet", "zone": zone, "fluid": fluid, "leak": leak}


WHOLE: dict = deepcopy(FAMILY)
WHOLE["zones"] = {
    "top": {"name": "Top", "runs_to": {"side": 0.5, "back": 0.25}},
    "side": {"name": "Side", "runs_to": {"sump": 0.5}},
    "back": {"name": "Back", "runs_to": {"sump": 0.4}},
    "sump": {"name": "Sump"},
    "z": {"name": "Z"},
}
WHOLE["observations"] = {
    "oil-top": wet("top"),
    "oil-back": wet("back", leak=0.01),
    "oil-sump": wet("sump"),
    "water-top": wet("top", "coolant"),
    "water-sump": wet("sump", "coolant"),
    "knock": {"name": "Knock", "kind": "noise", "leak": 0.05},
    "lamp": {"name": "Oil lamp", "kind": "lamp", "leak": 0.001},
    "pressure": {
        "name": "Pressure", "kind": "reading", "unit": "bar", "limit": 1.0, "worse": "lower",
        "sound": [1.2, 2.2], "faulty": [0.2, 0.8], "leak": 0.01,
    },
    "phase": {"name": "Phase", "kind": "reading", "unit": "deg", "limit": 6.0, "leak": 0.01},
    "flow": {"name": "Flow", "kind": "reading", "unit": "L", "leak": 0.01},
}  # fmt: skip
for mode, brought in {
    "gasket-leaks": {"oil-top": 0.9},
    "seal-leaks": {"oil-back": 0.8, "lamp": 0.1},
    "pump-leaks": {"water-top": 0.9},
    "mount-torn": {"knock": 0.7},
    "clutch-worn": {"knock": 0.2},
    "valve-sticks": {"pressure": 0.8, "lamp": 0.6},
    "pump-cracks": {"phase": 0.9, "flow": 0.5},
}.items():
    WHOLE["modes"][mode] = {**WHOLE["modes"][mode], "observations": brought}
WHOLE["hazards"] = {"engine-runs": {"name": "Running engine", "signal": "WARNING", "caution": "Keep clear."}}
WHOLE["inspections"] = {
    "glance": {
        "name": "Glance", "minutes": 5,
        "observes": {"oil-top": accuracy(0.8, 0.9), "oil-back": accuracy(0.7, 0.9)},
    },
    "dye": {
        "name": "Dye", "minutes": 40, "needs": ["cover-off"],
        "observes": {"oil-back": accuracy(0.99, 0.98)}, "tells": {"seal-leaks": accuracy(0.95, 0.97)},
    },
    "gauge": {
        "name": "Gauge", "minutes": 20, "hazards": ["engine-runs"],
        "observes": {"pressure": accuracy(0.97, 0.96), "phase": accuracy(0.9, 0.95)},
    },
    "feel": {
        "name": "Feel the clutch", "minutes": 10, "tools": ["aligner"], "needs": ["gearbox-out"],
        "tells": {"clutch-worn": accuracy(0.98, 0.99)},
    },
}  # fmt: skip
WHOLE["rules"] = {
    "stop": {"name": "No oil pressure", "when": ["lamp", "pressure"], "text": "Stop.", "bars": ["engine-runs"]}
}
BOOK = Book.model_validate(WHOLE)


def case(van=None, *, since=10_000.0, book=BOOK):
    van = van or vehicle()
    found = suspects(book, van, models, since=since, factors={}, rng=np.random.default_rng(1))
    return Case(book, van, found)


def means(one=None, missing_tools=()):
    one = one or case()
    access = Access.of(one.book, one.vehicle.variant, one.vehicle.built, missing_tools)
    return Means(one, access, TERMS.labour_rate, TERMS.visit_fixed)
