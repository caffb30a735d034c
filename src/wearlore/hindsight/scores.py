"""How a forecast count compares with what happened.

PIT of a count: P(X < k) to P(X <= k), on which a right forecast is uniform (Czado, Gneiting & Held 2009, *Biometrics*
65(4)); instead of drawing from that span, each span counts by its parts. CRPS: sum over k of (P(X <= k) - 1[y <= k])^2
(Gneiting & Raftery 2007, *Journal of the American Statistical Association* 102), in failures; of a number stated
without doubt it is the absolute error.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wearlore.lives import Array

Span = tuple[float, float]


def interval(pmf: Array, level: float) -> tuple[int, int]:
    """The counts between which the middle ``level`` lies: whole numbers, so that they hold at least that much."""
    below = np.cumsum(pmf)
    low, high = np.searchsorted(below, [(1 - level) / 2 - 1e-12, (1 + level) / 2 - 1e-12])
    return int(low), int(min(high, pmf.size - 1))


def chance_within(pmf: Array, ends: tuple[int, int]) -> float:
    """Chance of a count between two ends, both included."""
    return float(min(1.0, pmf[ends[0] : ends[1] + 1].sum()))


def pit(pmf: Array, happened: int) -> Span:
    """The span of the probability integral transform at what happened."""
    below = np.concatenate([[0.0], np.cumsum(pmf)])
    low, high = (float(min(1.0, below[min(k, pmf.size)])) for k in (happened, happened + 1))
    return low, max(low, high)


def held(span: Span, level: float) -> float:
    """The part of a PIT span within the middle ``level``: on the mean over right forecasts it is ``level``, exactly."""
    return _share(span, (1 - level) / 2, (1 + level) / 2)


def histogram(spans: Sequence[Span], bins: int) -> Array:
    """PIT histogram: how much of the spans lies in each of equal bins, shape (bins,), adding up to their number."""
    return np.array([sum(_share(span, k / bins, (k + 1) / bins) for span in spans) for k in range(bins)])


def _share(span: Span, low: float, high: float) -> float:
    """Of the span, what lies within; a span without width lies where it stands (in the last bin: 1 too)."""
    begin, end = span
    if end - begin <= 1e-12:
        return float(low <= begin < high or (high >= 1 and begin >= 1))
    return max(0.0, min(end, high) - max(begin, low)) / (end - begin)


def so_far_off(pmf: Array, happened: int) -> float:
    """Chance of a count at least as far out on the same side, twice over (at most 1)."""
    low, high = pit(pmf, happened)
    return float(min(1.0, 2 * min(high, 1 - low)))


def crps(pmf: Array, happened: int) -> float:
    """In failures; lower is better."""
    below = np.cumsum(pmf)
    inside = (below - (np.arange(pmf.size) >= happened)) ** 2
    return float(inside.sum() + max(0, happened - pmf.size))


def mean(pmf: Array) -> float:
    """Failures expected."""
    return float(pmf @ np.arange(pmf.size))
