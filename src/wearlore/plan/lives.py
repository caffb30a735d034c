"""What a plan needs to know of a life: survival and hazard from the last cure on, under each of k sets of
parameters."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isinf, log
from typing import Protocol

import numpy as np

from wearlore.life.likelihood import LogLife, log_km
from wearlore.life.model import LifeModel
from wearlore.lives import Array

OUTLIVED = 1e-9  # a life is followed until so few go on
FLAT = 400_000.0  # km: beyond, no record tells, and the hazard stays as it is there
LIGHT = 0.01  # share of the posterior in nodes so light that they are left out
RULE, WEIGHT = np.polynomial.legendre.leggauss(10)
RULE, WEIGHT = (RULE + 1) / 2, WEIGHT / 2  # on 0 to 1


class Life(Protocol):
    """Distance to failure since the last cure. ``weight`` (k,) of the sets of parameters adds up to 1."""

    @property
    def weight(self) -> Array: ...

    @property
    def longest(self) -> Array:
        """Distance (k,) that only `OUTLIVED` of them exceed, km."""
        ...

    def sf(self, km: Array) -> Array:
        """Survival (k, n) at ``km``, of shape (n,) or (k, n)."""
        ...

    def hazard(self, km: Array) -> Array:
        """Failures per km of those still good, (k, n), at ``km`` above 0."""
        ...


@dataclass(frozen=True, slots=True)
class ModelLife:
    """By the nodes of a life model: ``mu`` (ln km), ``sigma`` (k,), and the age ``start`` (k,) that a cure leaves.

    Beyond the age ``flat``, km, the hazard stays as it is there: a long tail of lives that nobody will see would
    else make a failure cost next to nothing in the long run.
    """

    dist: LogLife
    mu: Array
    sigma: Array
    weight: Array
    start: Array
    flat: float = inf

    @classmethod
    def of(cls, model: LifeModel, restores: float | None = None) -> ModelLife:
        """After a renewal, or after a clean that ``restores`` a share of the age reached at the median life."""
        mu, sigma, weight = model.nodes
        order = np.argsort(-weight, kind="stable")
        kept = np.sort(order[: int(np.searchsorted(np.cumsum(weight[order]), 1 - LIGHT)) + 1])
        mu, sigma, weight = mu[kept], sigma[kept], weight[kept]
        left = 0.0 if restores is None else 1 - restores
        start = left * np.exp(mu + sigma * float(model.dist.z(0.5)))
        return cls(model.dist, mu, sigma, weight / weight.sum(), start, FLAT)

    @property
    def longest(self) -> Array:
        ends = np.exp(self.mu + self.sigma * float(self.dist.z(1 - OUTLIVED)))
        if isinf(self.flat):
            return np.asarray(ends)
        rate, alive = self._rate(np.array([self.flat]))[:, 0], self.dist.log_sf(self._z(np.array([self.flat])))[:, 0]
        beyond = self.flat + np.maximum(0.0, alive - log(OUTLIVED)) / rate
        return np.asarray(np.where(ends > self.flat, beyond, ends))

    def scaled(self, factor: float) -> ModelLife:
        """Lives ``factor`` times as long."""
        mu, start, flat = self.mu + log(factor), self.start * factor, self.flat * factor
        return ModelLife(self.dist, mu, self.sigma, self.weight, start, flat)

    def sf(self, km: Array) -> Array:
        return np.asarray(np.exp(self._log_sf(self.start[:, None] + km) - self._log_sf(self.start[:, None])))

    def hazard(self, km: Array) -> Array:
        return self._rate(np.minimum(self.start[:, None] + km, self.flat))

    def _rate(self, age: Array) -> Array:
        return np.asarray(np.exp(self.dist.log_hazard(self._z(age)) - log_km(self.sigma[:, None] * age)))

    def _log_sf(self, age: Array) -> Array:
        alive = self.dist.log_sf(self._z(np.minimum(age, self.flat)))
        if age.max() <= self.flat:
            return alive
        return alive - np.maximum(age - self.flat, 0.0) * self._rate(np.array([self.flat]))

    def _z(self, age: Array) -> Array:
        return np.asarray((log_km(age) - self.mu[:, None]) / self.sigma[:, None])


def lasting(life: Life, km: Array) -> Array:
    """Mean distance (k, n) until failure or ``km`` (n,) or (k, n), whichever is first: the integral of S; inf: for
    ever.

    By Gauss's rule between edges even in ln km.
    """
    longest = life.longest[:, None]
    edges = np.concatenate([np.zeros_like(longest), longest * np.exp(np.linspace(-12.0, 0.0, 61))], axis=1)
    width = np.diff(edges, axis=1)
    whole = np.concatenate([np.zeros_like(longest), np.cumsum(between(life, edges[:, :-1], width), axis=1)], axis=1)
    ends = np.minimum(np.broadcast_to(km, (longest.size, km.shape[-1])), longest)
    place = np.array([np.searchsorted(edge, end, side="right") - 1 for edge, end in zip(edges, ends, strict=True)])
    left = np.take_along_axis(edges, place, axis=1)
    return np.asarray(np.take_along_axis(whole, place, axis=1) + between(life, left, ends - left))


def between(life: Life, left: Array, width: Array) -> Array:
    """The integral of S from ``left`` over ``width``, both (k, n) km."""
    inside = left[:, :, None] + width[:, :, None] * RULE
    return np.asarray((life.sf(inside.reshape(len(left), -1)).reshape(inside.shape) @ WEIGHT) * width)
