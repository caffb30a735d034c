"""Cox's proportional hazards beside the accelerated-failure-time models: a check that assumes no family."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.compare.covariates import Covariate, Design, Factor
from wearlore.lives import Array, Lives

Ties = Literal["efron", "breslow"]
STEPS = 50
SETTLED = 1e-10  # Newton decrement (twice the log-likelihood still to gain) at which the search ends
UNBOUNDED = 20.0  # ln of a hazard ratio, per spread of its column, beyond which there is none
UNTOLD = 700.0  # ln of a ratio beyond which no interval is told


@dataclass(frozen=True, slots=True)
class HazardRatio:
    """At ``level`` of ``term`` lives fail at ``estimate`` (Wald interval) times the rate of lives ``against``.

    ``coefficient`` is its logarithm, ``error`` the standard error of that. Of a `Measure`: as `Ratio`.
    """

    term: str
    level: str
    against: str
    coefficient: float
    error: float
    estimate: Estimate

    @property
    def p(self) -> float:
        """Chance of so great a difference if the ratio is 1 (Wald)."""
        return float(2 * norm.sf(abs(self.coefficient) / self.error))


@dataclass(frozen=True, slots=True)
class Cox:
    """Hazard ratios by partial likelihood."""

    ratios: tuple[HazardRatio, ...]
    log_likelihood: float
    null_log_likelihood: float
    ties: Ties


def cox(lives: Lives, covariates: Sequence[Covariate], *, ties: Ties = "efron", level: float = 0.95) -> Cox:
    """Proportional hazards by partial likelihood with delayed entry and counts (Cox 1972; Klein & Moeschberger 2003,
    sections 8.2 to 8.4), ties by Efron (1977; whole counts) or Breslow (1974).

    Raises FitError where failures are known only to an interval, nothing failed, or a hazard ratio has no limit.
    """
    if lives.between.any():
        raise FitError(
            "a hazard ratio needs the distance of every failure, and some are known only to an interval",
            "The ratio of lives needs no such distances",
        )
    if not lives.failures:
        raise FitError("nothing has failed yet", "Compare when something has failed")
    names, x = _columns(Design.of(covariates, len(lives)), lives)
    spread = np.sqrt(np.cov(x, rowvar=False, aweights=lives.count).reshape(x.shape[1], -1).diagonal())
    spread = np.where(spread > 0, spread, 1.0)
    partial = _Partial.of(lives, x / spread, ties)
    beta, at = _maximise(partial, names)
    covariance = np.linalg.inv(at[2])
    reach = float(norm.ppf(0.5 + level / 2))
    ratios = []
    for place, (term, what, against) in enumerate(names):
        b, error = float(beta[place] / spread[place]), sqrt(covariance[place, place]) / float(spread[place])
        if abs(b) + reach * error > UNTOLD:
            raise _no_limit(term)
        estimate = Estimate(exp(b), exp(b - reach * error), exp(b + reach * error), level)
        ratios.append(HazardRatio(term, what, against, b, error, estimate))
    return Cox(tuple(ratios), at[0], partial.at(np.zeros_like(beta))[0], ties)


@dataclass(frozen=True, slots=True)
class _Partial:
    """The partial likelihood: ``failed`` failures (m,) at distinct distances, rows by places among these."""

    x: Array
    count: Array
    enters: NDArray[np.intp]
    leaves: NDArray[np.intp]
    exact: NDArray[np.bool_]
    failed: Array
    efron: bool

    @classmethod
    def of(cls, lives: Lives, x: Array, ties: Ties) -> _Partial:
        exact = lives.exact
        if ties == "efron" and (lives.count[exact] % 1).any():
            raise ValueError("Efron's ties need whole counts")
        km, place = np.unique(lives.lower[exact], return_inverse=True)
        leaves = np.searchsorted(km, lives.lower, side="right")
        enters = np.searchsorted(km, lives.entry, side="right")
        enters = np.where(exact, np.minimum(enters, leaves - 1), enters)  # failed on entry: was at risk then
        failed = np.bincount(place, weights=lives.count[exact]).astype(np.float64)
        return cls(x, lives.count, enters, leaves, exact, failed, ties == "efron")

    def _at_risk(self, value: Array) -> Array:
        size = self.failed.size + 1
        change = np.bincount(self.enters, weights=value, minlength=size)
        change = change - np.bincount(self.leaves, weights=value, minlength=size)
        return np.cumsum(change)[:-1].astype(np.float64)

    def _failing(self, value: Array) -> Array:
        at = self.leaves[self.exact] - 1
        return np.bincount(at, weights=value[self.exact], minlength=self.failed.size).astype(np.float64)

    def at(self, beta: Array) -> tuple[float, Array, Array]:
        """Log-likelihood, gradient (p,) and information (p, p)."""
        p = beta.size
        linear = self.x @ beta
        rate = self.count * np.exp(linear - linear.max())
        moments = [rate, *(rate * self.x[:, i] for i in range(p))]
        moments += [rate * self.x[:, i] * self.x[:, j] for i in range(p) for j in range(p)]
        risk, failing = (np.array([each(m) for m in moments]) for each in (self._at_risk, self._failing))
        times = self.failed
        if self.efron:  # each of d tied failures meets the risk left by those before it: r / d of them gone
            d = times.astype(np.int64)
            at = np.repeat(np.arange(d.size), d)
            gone = (np.arange(at.size) - np.repeat(np.cumsum(d) - d, d)) / d[at]
            risk, times = risk[:, at] - gone * failing[:, at], np.ones(at.size)
        weight = self.count * self.exact
        mean = risk[1 : p + 1] / risk[0]
        value = float(weight @ (linear - linear.max()) - times @ np.log(risk[0]))
        information = (risk[p + 1 :] / risk[0] @ times).reshape(p, p) - (mean * times) @ mean.T
        return value, self.x.T @ weight - mean @ times, information


def _maximise(partial: _Partial, names: Sequence[tuple[str, str, str]]) -> tuple[Array, tuple[float, Array, Array]]:
    beta = np.zeros(partial.x.shape[1])
    at = partial.at(beta)
    for _ in range(STEPS):
        if np.linalg.eigvalsh(at[2]).min() <= 1e-9 * max(1.0, float(at[2].diagonal().max())):
            break
        step = np.linalg.solve(at[2], at[1])
        gain = float(step @ at[1])
        if gain < SETTLED:
            return beta, at
        step /= max(1.0, float(np.abs(step).max()) / 2)
        there = partial.at(beta + step)
        while there[0] < at[0]:
            step /= 2
            there = partial.at(beta + step)
        beta, at = beta + step, there
        if np.abs(beta).max() > UNBOUNDED:
            break
    raise _no_limit(names[int(np.abs(beta).argmax())][0])


def _no_limit(term: str) -> FitError:
    return FitError(f"the hazard ratio of {term!r} has no limit: what failed does not overlap", "More failures would")


def _columns(design: Design, lives: Lives) -> tuple[list[tuple[str, str, str]], Array]:
    """(term, level, against) of every coefficient, and the columns (n, p)."""
    names, columns = [], []
    for covariate in design.covariates:
        if isinstance(covariate, Factor):
            failed, seen = (
                np.bincount(covariate.codes, weights, minlength=len(covariate.levels))
                for weights in (lives.count * ~lives.right, lives.count)
            )
            against = covariate.reference or covariate.levels[int(np.lexsort((seen, failed))[-1])]
            for code, name in enumerate(covariate.levels):
                if name != against and (covariate.codes == code).any():
                    names.append((covariate.name, name, against))
                    columns.append((covariate.codes == code).astype(np.float64))
        else:
            names.append((covariate.name, covariate.step_name, ""))
            columns.append((covariate.values - covariate.centre) / covariate.step)
    return names, np.column_stack(columns)
