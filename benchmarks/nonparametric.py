"""Time Turnbull's estimate beside surpyval and lifelines: the same intervals, one process, best of several runs.

Times are of the processor, so that they bear with a machine that others use too.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from time import process_time

import lifelines
import numpy as np
import surpyval

from wearlore.life.cells import Cells
from wearlore.life.likeliest import likeliest
from wearlore.life.turnbull import record_curve
from wearlore.lives import Lives


def inspected(vans: int, seed: int, every_km: float = 1.0) -> Lives:
    """Lives of a Weibull (shape 2.5, 180 000 km), each looked at 5,000 to 40,000 km apart until some look fails it or
    the looks end; looks to ``every_km``."""
    rng = np.random.default_rng(seed)
    life = rng.weibull(2.5, vans) * 180e3
    looks = np.cumsum(rng.uniform(5e3, 40e3, (vans, 9)), axis=1)
    looks = np.round(np.column_stack([np.zeros(vans), looks]) / every_km) * every_km
    seen = (looks < life[:, None]).sum(axis=1) - 1
    row, last = np.arange(vans), looks.shape[1] - 1
    upper = np.where(seen < last, looks[row, np.minimum(seen + 1, last)], np.inf)
    return Lives(np.zeros(vans), looks[row, seen], upper, np.ones(vans))


def best_of(runs: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, s of the processor."""
    times = []
    for _ in range(runs):
        start = process_time()
        work()
        times.append(process_time() - start)
    return min(times)


def estimate(lives: Lives) -> np.ndarray:
    """Survival behind each cell until the first that all then at risk failed in, without limits."""
    cells = Cells.of(lives)
    emptied = np.flatnonzero(cells.outlived == 0)
    before = cells.between(0, int(emptied[0]) if emptied.size else len(cells))
    return np.exp(-np.cumsum(likeliest(before).size))


def beside_surpyval(lives: Lives) -> None:
    ours = best_of(5, lambda: estimate(lives))
    rows = np.column_stack([lives.lower, lives.upper])
    theirs: list[surpyval.NonParametric] = []
    seconds = best_of(2, lambda: theirs.append(surpyval.Turnbull.fit(x=rows)))
    curve = record_curve(lives)
    off = np.abs(theirs[-1].sf(curve.km) - curve.survival).max()
    print(
        f"  {lives.total:,.0f} lives: {1e3 * ours:.0f} ms; surpyval {1e3 * seconds:.0f} ms ({seconds / ours:.1f} times "
        f"as long), off by up to {off:.0e}; with limits {best_of(1, lambda: record_curve(lives)):.2f} s"
    )


def beside_lifelines(lives: Lives) -> None:
    ours = best_of(5, lambda: estimate(lives))
    fitter = lifelines.KaplanMeierFitter()

    def theirs() -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that it ended by small steps, not by its conditions
            fitter.fit_interval_censoring(lives.lower, lives.upper)

    seconds = best_of(1, theirs)
    print(
        f"  {lives.total:,.0f} lives: {1e3 * ours:.1f} ms; lifelines {1e3 * seconds:.0f} ms "
        f"({seconds / ours:.0f} times as long)"
    )


def main() -> None:
    print("Turnbull, lives looked at each on its own days:")
    beside_surpyval(inspected(10_000, 1, every_km=100.0))
    beside_lifelines(inspected(1_000, 1, every_km=100.0))
    million = inspected(1_000_000, 2, every_km=1_000.0)
    print(f"  a million lives, looks to 1,000 km: {best_of(1, lambda: estimate(million)):.1f} s")


if __name__ == "__main__":
    main()
