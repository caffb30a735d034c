"""Run to failure, and renewal at an age or at fixed distances: what happens per km, and the distance that costs least.

Age replacement: Barlow & Proschan (1965) *Mathematical Theory of Reliability*, ch. 4. At an interior optimum T

    h(T) * integral from 0 to T of S  -  F(T)  =  c_p / (c_f - c_p),     and the cost per km is (c_f - c_p) h(T);

where the hazard never rises there is none, and running to failure costs least.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from scipy.optimize import minimize_scalar

from wearlore.lives import Array
from wearlore.plan.lives import Life, between, lasting

SPAN = np.exp(np.linspace(-9.0, 0.0, 150))  # of the longest life, where an optimum is looked for
HALVINGS = 60


@dataclass(frozen=True, slots=True)
class Events:
    """What a strategy brings per km, under each of k sets of parameters, for n distances ``every`` (n,) km.

    ``length`` (k, n): mean km between cures. Per km (k, n): ``renewed`` as planned, ``failed``, ``looks``.
    ``unnoticed`` (k, n): share of the distance during which a hidden failure is there and nobody knows.
    """

    every: Array
    length: Array
    renewed: Array
    failed: Array
    looks: Array
    unnoticed: Array

    def cost(self, planned: float, failure: float, look: float = 0.0) -> Array:
        """Money per km (k, n): of a planned renewal, of a failure with all that it brings, and of a look."""
        return planned * self.renewed + failure * self.failed + look * self.looks


def renewed_at(life: Life, every: Array) -> Events:
    """Renewal at failure or at the age ``every`` (n,), whichever is first; inf: run to failure."""
    length = lasting(life, every)
    good = np.where(np.isinf(every), 0.0, life.sf(np.where(np.isinf(every), 1.0, every)))
    nothing = np.zeros_like(length)
    return Events(every, length, good / length, (1 - good) / length, nothing, nothing)


def best_ages(life: Life, planned: float, failure: float) -> tuple[Array, Array]:
    """The age at which renewing costs least, km, and money per km then, each (k,); inf: never, run to failure."""
    k = life.weight.size
    run_out = renewed_at(life, np.array([inf])).cost(planned, failure)[:, 0]
    if failure <= planned:
        return np.full(k, inf), run_out
    ratio = planned / (failure - planned)
    km = life.longest[:, None] * SPAN
    length = lasting(life, km)
    over = _hazard(life, km) * length - (1 - life.sf(km)) > ratio
    rises = over[:, 1:] & ~over[:, :-1]
    found = rises.any(axis=1)
    row, place = np.arange(k), rises.argmax(axis=1)
    edge, whole = km[row, place][:, None], length[row, place][:, None]
    low, high = edge, km[row, place + 1][:, None]
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        lasts = whole + between(life, edge, middle - edge)
        up = _hazard(life, middle) * lasts - (1 - life.sf(middle)) > ratio
        low, high = np.where(up, low, middle), np.where(up, middle, high)
    cost = (failure - planned) * _hazard(life, high)[:, 0]
    pays = found & (cost < run_out)
    return np.where(pays, high[:, 0], inf), np.where(pays, cost, run_out)


def _hazard(life: Life, km: Array) -> Array:
    """Without bound where a life ends for certain."""
    with np.errstate(divide="ignore"):
        return life.hazard(km)


@dataclass(frozen=True, slots=True)
class Fixed:
    """Renewal ``every`` km whatever the age, at ``cost`` per km."""

    every: float
    cost: float


def fixed_cost(expected: Callable[[float], float], every: float, planned: float, failure: float) -> float:
    """Money per km of renewal at fixed distances, failures in between cured at ``failure`` each.

    ``expected(km)``: failures over that distance from a renewal: the renewal function where each is cured by renewing
    (block replacement, Barlow & Proschan 1965, ch. 3), the cumulative hazard where it is put back as old as before
    (minimal repair, Barlow & Hunter 1960, Operations Research 8).
    """
    return (planned + failure * expected(every)) / every


def best_fixed(expected: Callable[[float], float], planned: float, failure: float, *, among: Sequence[float]) -> Fixed:
    """The best distance between the first and the last of ``among``, which part it finely enough to see the least."""
    costs = [fixed_cost(expected, every, planned, failure) for every in among]
    best = int(np.argmin(costs))
    if best in (0, len(costs) - 1):
        return Fixed(among[best], costs[best])
    found = minimize_scalar(
        lambda every: fixed_cost(expected, every, planned, failure),
        bounds=(among[best - 1], among[best + 1]),
        method="bounded",
        options={"xatol": 1e-9 * among[best]},
    )
    return Fixed(float(found.x), float(found.fun))
