"""The weighted log-rank test of several groups of lives, also where failures are known only to an interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from wearlore.errors import FitError
from wearlore.life.turnbull import Cells, likeliest
from wearlore.lives import Array, Lives

Places = NDArray[np.intp]

SURE = 1 - 1e-4  # hazard from which on the shared-out failures of an interval could no longer be told from none
NO_INFORMATION = 1e-9  # part of a direction's variance below which it says nothing


@dataclass(frozen=True, slots=True)
class FlemingHarrington:
    """The weight S^rho (1 - S)^gamma, S the pooled survival just before (Fleming & Harrington 1981)."""

    rho: float = 0.0
    gamma: float = 0.0

    def __post_init__(self) -> None:
        if not (self.rho >= 0 and self.gamma >= 0):
            raise ValueError("rho and gamma: at least 0")


Weight = Literal["even", "gehan", "peto"] | FlemingHarrington


@dataclass(frozen=True, slots=True)
class LogRank:
    """What the log-rank test says of k groups.

    ``observed`` and ``expected`` (k,) and the covariance ``variance`` (k, k) of their difference are sums over the
    distances of failure, each weighted: with even weights they are failures. ``df`` is k - 1, less what the lives
    cannot compare. ``shared_out`` failures were known only to an interval.
    """

    groups: tuple[str, ...]
    weight: Weight
    observed: Array
    expected: Array
    variance: Array
    chi2: float
    df: int
    p: float
    shared_out: float


def log_rank(groups: Mapping[str, Lives], weight: Weight = "even") -> LogRank:
    """Do the groups fail alike at every distance? (Klein & Moeschberger 2003, section 7.3.)

    Delayed entry, ties and counts are honoured. ``weight`` at a distance of failure: ``even`` (log-rank), ``gehan``
    (lives at risk; Gehan 1965, Breslow 1970), ``peto`` (pooled survival; Peto & Peto 1972) or `FlemingHarrington`.
    The first looks at all failures alike, the next two rather at early ones.

    A failure known only to lie between two distances is shared out over the distances at which it may have happened,
    by the pooled estimate of Turnbull (1976) given what its row conditions on (Sun 1996, Stat. Med. 15). What that
    does not know is taken off the variance (Louis 1982, J. R. Stat. Soc. B 44; Huang, Lee & Yu 2008, Stat. Med. 27,
    do the same by random imputation). So groups may be looked at with different frequency. No randomness is needed.

    Raises FitError when there is only one group with lives, nothing failed, or no failure had lives of two groups
    at risk.
    """
    filled = {name: lives for name, lives in groups.items() if len(lives)}
    if len(filled) < 2:
        raise FitError("there is only one group with lives", "Give at least two groups to compare")
    if not sum(lives.failures for lives in filled.values()):
        raise FitError("nothing has failed yet in any group", "Compare when something has failed")
    km, hazard = _pooled_hazard(pooled(list(filled.values())))
    rows = _Rows.of(list(filled.values()), km)
    failed, at_risk = rows.shared_out(hazard)
    fails, risk = failed.sum(axis=0), at_risk.sum(axis=0)
    hazard = np.divide(fails, risk, out=np.zeros_like(risk), where=risk > 0)
    weights = _weights(weight, fails, risk)
    share = np.divide(at_risk, risk, out=np.zeros_like(at_risk), where=risk > 0)
    tied = np.divide(risk - fails, risk - 1, out=np.zeros_like(risk), where=risk > 1)
    spread = weights**2 * fails * np.clip(tied, 0.0, 1.0)
    complete = np.diag(share @ spread) - (share * spread) @ share.T
    variance = complete - rows.unknown(hazard, weights, share)
    observed, expected = failed @ weights, share @ (weights * fails)
    statistic, df = _chi2(observed - expected, variance, complete)
    if not df:
        raise FitError("no failure had lives of two groups at risk", "Records that overlap in distance would")
    return LogRank(
        groups=tuple(filled),
        weight=weight,
        observed=observed,
        expected=expected,
        variance=variance,
        chi2=statistic,
        df=df,
        p=float(chi2.sf(statistic, df)),
        shared_out=float(rows.count[rows.unsure].sum()),
    )


def pooled(groups: Sequence[Lives]) -> Lives:
    """The lives of all groups in one."""
    columns = ([getattr(lives, what) for lives in groups] for what in ("entry", "lower", "upper", "count"))
    return Lives(*(np.concatenate(column) for column in columns))


def _weights(weight: Weight, failed: Array, at_risk: Array) -> Array:
    """At every distance of failure, shape (m,)."""
    if weight == "even":
        return np.ones_like(at_risk)
    if weight == "gehan":
        return at_risk
    if weight == "peto":
        return np.cumprod(1 - failed / (at_risk + 1)).astype(np.float64)
    survival: Array = np.cumprod(1 - np.divide(failed, at_risk, out=np.zeros_like(at_risk), where=at_risk > 0))
    before = np.concatenate([[1.0], np.maximum(survival[:-1], 0.0)])
    return np.asarray(before**weight.rho * (1 - before) ** weight.gamma)


def _chi2(excess: Array, variance: Array, complete: Array) -> tuple[float, int]:
    """excess' variance^-1 excess and its degrees of freedom, over the directions in which the lives inform."""
    values, directions = np.linalg.eigh(variance)
    telling = values > NO_INFORMATION * max(float(np.trace(complete)), np.finfo(float).tiny)
    along = directions[:, telling].T @ excess
    return float(along @ (along / values[telling])), int(telling.sum())


@dataclass(frozen=True, slots=True)
class _Rows:
    """Distinct rows of all groups by places among the m distances of failure.

    A row was at risk from place ``enters`` on; it failed at one of ``low`` <= place < ``high``, or outlived all places
    before ``low`` and is then no more in sight (``low`` = ``high``).
    """

    groups: int
    places: int
    group: Places
    enters: Places
    low: Places
    high: Places
    count: Array

    @classmethod
    def of(cls, groups: Sequence[Lives], km: Array) -> _Rows:
        parts = []
        for number, lives in enumerate(groups):
            low = np.searchsorted(km, lives.lower, side="right")
            high = np.where(lives.right, low, np.searchsorted(km, lives.upper, side="right"))
            low = np.where(lives.exact, high - 1, low)
            enters = np.searchsorted(km, lives.entry, side="right")
            enters = np.minimum(enters, np.where(lives.right, enters, low))  # failed on entry: was at risk then
            parts.append((np.full(len(lives), number), enters, low, high, lives.count))
        group, enters, low, high, count = (np.concatenate(column) for column in zip(*parts, strict=True))
        return cls(len(groups), km.size, group, enters, low, high, count)

    @property
    def unsure(self) -> NDArray[np.bool_]:
        return self.high > self.low + 1

    def _per_place(self, at: Places, value: Array, rows: NDArray[np.bool_] | slice = slice(None)) -> Array:
        """Sums of ``value`` by group and place, shape (k, m)."""
        index = self.group[rows] * (self.places + 1) + at[rows]
        sums = np.bincount(index, weights=value[rows], minlength=self.groups * (self.places + 1))
        return np.asarray(sums.reshape(self.groups, self.places + 1)[:, : self.places], np.float64)

    def shared_out(self, hazard: Array) -> tuple[Array, Array]:
        """Failures and lives at risk to be expected at every place given what was seen, each (k, m)."""
        failing = self.high > self.low
        sure = failing & ~self.unsure
        failed = self._per_place(self.low, self.count, sure)
        at_risk = np.cumsum(self._per_place(self.enters, self.count) - self._per_place(self.low, self.count), axis=1)
        at_risk += failed
        if self.unsure.any():
            survival = _survival(hazard)
            mass = survival[:-1] - survival[1:]
            per_mass = self.count / np.where(self.unsure, survival[self.low] - survival[self.high], 1.0)
            opened = self._per_place(self.low, per_mass, self.unsure)
            closed = self._per_place(self.high, per_mass, self.unsure)
            waiting = np.maximum(np.cumsum(opened - closed, axis=1), 0.0) * mass
            entered = self._per_place(self.low, self.count, self.unsure)
            at_risk += np.cumsum(entered - np.pad(waiting, ((0, 0), (1, 0)))[:, :-1], axis=1)
            failed = failed + waiting
        return failed, np.maximum(at_risk, 0.0)

    def unknown(self, hazard: Array, weights: Array, share: Array) -> Array:
        """Covariance (k, k) of the groups' excess of failures that is due to not knowing where they happened.

        Where a row of group g fails at place j it adds weights_j (e_g - share_j) - sum over places i <= j since its
        entry of weights_i hazard_i (e_g - share_i) = a_j e_g - b_j (up to a constant) to the excess.
        """
        k = self.groups
        total = np.zeros((k, k))
        if not self.unsure.any():
            return total
        survival = _survival(hazard)
        mass = survival[:-1] - survival[1:]
        a = weights - np.cumsum(weights * hazard)
        b = share * weights - np.cumsum(share * weights * hazard, axis=1)
        group, low, high = self.group[self.unsure], self.low[self.unsure], self.high[self.unsure]
        count, within = self.count[self.unsure], survival[low] - survival[high]

        def mean(values: Array) -> Array:
            sums = np.concatenate([[0.0], np.cumsum(mass * values)])
            return np.asarray((sums[high] - sums[low]) / within)

        mean_a, mean_b = mean(a), [mean(row) for row in b]
        own = np.bincount(group, weights=count * (mean(a * a) - mean_a**2), minlength=k)
        total += np.diag(own)
        for g in range(k):
            cross = np.bincount(group, weights=count * (mean(a * b[g]) - mean_a * mean_b[g]), minlength=k)
            total[:, g] -= cross
            total[g, :] -= cross
            for h in range(k):
                total[g, h] += count @ (mean(b[g] * b[h]) - mean_b[g] * mean_b[h])
        return total


def _survival(hazard: Array) -> Array:
    """Survival before every place and after the last, shape (m + 1,)."""
    return np.concatenate([[1.0], np.cumprod(1 - np.minimum(hazard, SURE))])


def _pooled_hazard(lives: Lives) -> tuple[Array, Array]:
    """Distances (km) at which failures can be placed, and the chance to fail at each given that the life gets there.

    A cell of Turnbull's estimate stands at its end. Where all lives at risk failed the chance is 1, and what was seen
    beyond is estimated anew. Where every failure's distance is known no chance is needed.
    """
    if not lives.between.any():
        km = np.unique(lives.lower[lives.exact])
        return km, np.zeros(km.size)
    cells = Cells.of(lives)
    hazard = np.zeros(len(cells))
    start = 0
    for stop in (*np.flatnonzero(cells.outlived == 0).tolist(), len(cells)):
        if stop > start:
            hazard[start:stop] = -np.expm1(-likeliest(cells.between(start, stop)).size)
        hazard[stop : stop + 1] = 1.0
        start = stop + 1
    return cells.ends[hazard > 0], hazard[hazard > 0]
