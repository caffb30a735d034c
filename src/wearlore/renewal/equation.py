"""What a unit costs from here on, left as it is or renewed: the renewal equation, discretised.

A unit fails by any of the modes that one remedy renews together (competing risks), pays what that failure costs, is
renewed and starts again. With W(t) the expected discounted cost of a new one over the distance t,

    W(t) = sum over modes of  integral from 0 to t of  exp(-r s) (c + W(t - s)) dF(s)

(Cox 1962, *Renewal Theory*, ch. 4; discounted as in Barlow & Proschan 1965, ch. 3), and the cost of one of age a is the
same integral once, over the first failure given survival to a. Distances in km; d draws of the parameters stand for
what is not known of them; n steps; m modes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import erfc, exp, log, log1p, pi, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array


@dataclass(frozen=True, slots=True)
class Process:
    """Modes that one remedy renews together.

    ``mu``, ``sigma`` (d, m): location and scale of ln km. ``lognormal`` (m,): else Weibull (exponential: sigma 1).
    ``cost`` (m,): what a failure costs. ``rate`` (m,) multiplies the hazard from here on; ``speed`` (m,) the ageing.
    """

    mu: Array
    sigma: Array
    lognormal: NDArray[np.bool_]
    cost: Array
    rate: Array
    speed: Array


@dataclass(frozen=True, slots=True)
class Span:
    """The distance looked ahead, km, in ``steps`` equal steps; ``discount`` is the continuous rate per km."""

    km: float
    discount: float
    steps: int

    @property
    def step(self) -> float:
        return self.km / self.steps

    def shortened(self, steps: int) -> Span:
        """The same steps, fewer of them."""
        return Span(self.step * steps, self.discount, steps)


@dataclass(frozen=True, slots=True)
class Left:
    """Leaving a unit of each of k ages: discounted ``cost`` and the ``chance`` that it needs its remedy; (d, k)."""

    cost: Array
    chance: Array


@njit(cache=True)
def cumulative_hazard(km: float, mu: float, sigma: float, lognormal: bool) -> float:
    """-ln S(km); finite for every km."""
    return _hazard_at((log(km) - mu) / sigma, lognormal) if km > 0 else 0.0


@njit(cache=True)
def _hazard_at(z: float, lognormal: bool) -> float:
    """-ln S where ln km is ``z`` scales above the location."""
    if not lognormal:
        return exp(min(z, 60.0))
    if z < 0:
        return -log1p(-0.5 * erfc(-z / sqrt(2.0)))
    if z < 30:
        return -log(0.5 * erfc(z / sqrt(2.0)))
    return 0.5 * z * z + log(z) + 0.5 * log(2 * pi) - log1p(-1 / (z * z))


@njit(cache=True)
def survival(km, mu, sigma, lognormal):  # type: ignore[no-untyped-def]
    """S(km) under each of the parameters ``mu``, ``sigma`` (n,)."""
    alive = np.empty(mu.size)
    for i in range(mu.size):
        alive[i] = exp(-cumulative_hazard(km, mu[i], sigma[i], lognormal))
    return alive


@njit(cache=True)
def first_failure(mu, sigma, lognormal, cost, rate, speed, age, seen, step, steps):  # type: ignore[no-untyped-def]
    """Chance of the first failure in each step, and the cost it brings: p, q of shape (steps + 1,).

    Arguments of shape (m,) are one draw of a Process; ``age`` of each mode now, ``seen``: the age at which it was last
    known to be absent. Step 0 is a failure that is there already, unseen, in (seen, age].
    """
    p, q = np.zeros(steps + 1), np.zeros(steps + 1)
    modes = mu.size
    before = np.empty(modes)
    for m in range(modes):
        before[m] = cumulative_hazard(min(seen[m], age[m]), mu[m], sigma[m], lognormal[m])
    survival = 1.0
    for i in range(steps + 1):
        grown, charge = 0.0, 0.0
        for m in range(modes):
            now = cumulative_hazard(age[m] + speed[m] * step * i, mu[m], sigma[m], lognormal[m])
            growth = (now - before[m]) * (rate[m] if i else 1.0)
            before[m] = now
            grown += growth
            charge += growth * cost[m]
        if grown > 0:
            p[i] = survival * (1.0 - exp(-grown))
            q[i] = p[i] * charge / grown
            survival -= p[i]
    return p, q


@njit(cache=True)
def renewed(p, q, factor):  # type: ignore[no-untyped-def]
    """W over 0, 1, … n steps, shape (n + 1,): the renewal equation by the trapezium rule in dF.

    ``p``, ``q`` (n + 1,): chance of failure and its cost in each step of a new unit (step 0: none); ``factor``
    discounts one step, failures counting from the middle of theirs. With q = p and no discount this is
    the renewal function.
    """
    steps = p.size - 1
    half = sqrt(factor)
    weight = p * half * factor ** (np.arange(p.size) - 1.0)
    charged = np.cumsum(q * half * factor ** (np.arange(p.size) - 1.0))
    worth = np.zeros(steps + 1)
    for n in range(1, steps + 1):
        total = charged[n] - charged[0] + 0.5 * weight[1] * worth[n - 1]
        for i in range(2, n + 1):
            total += weight[i] * 0.5 * (worth[n - i] + worth[n - i + 1])
        worth[n] = total / (1.0 - 0.5 * weight[1])
    return worth


@njit(cache=True)
def _first_failures(mu, sigma, lognormal, cost, rate, speed, age, seen, step, steps):  # type: ignore[no-untyped-def]
    """`first_failure` under every draw, (steps + 1, d): neighbours in memory are reckoned in one go."""
    draws, modes = mu.shape
    p, q = np.zeros((steps + 1, draws)), np.zeros((steps + 1, draws))
    before, survival = np.empty((modes, draws)), np.ones(draws)
    grown, charge = np.empty(draws), np.empty(draws)
    for m in range(modes):
        for d in range(draws):
            before[m, d] = cumulative_hazard(min(seen[m], age[m]), mu[d, m], sigma[d, m], lognormal[m])
    for i in range(steps + 1):
        grown[:] = 0.0
        charge[:] = 0.0
        for m in range(modes):
            km, factor = age[m] + speed[m] * step * i, rate[m] if i else 1.0
            ln_km = log(km) if km > 0 else -np.inf
            for d in range(draws):
                now = _hazard_at((ln_km - mu[d, m]) / sigma[d, m], lognormal[m])
                growth = (now - before[m, d]) * factor
                before[m, d] = now
                grown[d] += growth
                charge[d] += growth * cost[m]
        for d in range(draws):
            if grown[d] > 0:
                p[i, d] = survival[d] * (1.0 - exp(-grown[d]))
                q[i, d] = p[i, d] * charge[d] / grown[d]
                survival[d] -= p[i, d]
    return p, q


@njit(cache=True, nogil=True)
def _new(mu, sigma, lognormal, cost, rate, speed, start, step, steps, factor):  # type: ignore[no-untyped-def]
    """`renewed` under every draw, (d, steps + 1), in the same order of sums."""
    p, q = _first_failures(mu, sigma, lognormal, cost, rate, speed, start, start, step, steps)
    draws = mu.shape[0]
    half, discount = sqrt(factor), factor ** (np.arange(steps + 1) - 1.0)
    worth, between = np.zeros((steps + 1, draws)), np.zeros((steps + 1, draws))
    total, charged = np.empty(draws), np.zeros(draws)
    for i in range(steps + 1):
        p[i] *= half * discount[i]
    for n in range(1, steps + 1):
        for d in range(draws):
            charged[d] += q[n, d] * half * discount[n]
            total[d] = charged[d] + 0.5 * p[1, d] * worth[n - 1, d]
        for i in range(2, n + 1):
            weight, beyond = p[i], between[n - i]
            for d in range(draws):
                total[d] += weight[d] * beyond[d]
        for d in range(draws):
            worth[n, d] = total[d] / (1.0 - 0.5 * p[1, d])
            between[n - 1, d] = 0.5 * (worth[n - 1, d] + worth[n, d])
    return np.ascontiguousarray(worth.T)


@njit(cache=True, nogil=True)
def _left(mu, sigma, lognormal, cost, rate, speed, age, seen, worth, step, steps, factor):  # type: ignore[no-untyped-def]
    draws, cases = mu.shape[0], age.shape[0]
    total, chance = np.empty((draws, cases)), np.empty((draws, cases))
    half, ahead = sqrt(factor), np.ascontiguousarray(worth.T)
    for k in range(cases):
        p, q = _first_failures(mu, sigma, lognormal, cost, rate, speed, age[k], seen[k], step, steps)
        value, failed, discount = q[0] + p[0] * ahead[steps], p[0].copy(), half
        for i in range(1, steps + 1):
            for d in range(draws):
                value[d] += discount * (q[i, d] + p[i, d] * 0.5 * (ahead[steps - i, d] + ahead[steps - i + 1, d]))
                failed[d] += p[i, d]
            discount *= factor
        for d in range(draws):
            total[d, k], chance[d, k] = value[d], min(failed[d], 1.0)  # a sum of steps can end a bit above
    return total, chance


def worth_new(process: Process, start: Array, span: Span) -> Array:
    """W over every distance up to ``span``: shape (d, steps + 1).

    ``start`` (m,) is the age at which each renewal starts its modes: 0, or the virtual age that a clean leaves.
    """
    p = process
    factor = exp(-span.discount * span.step)
    worth: Array = _new(p.mu, p.sigma, p.lognormal, p.cost, p.rate, p.speed, start, span.step, span.steps, factor)
    return worth


def worth_left(process: Process, age: Array, seen: Array, renewed_worth: Array, span: Span) -> Left:
    """The cost of leaving a unit whose modes have ``age`` and were last ``seen`` absent, for k cases: both (k, m), km.

    ``renewed_worth`` (d, steps + 1) is `worth_new` of what takes its place when it fails.
    """
    p = process
    factor = exp(-span.discount * span.step)
    age, seen, renewed_worth = (np.ascontiguousarray(a) for a in (age, seen, renewed_worth))  # one compiled variant
    return Left(
        *_left(
            p.mu, p.sigma, p.lognormal, p.cost, p.rate, p.speed, age, seen, renewed_worth, span.step, span.steps, factor
        )
    )


def there_now(cost: Array, chance: Array) -> tuple[float, float]:
    """Expected cost of the dearest mode that is there already, and the chance that none is.

    ``chance`` (m,) that each is there, independent of each other; ``cost`` (m,). One cure renews them all and is paid
    once, so only the dearest counts: exact over all 2^m ways in which they may be there.
    """
    order = np.argsort(-cost, kind="stable")
    none_dearer = np.concatenate([[1.0], np.cumprod(1 - chance[order])])
    return float((cost * chance)[order] @ none_dearer[:-1]), float(none_dearer[-1])


def renewal_function(cdf: Callable[[Array], Array], t: float, steps: int = 1024) -> float:
    """Expected number of renewals M(t) of a unit whose life has ``cdf``; the step is halved once and extrapolated."""
    coarse, fine = (float(_renewals(cdf(np.linspace(0, t, n + 1)))[-1]) for n in (steps, 2 * steps))
    return fine + (fine - coarse) / 3


def _renewals(cdf: Array) -> Array:
    p = np.diff(cdf, prepend=cdf[:1])
    counted: Array = renewed(p, p, 1.0)
    return counted


@njit(cache=True)
def _ages(mu, sigma, lognormal, rate, speed, edges, step):  # type: ignore[no-untyped-def]
    modes, steps = mu.shape[1], edges.size - 1
    zero, nothing = np.zeros(modes), np.zeros(modes)
    weight = np.zeros((mu.shape[0], steps + 1))
    for d in range(mu.shape[0]):
        p, _ = first_failure(mu[d], sigma[d], lognormal, nothing, rate, speed, zero, zero, step, steps)
        count = renewed(p, p, 1.0)
        for i in range(steps + 1):  # last renewed in the step that ends at edges[i]; i = 0: never
            age = edges[steps] - (edges[i] - 0.5 * step if i else 0.0)
            total = 0.0
            for m in range(modes):
                total += cumulative_hazard(age, mu[d, m], sigma[d, m], lognormal[m])
            weight[d, i] = (count[i] - count[i - 1] if i else 1.0) * exp(-total)
    return weight


@dataclass(frozen=True, slots=True)
class UnknownAge:
    """An age that nobody recorded: ``age`` (k,) km with ``weight`` (d, k) adding up to 1.

    ``likelihood`` (d,): the chance of what is known, that the unit has been in place for at least so long.
    """

    age: Array
    weight: Array
    likelihood: Array


def unknown_age(process: Process, odometer: float, at_least: float, steps: int = 24) -> UnknownAge:
    """The age of a unit that was always renewed on failure, now at ``odometer`` km and in place for ``at_least``.

    Density u(X - a) S(a) below X and a mass S(X) at a = X (Cox 1962, ch. 5: backward recurrence time), all given
    a >= at_least.
    """
    edges = np.linspace(0.0, max(odometer, 1.0), steps + 1)
    step = edges[1]
    unit = np.ones_like(process.rate)
    weight = _ages(process.mu, process.sigma, process.lognormal, unit, unit, edges, step)
    oldest = edges[-1] - np.maximum(edges - step, 0.0)
    youngest = np.maximum(np.where(edges > 0, edges[-1] - edges, edges[-1]), min(at_least, edges[-1]))
    share = np.where(edges > 0, np.clip((oldest - youngest) / step, 0.0, 1.0), 1.0)  # of each step old enough
    weight, age = (weight * share)[:, share > 0], 0.5 * (oldest + youngest)[share > 0]
    likelihood = weight.sum(axis=1)
    certain = np.where(likelihood[:, None] > 0, weight, np.equal(age, age.max()))
    return UnknownAge(age, certain / certain.sum(axis=1, keepdims=True), likelihood)


@dataclass(frozen=True, slots=True)
class Draws:
    """Where a systematic resampling starts, in [0, 1), and the order (d,) in which it is dealt out.

    The same for every unit that has the mode, so that equal units get equal answers. The first half of the order is
    every second of the resampled, the first quarter every fourth, and so on: the first few stand for all.
    """

    start: float
    order: NDArray[np.int64]

    @classmethod
    def of(cls, count: int, *, rng: np.random.Generator) -> Draws:
        return cls(float(rng.random()), _dealt(np.arange(count), rng))


def _dealt(numbers: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Every second one, then the others, which of them first at random; each in turn dealt so (Owen 1995)."""
    if numbers.size < 2:
        return numbers
    first = int(rng.integers(2))
    return np.concatenate([_dealt(numbers[first::2], rng), _dealt(numbers[1 - first :: 2], rng)])


def draw_nodes(weight: Array, draws: Draws) -> NDArray[np.int64]:
    """Node numbers (d,) in proportion to ``weight`` by systematic resampling (Kitagawa 1996, JCGS 5)."""
    count = draws.order.size
    edges = np.cumsum(weight) / weight.sum()
    chosen = np.searchsorted(edges, (np.arange(count) + draws.start) / count, side="right")
    return np.minimum(chosen, weight.size - 1)[draws.order]
