"""The power-law process of repairs that come again, on one vehicle or many: fit, corrected fit, goodness of fit."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log, sqrt
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, ndtri

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.recurrent.mean import Histories
from wearlore.lives import Array

Truncation = Literal["time", "failure"]
LEAST = 14.0  # -ln beta: a smaller beta is none
DRAWN = 1000  # repairs in a simulated null: with more, the Cramér–von Mises statistic is spread alike


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Power-law process: mean repairs by t km are (t / eta) ^ beta, independent of what was repaired before.

    ``beta`` above 1: more and more often. ``covariance`` is that of (ln beta, ln eta). ``dispersion``: by how much the
    units' counts spread more (above 1) or less than the process says (None of one unit); far above 1 the units differ
    and every interval here is too narrow.
    """

    beta: Estimate
    eta: Estimate
    covariance: tuple[tuple[float, float], tuple[float, float]]
    log_likelihood: float
    events: float
    systems: int
    dispersion: float | None
    end: float  # km, the farthest that was seen
    level: float

    def expected(self, start: float, end: float) -> Estimate:
        """Mean repairs of one unit from ``start`` to ``end`` km (what one unit meets varies about it)."""
        if not 0 <= start < end:
            raise ValueError("expected 0 <= start < end")
        beta, log_eta = self.beta.value, log(self.eta.value)
        upper, lower = exp(beta * (log(end) - log_eta)), exp(beta * (log(start) - log_eta)) if start else 0.0
        turned = upper * (log(end) - log_eta) - (lower * (log(start) - log_eta) if start else 0.0)
        return self._on_log_scale(upper - lower, beta * turned / (upper - lower), -beta)

    def intensity(self, km: float) -> Estimate:
        """Repairs per km at ``km``."""
        if not km > 0:
            raise ValueError("expected a distance above 0")
        beta, age = self.beta.value, log(km / self.eta.value)
        return self._on_log_scale(beta / km * exp(beta * age), 1 + beta * age, -beta)

    def mean_distance(self, km: float) -> Estimate:
        """Distance (km) between repairs at the pace of ``km``: 1 / intensity."""
        pace = self.intensity(km)
        return Estimate(1 / pace.value, 1 / pace.high, 1 / pace.low if pace.low else inf, pace.level)

    def _on_log_scale(self, value: float, by_ln_beta: float, by_ln_eta: float) -> Estimate:
        gradient = np.array([by_ln_beta, by_ln_eta])
        reach = _z(self.level) * sqrt(float(gradient @ np.array(self.covariance) @ gradient))
        return Estimate(value, value * exp(-reach), value * exp(reach), self.level)


def power_law(histories: Histories, *, level: float = 0.95) -> PowerLaw:
    """Maximum likelihood of the power-law process (Crow/AMSAA) over units with windows of their own (start, end].

    Rigdon & Basu (2000), *Statistical Methods for the Reliability of Repairable Systems*: sum of
    ln(beta/eta (t/eta)^(beta-1)) over repairs less the sum of (end/eta)^beta - (start/eta)^beta. The same whether a
    window ends at a time or with a repair. The interval of beta is by profile likelihood; that of eta and of everything
    computed from both by the delta method on the log scale. All take units as alike: see ``dispersion``.

    Raises FitError without a repair, and where no beta is likeliest.
    """
    events = histories.events
    if not events:
        raise FitError("there is no repair", "The mean cumulative function bounds how many there may be")
    end = float(histories.end.max())
    profile = _Profile.of(histories, end)
    best = profile.best()
    beta = exp(best)
    g, g1, g2 = profile.windows(beta)
    log_eta = log(end) + (log(g) - log(events)) / beta
    a = _information(beta, events, g, g1, g2, log_eta - log(end), profile.logs)
    covariance = np.linalg.inv(a).tolist()
    reach = _z(level) * sqrt(covariance[1][1])
    low, high = profile.interval(best, level)
    mean = events / g * ((histories.end / end) ** beta - (histories.start / end) ** beta)
    own = np.bincount(histories.unit, weights=histories.count, minlength=len(histories))
    return PowerLaw(
        beta=Estimate(beta, low, high, level),
        eta=Estimate(exp(log_eta), exp(log_eta - reach), exp(log_eta + reach), level),
        covariance=((covariance[0][0], covariance[0][1]), (covariance[1][0], covariance[1][1])),
        log_likelihood=events * (best - beta * log_eta - 1)
        + (beta - 1) * float(histories.count @ np.log(histories.km)),
        events=events,
        systems=len(histories),
        dispersion=float(((own - mean) ** 2).sum()) / events if len(histories) > 1 else None,
        end=end,
        level=level,
    )


def _information(beta: float, events: float, g: float, g1: float, g2: float, log_eta: float, logs: float) -> Array:
    """Observed information in (ln beta, ln eta), distances in units of the farthest end."""
    scale = events / g  # = eta ^ -beta
    by_eta = events * beta**2
    first = beta * scale * (g1 - log_eta * g)
    second = beta**2 * scale * (g2 - 2 * log_eta * g1 + log_eta**2 * g)
    cross = -beta * first
    return np.array([[first + second - beta * (logs - events * log_eta), cross], [cross, by_eta]])


@dataclass(frozen=True, slots=True)
class _Profile:
    """The likelihood of beta with eta at its best; distances as logs of the share of the farthest end, all <= 0."""

    start: Array  # of the units that begin late
    end: Array
    events: float
    logs: float  # sum of the logs of the repairs' distances

    @classmethod
    def of(cls, histories: Histories, end: float) -> _Profile:
        late = histories.start > 0
        logs = float(histories.count @ np.log(histories.km / end))
        return cls(np.log(histories.start[late] / end), np.log(histories.end / end), histories.events, logs)

    def windows(self, beta: float) -> tuple[float, float, float]:
        """Sum of end^beta - start^beta and its first two derivatives."""
        ends, starts = np.exp(beta * self.end), np.exp(beta * self.start)
        return (
            float(ends.sum() - starts.sum()),
            float(ends @ self.end - starts @ self.start),
            float(ends @ self.end**2 - starts @ self.start**2),
        )

    def slope(self, log_beta: float) -> float:
        """Derivative in ln beta."""
        beta = exp(log_beta)
        g, g1, _ = self.windows(beta)
        return self.events - self.events * beta * g1 / g + beta * self.logs

    def value(self, log_beta: float) -> float:
        beta = exp(log_beta)
        return self.events * (log_beta - log(self.windows(beta)[0])) + beta * self.logs

    def best(self) -> float:
        """ln beta."""
        if self.logs >= 0:
            raise FitError("all repairs stand at the farthest distance seen", "See the vehicles again later")
        low, high = -1.0, 1.0
        while self.slope(high) > 0:
            high += 1
        while self.slope(low) < 0:
            low -= 1
            if low < -LEAST:
                raise FitError(
                    "repairs become rarer faster than any power of the distance",
                    "The mean cumulative function needs no such form; histories from new would help",
                )
        return float(brentq(self.slope, low, high, xtol=1e-13, rtol=1e-14))

    def interval(self, best: float, level: float) -> tuple[float, float]:
        """Profile-likelihood interval of beta; its lower end is 0 where nothing bounds it."""
        drop = self.value(best) - 0.5 * float(chdtri(1, 1 - level))

        def over(log_beta: float) -> float:
            return self.value(log_beta) - drop

        low, high = best - 0.5, best + 0.5
        while over(high) > 0:
            high += 0.5
        while low > -LEAST and over(low) > 0:
            low -= 0.5
        lower = exp(float(brentq(over, low, best))) if low > -LEAST else 0.0
        return lower, exp(float(brentq(over, best, high)))


def _z(level: float) -> float:
    return -float(ndtri((1 - level) / 2))


def placed_freely(histories: Histories, truncation: Truncation) -> Histories:
    """The repairs that may lie anywhere in their windows: all, or, where each window ends with a repair, all others."""
    if truncation == "time":
        return histories
    at_end = np.flatnonzero(histories.km == histories.end[histories.unit])
    ended, first = np.unique(histories.unit[at_end], return_index=True)
    if ended.size < len(histories):
        raise ValueError("expected that every window ends with a repair, as truncation 'failure' says")
    count = histories.count.copy()
    count[at_end[first]] -= 1
    kept = count > 0
    return Histories(histories.start, histories.end, histories.unit[kept], histories.km[kept], count[kept])


def unbiased_beta(histories: Histories, *, truncation: Truncation = "time") -> float:
    """beta of the power law without the bias of maximum likelihood: (M - 1) / sum of ln(end/km).

    Given how many repairs each unit had, over units seen from 0 (others are left out); M are the repairs, without those
    that end a window (Crow 1974; MIL-HDBK-189 1981, appendix C). Raises FitError with M < 2.
    """
    return _unbiased(placed_freely(_from_new(histories), truncation))


def _from_new(histories: Histories) -> Histories:
    return histories.where(histories.start == 0)


def _unbiased(tested: Histories) -> float:
    logs = float(tested.count @ np.log(tested.end[tested.unit] / tested.km))
    if tested.events < 2 or not logs > 0:
        raise FitError(
            "there are less than two repairs on vehicles seen from new", "Look at the mean cumulative function"
        )
    return (tested.events - 1) / logs


@dataclass(frozen=True, slots=True)
class Growth:
    """Power law of one history from new by the corrected beta: mean repairs by t are scale * t ^ beta.

    ``mean_distance``: between repairs at the end (km).
    """

    beta: float
    scale: float
    mean_distance: Estimate


def growth(histories: Histories, *, level: float = 0.95) -> Growth:
    """The corrected power law of one unit seen from 0 up to a time (NIST/SEMATECH e-Handbook, section 8.4.5.2).

    Limits of the mean distance between repairs by Crow (1982), good to the width of his tables. Raises FitError with
    less than two repairs, ValueError with several histories or a late start.
    """
    if len(histories) != 1 or histories.start[0] > 0:
        raise ValueError("expected one history from 0 km")
    beta, events, end = unbiased_beta(histories), histories.events, float(histories.end[0])
    value, z = end / (events * beta), _z(level)
    factor = events * (events - 1)
    low = factor / (events + z**2 / 4 + sqrt(events * z**2 / 2 + z**4 / 16)) ** 2
    left = events - z * sqrt(events / 2)
    high = factor / left**2 if left > 0 else inf
    return Growth(beta, events / end**beta, Estimate(value, value * low, value * high, level))


@dataclass(frozen=True, slots=True)
class GoodnessOfFit:
    """Cramér–von Mises distance of the repairs from a power law; a small ``p_value`` says that it does not fit."""

    statistic: float
    p_value: float
    beta: float
    repairs: int
    systems: int


def goodness_of_fit(
    histories: Histories, *, rng: np.random.Generator, truncation: Truncation = "time", draws: int = 2000
) -> GoodnessOfFit:
    """Does a power law fit? Units seen from 0 (others are left out), each with its own number of repairs.

    1/(12M) + sum of ((km/end)^beta - (2i - 1)/(2M))^2 over the M repairs in order, beta the unbiased one (MIL-HDBK-189
    1981, appendix C). Its chance under the power law does not hang on beta and is simulated, ``draws`` times. Raises
    FitError with less than three repairs.
    """
    tested = placed_freely(_from_new(histories), truncation)
    beta = _unbiased(tested)
    logs = np.repeat(np.log(tested.end[tested.unit] / tested.km), tested.count.astype(np.int64))
    if logs.size < 3:
        raise FitError("there are less than three repairs on vehicles seen from new", "Nothing can be said of the form")
    statistic = float(_cramer_von_mises(logs[None, :])[0])
    size = min(logs.size, DRAWN)
    drawn = np.concatenate([_cramer_von_mises(rng.exponential(size=(1, size))) for _ in range(draws)])
    more = int(np.count_nonzero(drawn >= statistic))
    return GoodnessOfFit(statistic, (more + 1) / (draws + 1), beta, logs.size, len(tested))


def _cramer_von_mises(logs: Array) -> Array:
    """The statistic of each row of ln(end/km)."""
    size = logs.shape[1]
    beta = (size - 1) / logs.sum(axis=1, keepdims=True)
    shares = np.exp(-beta * np.sort(logs, axis=1)[:, ::-1])
    middles = (2 * np.arange(1, size + 1) - 1) / (2 * size)
    return np.asarray(1 / (12 * size) + ((shares - middles) ** 2).sum(axis=1))
