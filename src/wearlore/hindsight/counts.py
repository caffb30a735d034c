"""How many of some pieces fail: each with a chance of its own (Poisson-binomial), life parameters not known for sure.

Given the parameters the pieces fail independently; the chances of a node of the posterior give a distribution of the
count, and these are mixed by the weights of the nodes. Exact by convolution while the variance is at most `EXACT`;
beyond, the normal distribution with its correction for skewness (Volkova 1996, *Theory of Probability and Its
Applications* 40(4)), whose error then is under 1e-4.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import reduce
from math import ceil

import numpy as np
from numba import njit
from scipy.signal import fftconvolve
from scipy.special import ndtr

from wearlore.life import LifeModel
from wearlore.lives import Array

EXACT = 150.0
CHUNK = 1 << 20  # chances held at a time
REACH = 9.0  # standard deviations within which a count lies
STEPS = 4  # in which pieces that may be renewed for another reason go through the span
SAFE = 1e-300
DUST = 1e-16  # of a distribution's mass: cut off at its ends


@dataclass(frozen=True, slots=True)
class Renewed:
    """Rate (per km) at which pieces end for another reason than this failure, by bands of age ``width`` km wide.

    Beyond the last band its rate holds on.
    """

    width: float
    rate: Array

    @classmethod
    def of(cls, width: float, number: Array, distance: Array) -> Renewed:
        """From counts in bands of age; each is drawn to the mean of all as one renewal more would do it."""
        total, run = float(number.sum()), float(distance.sum())
        if total == 0 or run == 0:
            return cls(width, np.zeros(1))
        mean = total / run
        return cls(width, (number + 1) / (distance + 1 / mean))

    @property
    def never(self) -> bool:
        return not self.rate.any()

    def cumulative(self, age: Array) -> Array:
        """Renewals expected up to ``age`` km of a piece that stays in place."""
        edges = self.width * np.arange(self.rate.size + 1)
        total = np.concatenate([[0.0], np.cumsum(self.rate) * self.width])
        beyond = np.maximum(age - edges[-1], 0.0) * self.rate[-1]
        return np.asarray(np.interp(age, edges, total) + beyond)


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of one life model, shape (n,): absent at age ``since``, noted when failed up to age ``until`` (km).

    ``renewed``: at what rate they leave the vehicle before they fail; None where each is certainly still in place.
    """

    model: LifeModel
    since: Array
    until: Array
    renewed: Renewed | None = None

    def __len__(self) -> int:
        return int(self.since.size)


@dataclass(frozen=True, slots=True)
class Counted:
    """``chance`` (n,): of each piece, averaged over the nodes; ``pmf``: of the number that fails, from 0."""

    chance: Array
    pmf: Array


def counted(pieces: Sequence[Pieces]) -> Counted:
    """The number that fails of pieces whose life models share their nodes: one is a scaled copy of the other."""
    weight = pieces[0].model.nodes[2]
    number = sum(len(part) for part in pieces)
    chance, pmf = np.zeros(number), np.zeros(number + 1)
    for rows in _chunks(weight.size, number):
        each = np.concatenate([_chances(part, rows) for part in pieces], axis=1)
        chance += weight[rows] @ each
        told = _mixed(each, weight[rows])
        pmf[: told.size] += told
    return Counted(chance, _trimmed(pmf))


def total(parts: Sequence[Array]) -> Array:
    """The distribution of the sum of independent counts."""
    return reduce(lambda one, other: _trimmed(np.maximum(fftconvolve(one, other), 0.0)), parts, np.ones(1))


def poisson_binomial(chance: Array) -> Array:
    """Distribution of the number of successes in independent trials (n,), exact; shape (n + 1,)."""
    return _mixed(np.asarray(chance, np.float64)[None, :], np.ones(1))


def _chunks(nodes: int, pieces: int) -> Iterator[slice]:
    step = max(1, CHUNK // max(pieces, 1))
    for begin in range(0, nodes, step):
        yield slice(begin, begin + step)


def _chances(pieces: Pieces, rows: slice) -> Array:
    """Chance of each piece to be noted as failed, at each of some nodes, shape (nodes, n).

    In each of `STEPS` steps through the span, those still in place in its middle can be noted.
    """
    mu, sigma, _ = (column[rows, None] for column in pieces.model.nodes)
    steps = 1 if pieces.renewed is None or pieces.renewed.never else STEPS
    ages = pieces.since + np.arange(steps + 1)[:, None] / steps * (pieces.until - pieces.since)
    alive = [pieces.model.dist.sf(age, mu, sigma) for age in ages]
    failed = np.zeros(alive[0].shape)
    for k in range(steps):
        lost = alive[k] - alive[k + 1]
        if steps > 1 and pieces.renewed is not None:
            gone = pieces.renewed.cumulative((ages[k] + ages[k + 1]) / 2) - pieces.renewed.cumulative(pieces.since)
            lost = lost * np.exp(-gone)
        failed += lost
    return np.asarray(np.clip(failed / np.maximum(alive[0], SAFE), 0.0, 1.0))


def _mixed(chance: Array, weight: Array) -> Array:
    """Distributions of the counts at each node, mixed; shape (n + 1,) or shorter where no more can come."""
    variance = (chance * (1 - chance)).sum(axis=1)
    mean = chance.sum(axis=1)
    top = min(chance.shape[1], ceil(float((mean + REACH * np.sqrt(variance)).max())) + 12)
    if variance.max(initial=0.0) <= EXACT:
        return _convolved(np.ascontiguousarray(chance), np.ascontiguousarray(weight), top)
    third = (chance * (1 - chance) * (1 - 2 * chance)).sum(axis=1)
    sd = np.sqrt(np.maximum(variance, 1e-12))[:, None]
    skewness = third[:, None] / sd**3
    x = (np.arange(-1, top + 1) + 0.5 - mean[:, None]) / sd
    with np.errstate(under="ignore"):
        below = ndtr(x) + skewness * (1 - x * x) * np.exp(-0.5 * x * x) / (6 * np.sqrt(2 * np.pi))
    below = np.clip(below, 0.0, 1.0)
    below[:, 0], below[:, -1] = 0.0, 1.0
    return np.asarray(weight @ np.diff(np.maximum.accumulate(below, axis=1), axis=1))


@njit(cache=True)
def _convolved(chance: Array, weight: Array, top: int) -> Array:
    mixed = np.zeros(top + 1)
    for node in range(chance.shape[0]):
        row = np.zeros(top + 1)
        row[0] = 1.0
        last = 0
        for i in range(chance.shape[1]):
            p = chance[node, i]
            last = min(last + 1, top)
            for k in range(last, 0, -1):
                row[k] = row[k] * (1.0 - p) + row[k - 1] * p
            row[0] *= 1.0 - p
        mixed += weight[node] * row
    return mixed


def _trimmed(pmf: Array) -> Array:
    """Without the empty upper end; adds up to 1."""
    kept = int(np.flatnonzero(pmf > DUST * pmf.sum())[-1]) + 1
    return np.asarray(pmf[:kept] / pmf[:kept].sum())
