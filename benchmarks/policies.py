"""The improved advice against the habits and against the best possible, on vans of the demo fleet over 150,000 km.

Every van stands at a visit: the failure that is likeliest to come next has just come. Said for each rule: cost per van,
what it costs more than the improved advice on the same courses of events, and how far it is from what no rule can fall
below.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from wearlore import outlook, scope
from wearlore.demo.folder import lay_out
from wearlore.outlook.alone import cells_of
from wearlore.outlook.bound import Bound, best_possible
from wearlore.outlook.improve import learn_share
from wearlore.renewal.upkeep import Upkeep
from wearlore.workbench import Workbench

HORIZON, SOON = 150_000.0, 7  # km; cells of a hundredth of the horizon in which a failure is the next
RUNS = 1024
RULES = {
    "improved advice": lambda care: learn_share(care, seed=1)[1],
    "advice": scope.follow_advice,
    "cure only what failed": outlook.only_failed,
    "renew all within reach": outlook.all_in_reach,
}


def fleet(vans: int) -> list[Upkeep]:
    """The first so many vans of a demo store, each at a visit."""
    with tempfile.TemporaryDirectory() as folder:
        van = lay_out(Path(folder) / "shop", vans=300, progress=lambda *_: None)
        bench = Workbench(Path(folder) / "shop")
        bench.take(van.files, today=np.datetime64("2026-01-01").astype(object))
        return [at_visit(bench, f"V{number:05d}") for number in range(1, vans + 1)]


def at_visit(bench: Workbench, name: str) -> Upkeep:
    book, vehicle, _ = bench._weighable(bench.vehicle(name))
    terms = replace(bench.terms(), horizon=HORIZON)
    care = scope.upkeep(book, vehicle, bench._model_of, terms, rng=np.random.default_rng(1))
    soon = cells_of(care, 100, 16).old[:, :, 1:SOON].mean(axis=1).sum(axis=1)
    evident = np.array([not item.hidden.any() for item in care.renewables])
    next_ = care.renewables[int(np.where(evident, soon, 0.0).argmax())]
    terms = replace(terms, must=frozenset({scope.Fault(next_.unit, next_.modes[0])}))
    return scope.upkeep(book, vehicle, bench._model_of, terms, rng=np.random.default_rng(1))


def main(vans: int) -> None:
    cares = fleet(vans)
    made = outlook.simulate(cares, RULES, runs=RUNS, rng=np.random.default_rng(2))
    start = time.perf_counter()
    least = float(np.mean([best_possible(care).cost for care in cares]))
    print(f"{vans} vans, {RUNS} courses each; no rule can cost less than {least:,.0f}")
    print(f"the bound took {(time.perf_counter() - start) / vans:.1f} s a van")
    bound = Bound(least, np.zeros((0, 0)))
    for name, told in made.policies.items():
        within, more = bound.within(told.cost), made.beyond.get(name)
        print(f"{name}: {told.cost.value:,.0f} ({told.cost.low:,.0f} to {told.cost.high:,.0f}), ", end="")
        print(f"within {within.value:.1%} of the best possible ({within.low:.1%} to {within.high:.1%})", end="")
        print("" if more is None else f"; {more.value:,.0f} more ({more.low:,.0f} to {more.high:,.0f})")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 16)
