"""How long a visit takes to be weighed again when one thing moves: ``weighing.py FOLDER [VEHICLE]``."""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from wearlore.scope import Terms
from wearlore.workbench import Workbench
from wearlore.workbench.weighing import Weighing

FAULT = "filter-housing-leak"
MOVES = 40


def timed(weighing: Weighing, moves: list[Terms]) -> str:
    """Median and 95th percentile, ms, on the clock and on the processor; the first move is not counted."""
    clock, processor = [], []
    for terms in moves:
        start, begun = time.perf_counter(), time.process_time()
        weighing.weigh(terms)
        clock.append(1e3 * (time.perf_counter() - start))
        processor.append(1e3 * (time.process_time() - begun))
    told = [np.percentile(times[1:], [50, 95]) for times in (clock, processor)]
    return "   ".join(f"{p50:6.0f} {p95:6.0f}" for p50, p95 in told)


def main(folder: str, vehicle: str = "V00003") -> None:
    """Print one line for each thing that moves."""
    bench = Workbench(folder)
    weighing = bench.weighing(vehicle)
    terms = replace(bench.demanded(weighing, bench.terms(), [FAULT], {}), setup_share=0.2)
    weighing.weigh(terms)
    units = [one.unit for one in weighing.weigh(terms).outline.doing if one.reason != "must"]
    share = np.linspace(0.3, 1.5, MOVES)
    print(f"{'moved':16} p50, p95 ms on the clock   on the processor")
    for name in ("labour_rate", "horizon", "per_year"):
        moves = [replace(terms, **{name: getattr(terms, name) * k}) for k in share]
        print(f"{name:16} {timed(weighing, moves)}")
    moves = [replace(terms, refuse=frozenset({units[k % len(units)]})) for k in range(MOVES)]
    print(f"{'left out':16} {timed(weighing, moves)}")


if __name__ == "__main__":
    main(*sys.argv[1:])
