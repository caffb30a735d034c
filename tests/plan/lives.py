"""Lives whose plans have closed forms, and the published values."""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import norm

from wearlore.life import WEIBULL
from wearlore.life.likelihood import LogLife
from wearlore.plan import ModelLife

REFERENCE = Path(__file__).parents[1] / "reference"
ONE = np.ones(1)


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def known(scale: float, shape: float, dist: LogLife = WEIBULL) -> ModelLife:
    return ModelLife(dist, np.log([scale]), np.array([1 / shape]), ONE, np.zeros(1))


@dataclass(frozen=True)
class Uniform:
    end: float

    @property
    def weight(self):
        return ONE

    @property
    def longest(self):
        return np.array([self.end])

    def sf(self, km):
        return np.atleast_2d(1 - np.minimum(km, self.end) / self.end)

    def hazard(self, km):
        return np.atleast_2d(1 / (self.end - np.minimum(km, self.end)))


@dataclass(frozen=True)
class Erlang:
    """Two stages of rate 1."""

    @property
    def weight(self):
        return ONE

    @property
    def longest(self):
        return np.array([24.5])

    def sf(self, km):
        return np.atleast_2d((1 + km) * np.exp(-km))

    def hazard(self, km):
        return np.atleast_2d(km / (1 + km))


def weekly(weeks: int) -> float:
    """Expected renewals by the end of a week, renewals counting from the end of theirs; life normal(5, 1)."""
    count = [0.0]
    share = norm(5, 1)
    for end in range(1, weeks + 1):
        failed = [share.cdf(i + 1) - (share.cdf(i) if i else 0.0) for i in range(end)]
        count.append(sum((1 + count[end - i - 1]) * p for i, p in enumerate(failed)))
    return count[weeks]
