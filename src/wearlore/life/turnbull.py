"""The likeliest survival curve for lives of any censoring with delayed entry, without a family (Turnbull 1976)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from wearlore.errors import FitError
from wearlore.life.cells import Cells, spread, sums
from wearlore.life.likeliest import Growth, likeliest
from wearlore.life.nonparametric import SurvivalCurve, kaplan_meier
from wearlore.lives import Array, Lives

FIRM = 1e3  # times the lives at risk: a penalty that leaves a growth of none
NEARLY = 3e-3  # of a limit's distance from the estimate: how exactly it is found
NODES = 24  # distances at which likelihood-ratio limits are found; between them they go with the growth
MANY = 300  # cells held beyond which the limits come from the observed information
STEPS = 500


def record_curve(lives: Lives, level: float = 0.95, *, since: float = 0.0) -> SurvivalCurve:
    """What the records say without a family: Kaplan–Meier, or Turnbull when a failure lies between two looks.

    Raises FitError when no life was seen beyond ``since`` (km).
    """
    estimate = turnbull if lives.between.any() else kaplan_meier
    return estimate(lives, level, since=since)


def turnbull(lives: Lives, level: float = 0.95, *, since: float = 0.0) -> SurvivalCurve:
    """Turnbull's estimate for lives of any censoring and delayed entry; Kaplan–Meier's where all failures are exact.

    A cell that ``since`` falls into counts as behind it. Limits are likelihood-ratio limits on the chi-square quantile
    (Thomas & Grunkemeier 1975, J. Am. Stat. Assoc. 70); where looks are spread so finely that the estimate converges
    slower than the root of the number of lives, they are wide rather than narrow (Banerjee & Wellner 2001, Ann. Stat.
    29). Beyond `MANY` cells they are by ln(-ln S) on the observed information. Where S has reached 0 the limits are 0
    and the last upper limit. Raises FitError when no life was seen beyond ``since`` (km).
    """
    reach = np.where(lives.right, lives.lower, lives.upper)
    if not (reach > since).any():
        raise FitError(f"no life was seen beyond {since:,.0f} km", "Ask for survival from an earlier distance")
    cells = Cells.of(lives)
    emptied = np.flatnonzero(cells.outlived == 0)
    late = int(np.searchsorted(cells.ends, since, side="right"))
    start = int(np.max(emptied[emptied < late], initial=-1)) + 1
    stop = int(np.min(emptied[emptied >= late], initial=len(cells)))
    growth = likeliest(cells.between(start, stop))
    late -= start
    held, known = growth.held[growth.held >= late], int(np.count_nonzero(growth.held < late))
    total = np.cumsum(growth.size[held])
    variance = growth.variance(known)[known:]
    low, high = _limits(growth, late, variance, level)
    place = held + start
    if stop < len(cells):
        place = np.append(place, stop)
    gone = place.size - held.size
    failed = _expected(cells, start, np.append(growth.size, np.inf))[place]
    steps = np.append(np.exp(-total), np.zeros(gone))
    mass = -np.diff(steps, prepend=1.0)
    ends = cells.ends[place]
    return SurvivalCurve(
        begins=np.maximum(cells.begins[place], since),
        km=ends,
        survival=steps,
        low=np.append(low, np.zeros(gone)),
        high=np.append(high, np.full(gone, high[-1] if high.size else 1.0)),
        error=np.append(np.exp(-total) * np.sqrt(variance), np.zeros(gone)),
        at_risk=failed * (steps + mass) / mass,
        failed=failed,
        level=level,
        since=since,
        emptied_at=float(ends[-1]) if gone and bool((lives.lower > ends[-1]).any()) else None,
    )


def expected_failures(cells: Cells) -> Array:
    """Failures in each cell, (m,): those known to lie in several are shared out as the likeliest growth of H says."""
    emptied = np.flatnonzero(cells.outlived == 0).tolist()
    failed = np.zeros(len(cells))
    for start, stop in zip([0, *(at + 1 for at in emptied)], [*emptied, len(cells)], strict=True):
        failed += _expected(cells, start, np.append(likeliest(cells.between(start, stop)).size, inf))
    return failed


def _expected(cells: Cells, start: int, size: Array) -> Array:
    """Failures expected in each cell, (m,), given ``size``, the growth from cell ``start`` on; 0 elsewhere."""
    survival = np.exp(-np.concatenate([[0.0], np.cumsum(size)]))
    mass = np.zeros(len(cells))
    mass[start : start + size.size] = -np.diff(survival)[: len(cells) - start]
    inside = (cells.first >= start) & (cells.first < start + size.size)
    runs = replace(cells, first=cells.first[inside], stop=cells.stop[inside], count=cells.count[inside])
    return mass * spread(runs, runs.count / sums(runs, mass))


def _limits(growth: Growth, late: int, variance: Array, level: float) -> tuple[Array, Array]:
    """Pointwise limits of survival from behind cell ``late`` on, behind each cell then held, (k,)."""
    target = -float(ndtri((1 - level) / 2))
    held = growth.held[growth.held >= late]
    total = np.cumsum(growth.size[held])
    if held.size > MANY or not held.size:
        spread = np.exp(target * np.sqrt(variance) / total)
        return np.exp(-total * spread), np.exp(-total / spread)
    nodes = np.unique(np.linspace(0, held.size - 1, min(held.size, NODES)).round().astype(np.intp))
    tilts = [_Tilt(growth, late, int(held[node]), float(np.sqrt(variance[node]))) for node in nodes]
    least, most = (np.interp(total, total[nodes], [tilt.end(side, target) for tilt in tilts]) for side in (-1, 1))
    return np.exp(-most), np.exp(-least)


@dataclass(frozen=True, slots=True)
class _Tilt:
    """The profile likelihood of the growth over the cells ``late`` to ``last``: a reward for growth there is a smaller
    number of lives that outlived them, so each point of the profile is an estimate of the same kind."""

    best: Growth
    late: int
    last: int
    error: float

    @property
    def _over(self) -> NDArray[np.bool_]:
        """The cells meant, as far as a failure can lie in them."""
        place = np.arange(len(self.best.cells))
        shared = spread(self.best.cells, np.ones_like(self.best.cells.count)) > 0.5
        return np.asarray(shared & (place >= self.late) & (place <= self.last))

    def at(self, reward: float, start: Array) -> tuple[Array, float, float]:
        """Where the likelihood falls by ``reward`` per unit of growth: the growth of all cells, that over the cells
        meant, and the root of the ratio statistic."""
        cells, over = self.best.cells, self._over
        outlived = cells.outlived - np.where(over, reward, 0.0)
        found = likeliest(replace(cells, outlived=outlived), start)
        growth = float(found.size[over].sum())
        fallen = self.best.log_likelihood - (found.log_likelihood - reward * growth)
        return found.size, growth, float(np.sqrt(max(0.0, 2 * fallen)))

    def end(self, side: int, target: float) -> float:
        """The growth at which the root reaches ``target``; 0 if it does not on the lower side."""
        cells, size = self.best.cells, self.best.size
        inside = (cells.first >= self.late) & (cells.stop <= self.last + 1)
        if side < 0 and not inside.any() and self.at(-FIRM * float(cells.outlived.max()), size)[2] <= target:
            return 0.0
        ceiling = float(cells.outlived[self._over].min()) if side > 0 else inf
        low, high, root_low, root_high = 0.0, ceiling, 0.0, inf
        reward = min(target / self.error, 0.5 * ceiling)
        for _ in range(STEPS):
            size, growth, root = self.at(side * reward, size)
            if abs(root - target) < NEARLY * target:
                break
            if root < target:
                low, root_low = reward, root
            else:
                high, root_high = reward, root
            if np.isfinite(root_high):
                share = (target - root_low) / (root_high - root_low)
                reward = low + min(max(share, 0.05), 0.95) * (high - low)
            else:
                reward = min(reward * min(2.0, target / max(root, 1e-9)), 0.5 * (reward + high))
        return growth
