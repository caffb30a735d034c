"""Time early failures and units that never fail beside surpyval: the same lives, one process, best of several runs."""

from __future__ import annotations

import numpy as np
import surpyval
from life import best_of

from wearlore.life import LOGNORMAL, WEIBULL
from wearlore.life.fractions.fit import fractions
from wearlore.life.fractions.study import fractions_study
from wearlore.lives import Lives


def fleet(vans: int, seed: int) -> Lives:
    """3 % faulty as fitted, 60 % of the others can fail (Weibull, shape 2.5, 120,000 km), grouped to 100 km."""
    rng = np.random.default_rng(seed)
    life = np.where(rng.random(vans) < 0.6, rng.weibull(2.5, vans) * 120e3, np.inf)
    life = np.where(rng.random(vans) < 0.03, rng.uniform(0, 5e3, vans), life)
    end = rng.uniform(0, 300e3, vans)
    rows = np.ceil(np.column_stack([np.minimum(life, end), np.where(life < end, life, np.inf)]) / 100) * 100
    distinct, count = np.unique(rows, axis=0, return_counts=True)
    return Lives(np.zeros(len(distinct)), *distinct.T, count.astype(float))


def main() -> None:
    lives = fleet(6000, 1)
    right = lives.right
    print(f"a share that never fails, {lives.total:,.0f} lives in {len(lives):,} grouped rows:")
    for dist, theirs in ((WEIBULL, surpyval.Weibull), (LOGNORMAL, surpyval.LogNormal)):
        ours = best_of(3, lambda dist=dist: fractions(lives, dist, "survivors"))
        peer = best_of(
            3,
            lambda theirs=theirs: theirs.fit(lives.lower, c=right.astype(int), n=lives.count.astype(int), lfp=True),
        )
        print(f"  {dist.name:9} {1e3 * ours:7.1f} ms; surpyval {1e3 * peer:7.1f} ms ({peer / ours:.1f} times as long)")
    early = fractions(lives, WEIBULL, "early")
    print(f"early failures: fit {1e3 * best_of(3, lambda: fractions(lives, WEIBULL, 'early')):.0f} ms, ", end="")
    print(f"profile interval of p0 {1e3 * best_of(3, lambda: early.interval('p0')):.0f} ms")
    print(f"study of two families, four kinds each: {best_of(1, lambda: fractions_study(lives)):.2f} s")


if __name__ == "__main__":
    main()
