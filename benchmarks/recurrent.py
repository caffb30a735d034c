"""Time the mean cumulative function beside surpyval's: the same histories, one process, best of several runs."""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter

import numpy as np
from surpyval.recurrent import NonParametricCounting

from wearlore.life.recurrent.comparison import compare_means
from wearlore.life.recurrent.mean import Histories, mean_cumulative
from wearlore.life.recurrent.powerlaw import power_law
from wearlore.life.recurrent.trend import trend


def fleet(vans: int, repairs: float, group: float, seed: int) -> Histories:
    """Windows of 1,000 to 300,000 km from new with ``repairs`` by 100,000 km, distances grouped to ``group`` km."""
    rng = np.random.default_rng(seed)
    end = np.ceil(rng.uniform(1e3, 3e5, vans) / group) * group
    van = np.repeat(np.arange(vans), rng.poisson(repairs * end / 1e5))
    return Histories.of(np.zeros(vans), end, van, np.ceil(rng.uniform(0, end[van]) / group) * group)


def best_of(runs: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, s."""
    times = []
    for _ in range(runs):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return min(times)


def theirs(histories: Histories) -> NonParametricCounting:
    vans = np.arange(len(histories))
    return NonParametricCounting.fit(
        np.r_[histories.km, histories.end],
        i=np.r_[histories.unit, vans],
        c=np.r_[np.zeros(histories.km.size, int), np.ones(vans.size, int)],
    )


def main() -> None:
    for group in (100.0, 1.0):
        histories = fleet(100_000, 2.87, group, 1)
        curve, other = mean_cumulative(histories), theirs(histories)
        where = np.searchsorted(other.x, curve.km)
        if not (
            np.allclose(curve.mean, other.mcf_hat[where], rtol=1e-9)
            and np.allclose(curve.error, np.sqrt(other.var[where]), rtol=1e-6)
        ):
            raise SystemExit("surpyval's mean cumulative function is another one")
        ours, peer = best_of(7, lambda h=histories: mean_cumulative(h)), best_of(3, lambda h=histories: theirs(h))
        print(
            f"mean cumulative function with error, {len(histories):,} histories, {histories.events:,.0f} repairs "
            f"to {group:g} km: {1e3 * ours:.0f} ms; surpyval {1e3 * peer:,.0f} ms ({peer / ours:.0f} times as long)"
        )
    large, other = fleet(200_000, 3.3, 100.0, 2), fleet(200_000, 3.3, 100.0, 3)
    works = {
        "mean cumulative function": lambda: mean_cumulative(large),
        "comparison with as many others": lambda: compare_means(large, other),
        "power law with its intervals": lambda: power_law(large),
        "tests of trend": lambda: trend(large),
    }
    print(f"{len(large):,} histories with {large.events:,.0f} repairs:")
    for what, work in works.items():
        print(f"  {what:34} {best_of(3, work):6.2f} s")


if __name__ == "__main__":
    main()
