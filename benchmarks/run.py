"""All benchmarks: peers beside us in one process, as ratios; then the main job as a whole.

Run with ``make bench``. Absolute times drift on a shared machine: quote the ratios.
"""

from __future__ import annotations

import sys
import tempfile
import time
from contextlib import contextmanager
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import compare
import drift
import early_failures
import life
import lifetimes
import nonparametric
import outlook
import recurrent
import regression
import scope
import tracing

from wearlore.demo.folder import lay_out
from wearlore.workbench import Workbench, silent


@contextmanager
def timed(what: str, limit_s: float | None = None):
    start = time.perf_counter()
    yield
    took = time.perf_counter() - start
    aim = f"   (aim: under {limit_s:g} s)" if limit_s else ""
    print(f"{what:58} {took:7.2f} s{aim}")


def main_job() -> None:
    """The demo family, 6,000 vans: what the issue sets as aims, kernels compiled beforehand."""
    print("The main job on the demo family (6,000 vans)")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "demo"
        with timed("invent the fleet"):
            van = lay_out(folder, vans=6000, progress=silent)
        bench = Workbench(folder)
        with timed("take its records into the store"):
            bench.take(van.files, today=date.today())  # noqa: DTZ011
        Workbench(folder).scope(van.vehicle, van.faults)  # compiles
        bench = Workbench(folder)
        with timed("lifetimes and life models of all modes", 10):
            bench.lives()
        with timed("first visit: models of each revision and grade as well"):
            bench.scope(van.vehicle, van.faults)
        with timed("a visit after that: scope, and the long run simulated"):
            visit = bench.scope(van.vehicle, van.faults)
        advice = scope_alone(bench, visit)
        print(f"{'of which problem, choice and reasons':58} {advice:7.2f} s   (aim: under 1 s)")
        with timed("job card, estimate and owner's page"):
            bench.job(visit)


def scope_alone(bench: Workbench, visit) -> float:
    import numpy as np

    from wearlore.scope import choose, problem

    def model_of(mode: str, revision: str, grade: str):
        return bench.models(mode).of(revision, grade)

    start = time.perf_counter()
    choose(problem(bench.book, visit.vehicle, model_of, visit.terms, rng=np.random.default_rng(1)))
    return time.perf_counter() - start


if __name__ == "__main__":
    for part in (
        life.main,
        nonparametric.main,
        drift.main,
        early_failures.main,
        regression.main,
        compare.main,
        recurrent.main,
        lifetimes.main,
        scope.main,
        outlook.main,
        tracing.main,
        main_job,
    ):
        part()
        print()
