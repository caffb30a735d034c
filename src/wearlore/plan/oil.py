"""The oil-change interval as one decision: what a change costs against the lives that it shortens or lengthens.

Costs per km of each mode go with the factor on its life that the interval brings, ratio ** ((interval - usual) / step),
where the ratio of lives per step was measured (accelerated failure time). Money of the plan's own strategies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np

from wearlore.errors import PlanError
from wearlore.estimate import NORMAL_95, Estimate
from wearlore.lives import Array
from wearlore.plan.model import Option
from wearlore.plan.strategy import PER, Weighed

FACTORS = 13  # on the life, at which the costs of a mode are computed; between them they are interpolated


@dataclass(frozen=True, slots=True)
class Measured:
    """``ratio`` of lives per ``step`` km of a longer interval, from records whose lives had intervals about
    ``usual``."""

    mode: str
    ratio: Estimate
    step: float
    usual: float


@dataclass(frozen=True, slots=True)
class OilChoice:
    """Money per 100,000 km at each of ``every`` (km), of changes and of the modes that the interval ages, together.

    ``best``: the interval of least mean cost, with its interval. ``measured``: between these the records lie; beyond,
    it is extrapolation. ``change``: money of one. ``saving``: of the best against ``usual``."""

    every: tuple[float, ...]
    cost: tuple[Estimate, ...]
    best: Estimate
    usual: float
    measured: tuple[float, float]
    change: float
    saving: Estimate
    modes: tuple[Measured, ...]

    @property
    def beyond(self) -> bool:
        return not self.measured[0] <= self.best.value <= self.measured[1]


def oil_choice(
    weighed: Sequence[tuple[Weighed, Option, Measured]],
    every: Sequence[float],
    change: float,
    usual: float,
    measured: tuple[float, float],
    *,
    rng: np.random.Generator,
    draws: int = 400,
) -> OilChoice:
    """The interval among ``every`` (km) that costs least; ``change``: money of one; ``usual``: the interval now.

    Raises PlanError for intervals or money that make no sense.
    """
    if not change >= 0:
        raise PlanError(f"an oil change costs {change:g}", "It must be 0 or more.")
    if not all(km > 0 for km in every) or len(every) < 2:
        raise PlanError("there are no intervals to choose from", "Name two distances at least, each above 0.")
    asked = np.array([*every, usual])
    total = np.broadcast_to(change / asked, (draws, asked.size)).copy()
    for one, option, effect in weighed:
        total += _costs(one, option, effect, asked, rng.standard_normal(draws), rng.random(draws))
    money, now = PER * total[:, :-1], PER * total[:, -1]
    best = int(money.mean(axis=0).argmin())
    each = np.array(every)[money.argmin(axis=1)]
    low, high = np.quantile(each, [0.025, 0.975], method="inverted_cdf")
    return OilChoice(
        tuple(float(km) for km in every),
        tuple(_estimate(column) for column in money.T),
        Estimate(float(every[best]), float(low), float(high)),
        usual,
        measured,
        change,
        _estimate(now - money[:, best]),
        tuple(effect for _, _, effect in weighed),
    )


def _costs(one: Weighed, option: Option, effect: Measured, every: Array, normal: Array, uniform: Array) -> Array:
    """Money per km (draws, n): the ratio drawn in the logarithm, the life by its nodes."""
    middle = log(effect.ratio.value)
    sd = log(effect.ratio.high / effect.ratio.low) / (2 * NORMAL_95)
    ln_factor = (middle + sd * normal)[:, None] * (every - effect.usual) / effect.step
    ends = ln_factor.min() - 1e-6, ln_factor.max() + 1e-6
    grid = np.linspace(*ends, FACTORS)
    costs = np.array([_at(one, option, float(np.exp(x))) for x in grid])  # (factors, k)
    node = np.minimum(np.searchsorted(np.cumsum(one.subject.life.weight), uniform), costs.shape[1] - 1)
    return np.array([np.interp(x, grid, costs[:, k]) for x, k in zip(ln_factor, node, strict=True)])


def _at(one: Weighed, option: Option, factor: float) -> Array:
    """Money per km (k,) of the strategy were lives ``factor`` times as long."""
    every = one.every[:1] if option.kind == "run-to-failure" else np.array([option.every])
    sights = tuple(sight for sight in one.subject.sights if sight.inspection == option.inspection)
    life = one.subject.life.scaled(factor)
    other = replace(one, subject=replace(one.subject, life=life, sights=sights), every=every)
    return other.costs(option.kind, option.inspection)[:, 0]


def _estimate(values: Array) -> Estimate:
    low, high = np.quantile(values, [0.025, 0.975])
    return Estimate(float(values.mean()), float(low), float(high))
