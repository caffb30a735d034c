"""Time the life models beside lifelines and surpyval: the same lives, one process, best of several runs."""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter

import lifelines
import numpy as np
import surpyval

from wearlore.life import LOGNORMAL, WEIBULL, fit, life_model, profile_interval
from wearlore.lives import Lives

MODES = 34


def fleet(vans: int, seed: int) -> Lives:
    """Evident lives of a Weibull (shape 2.5, 180 000 km), half seen late, grouped to 100 km."""
    rng = np.random.default_rng(seed)
    life = rng.weibull(2.5, vans) * 180e3
    entry = np.where(rng.random(vans) < 0.5, 0.0, rng.uniform(0, 80e3, vans))
    end = entry + rng.uniform(0, 150e3, vans)
    rows = np.round(np.column_stack([entry, np.minimum(life, end), np.where(life < end, life, np.inf)]), -2)
    seen = (life > entry) & (rows[:, 1] > rows[:, 0])
    distinct, count = np.unique(rows[seen], axis=0, return_counts=True)
    return Lives(*distinct.T, count.astype(float))


def rare(vans: int, failures: int, seed: int) -> Lives:
    """As many lives, all but a few still good."""
    lives = fleet(vans, seed)
    good = Lives(lives.entry, lives.lower, np.full(len(lives), np.inf), lives.count)
    failed = np.random.default_rng(seed).choice(len(lives), failures, replace=False)
    upper = good.upper.copy()
    upper[failed] = good.lower[failed]
    return Lives(good.entry, good.lower, upper, good.count)


def best_of(runs: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, s."""
    times = []
    for _ in range(runs):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return min(times)


def main() -> None:
    lives = fleet(6000, 1)
    right = lives.right
    print(f"maximum likelihood, {lives.total:,.0f} lives in {len(lives):,} grouped rows, delayed entry:")
    for dist, theirs, also in (
        (WEIBULL, lifelines.WeibullFitter, surpyval.Weibull),
        (LOGNORMAL, lifelines.LogNormalFitter, surpyval.LogNormal),
    ):
        ours = best_of(5, lambda dist=dist: fit(lives, dist))
        with_lifelines = best_of(
            3, lambda theirs=theirs: theirs().fit(lives.lower, ~right, entry=lives.entry, weights=lives.count)
        )
        with_surpyval = best_of(
            3,
            lambda also=also: also.fit(lives.lower, c=right.astype(int), n=lives.count.astype(int), tl=lives.entry),
        )
        print(
            f"  {dist.name:9} {1e3 * ours:7.1f} ms; lifelines {1e3 * with_lifelines:7.1f} ms "
            f"({with_lifelines / ours:.0f} times as long), surpyval {1e3 * with_surpyval:7.1f} ms "
            f"({with_surpyval / ours:.0f} times)"
        )
    best = fit(lives, WEIBULL)
    interval = best_of(5, lambda: profile_interval(lives, best, "quantile", 0.1))
    print(f"profile-likelihood interval of B10: {1e3 * interval:.1f} ms")
    for failures in (0, 1, 3):
        few = rare(6000, failures, 1)
        seconds = best_of(3, lambda few=few: life_model("rare", few))
        print(f"life model of {failures} failures in {few.total:,.0f} lives: {1e3 * seconds:.0f} ms")
    fleets = [rare(6000, seed, seed) if seed < MODES // 2 else fleet(6000, seed) for seed in range(MODES)]

    def all_modes() -> None:
        for number, one in enumerate(fleets):
            model = life_model(f"mode-{number}", one)
            for what, at in (("scale", 0.0), ("shape", 0.0), ("quantile", 0.1), ("quantile", 0.5)):
                if model.fit:
                    model.fit.interval(what, at)
            model.quantile(0.1)

    rows = sum(len(one) for one in fleets)
    print(
        f"{MODES} modes, half of them with 0 to 16 failures, {rows:,} rows: two families, four profile intervals, "
        f"posterior: {best_of(1, all_modes):.2f} s"
    )


if __name__ == "__main__":
    main()
