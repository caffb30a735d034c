"""The weighted log-rank test of several groups of lives, also where failures are known only to an interval."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from wearlore.errors import FitError
from wearlore.life.cells import Cells
from wearlore.life.likeliest import likeliest
from wearlore.lives import Array, Lives

Places = NDArray[np.intp]

SURE = 1 - 1e-4  # hazard from which on the shared-out failures of an interval could no longer be told from none
LONGEST_TABLE = 1e7  # whole distances up to here are looked up in a table
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
    parts = list(filled.values())
    if any(lives.between.any() for lives in parts):
        km, hazard = _pooled_hazard(pooled(parts))
    else:
        km = np.unique(np.concatenate([lives.lower[lives.exact] for lives in parts]))
        hazard = np.zeros(km.size)
    rows = [_Rows.of(lives, km) for lives in parts]
    failed, at_risk = (np.array(each) for each in zip(*(group.shared_out(hazard) for group in rows), strict=True))
    fails, risk = failed.sum(axis=0), at_risk.sum(axis=0)
    hazard = np.divide(fails, risk, out=np.zeros_like(risk), where=risk > 0)
    weights = _weights(weight, fails, risk)
    share = np.divide(at_risk, risk, out=np.zeros_like(at_risk), where=risk > 0)
    tied = np.divide(risk - fails, risk - 1, out=np.zeros_like(risk), where=risk > 1)
    spread = weights**2 * fails * np.clip(tied, 0.0, 1.0)
    complete = np.diag(share @ spread) - (share * spread) @ share.T
    variance = complete - sum(group.unknown(hazard, weights, share, g) for g, group in enumerate(rows))
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
        shared_out=float(sum(group.count[group.unsure].sum() for group in rows)),
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
    """Rows of one group by places among the m distances of failure.

    A row was at risk from place ``enters`` on. It failed at place ``low``, or is ``unsure`` (their numbers): it failed
    at one of ``low`` <= place < ``high``; or it outlived all places before ``low`` and is then no more in sight.
    """

    places: int
    enters: Places
    low: Places
    high: Places
    failed: NDArray[np.bool_]  # at a known place
    unsure: Places
    count: Array

    @classmethod
    def of(cls, lives: Lives, km: Array) -> _Rows:
        places_until, between = _places_until(km), lives.between
        low = places_until(lives.lower) - lives.exact
        high = low.copy()
        high[between] = places_until(lives.upper[between])
        unsure = np.flatnonzero(high > low + 1)
        failed = lives.exact | between
        failed[unsure] = False
        enters = np.minimum(places_until(lives.entry), np.where(failed, low, km.size))  # failed on entry: at risk then
        return cls(km.size, enters, low, high, failed, unsure, lives.count)

    def _per_place(self, at: Places, value: Array) -> Array:
        """Sums of ``value`` by place, shape (m,)."""
        return np.bincount(at, weights=value, minlength=self.places + 1)[: self.places].astype(np.float64)

    def shared_out(self, hazard: Array) -> tuple[Array, Array]:
        """Failures and lives at risk to be expected at every place given what was seen, each (m,)."""
        failed = self._per_place(self.low[self.failed], self.count[self.failed])
        at_risk = np.cumsum(self._per_place(self.enters, self.count) - self._per_place(self.low, self.count)) + failed
        if self.unsure.size:
            low, high, count = self.low[self.unsure], self.high[self.unsure], self.count[self.unsure]
            survival = _survival(hazard)
            per_mass = count / (survival[low] - survival[high])
            open_ = np.cumsum(self._per_place(low, per_mass) - self._per_place(high, per_mass))
            waiting = np.maximum(open_, 0.0) * (survival[:-1] - survival[1:])
            at_risk += np.cumsum(self._per_place(low, count)) - np.cumsum(waiting) + waiting
            failed = failed + waiting
        return failed, np.maximum(at_risk, 0.0)

    def unknown(self, hazard: Array, weights: Array, shares: Array, group: int) -> Array:
        """Covariance (k, k) of the groups' excess of failures that is due to not knowing where these rows failed.

        A row of ``group`` g that fails at place j adds weights_j (e_g - shares_j) - sum over places i <= j since its
        entry of weights_i hazard_i (e_g - shares_i), which up to a constant is a_j e_g - b_j, to the excess.
        """
        if not self.unsure.size:
            return np.zeros((len(shares), len(shares)))
        low, high, count = self.low[self.unsure], self.high[self.unsure], self.count[self.unsure]
        survival = _survival(hazard)
        mass = survival[:-1] - survival[1:]
        adds = np.cumsum(shares * weights * hazard, axis=1) - shares * weights
        adds[group] += weights - np.cumsum(weights * hazard)

        def mean(values: Array) -> Array:
            sums = np.concatenate([[0.0], np.cumsum(mass * values)])
            return np.asarray((sums[high] - sums[low]) / (survival[low] - survival[high]))

        means = [mean(each) for each in adds]
        return np.array(
            [
                [count @ (mean(one * other) - means[g] * means[h]) for h, other in enumerate(adds)]
                for g, one in enumerate(adds)
            ]
        )


def _places_until(km: Array) -> Callable[[Array], Places]:
    """The number of ``km`` (m,), sorted, that are at most a distance; by a table where they are whole numbers."""
    if km[-1] < LONGEST_TABLE and (km == np.floor(km)).all():
        whole = km.astype(np.intp)
        table = np.cumsum(np.bincount(whole, minlength=whole[-1] + 1))
        return lambda at: np.asarray(table[np.minimum(at, km[-1]).astype(np.intp)])
    return lambda at: np.searchsorted(km, at, side="right")


def _survival(hazard: Array) -> Array:
    """Survival before every place and after the last, shape (m + 1,)."""
    return np.concatenate([[1.0], np.cumprod(1 - np.minimum(hazard, SURE))])


def _pooled_hazard(lives: Lives) -> tuple[Array, Array]:
    """Distances (km) at which failures can be placed, and the chance to fail at each given that the life gets there.

    A cell of Turnbull's estimate stands at its end. Where all lives at risk failed the chance is 1, and what was seen
    beyond is estimated anew.
    """
    cells = Cells.of(lives)
    hazard = np.zeros(len(cells))
    start = 0
    for stop in (*np.flatnonzero(cells.outlived == 0).tolist(), len(cells)):
        if stop > start:
            hazard[start:stop] = -np.expm1(-likeliest(cells.between(start, stop)).size)
        hazard[stop : stop + 1] = 1.0
        start = stop + 1
    return cells.ends[hazard > 0], hazard[hazard > 0]
