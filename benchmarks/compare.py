"""Time the comparison of lives beside statsmodels: the same rows, one process, best of several runs."""

from __future__ import annotations

import numpy as np
from life import best_of
from statsmodels.duration.survfunc import survdiff

from wearlore.life.compare.logrank import log_rank
from wearlore.life.compare.verdict import compare, joined
from wearlore.lives import Lives


def rows(n: int, seed: int, scale: float = 180e3) -> Lives:
    """Evident lives of a Weibull (shape 2.5), half seen late, to the km, each a row of its own."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.5, 0.0, rng.integers(0, 80_000, n))
    life = _outliving(entry, scale, rng)
    end = entry + rng.integers(1, 150_000, n)
    return Lives(entry, np.minimum(life, end), np.where(life <= end, life, np.inf), np.ones(n))


def _outliving(entry: np.ndarray, scale: float, rng: np.random.Generator) -> np.ndarray:
    """Lives, to the km, of units that outlived ``entry``."""
    return np.floor(scale * ((entry / scale) ** 2.5 + rng.exponential(size=entry.size)) ** 0.4) + 1


def folded(lives: Lives, km: float) -> Lives:
    """The same, grouped to ``km`` as lifetimes come."""
    table = np.ceil(np.column_stack([lives.entry, lives.lower, lives.upper]) / km) * km
    distinct, count = np.unique(table[table[:, 1] > table[:, 0]], axis=0, return_counts=True)
    return Lives(*distinct.T, count.astype(float))


def main() -> None:
    groups = {"A": rows(500_000, 1), "B": rows(500_000, 2)}
    end = np.concatenate([lives.lower for lives in groups.values()])
    failed = np.concatenate([lives.exact for lives in groups.values()]).astype(int)
    entry = np.concatenate([lives.entry for lives in groups.values()])
    group = np.repeat([0, 1], 500_000)
    ours = best_of(5, lambda: log_rank(groups))
    theirs = best_of(3, lambda: survdiff(end, failed, group, entry=entry))
    print(f"log-rank with delayed entry, {end.size:,} rows, {failed.sum():,} failures:")
    print(f"  {1e3 * ours:7.1f} ms; statsmodels {1e3 * theirs:7.1f} ms ({theirs / ours:.1f} times as long)")
    lives, factor = joined("revision", {name: folded(each, 100) for name, each in groups.items()})
    whole = best_of(1, lambda: compare(lives, factor))
    print(f"the whole comparison, {lives.total:,.0f} lives in {len(lives):,} grouped rows: {whole:.2f} s")


if __name__ == "__main__":
    main()
