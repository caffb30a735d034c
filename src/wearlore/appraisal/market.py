"""What vehicles of the kind sell for: ordinary least squares of ln price on age and odometer.

Each year takes one share of the price off, each distance another (a hedonic price in logarithms, as is usual for used
cars). What is stated is the median: as many are dearer as are cheaper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import t as student

from wearlore.errors import AppraisalError
from wearlore.estimate import Estimate
from wearlore.lives import Array

LEAST = 5  # prices from which the three coefficients and the scatter are estimated
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Sale:
    """One vehicle sold or offered: ``price`` in money, ``age`` in years, ``km`` on the odometer."""

    price: float
    age: float
    km: float


@dataclass(frozen=True, slots=True)
class PriceModel:
    """ln price = ``level`` + ``per_year`` · age + ``per_km`` · odometer, each with its 95 % interval.

    ``errors`` (3,): standard errors of the three; ``scatter``: standard deviation of ln price about the line, n - 3
    degrees of freedom; ``r_squared``; ``ages``, ``distances``: the least and greatest seen (years, km).
    """

    level: Estimate
    per_year: Estimate
    per_km: Estimate
    errors: tuple[float, float, float]
    scatter: float
    r_squared: float
    sales: int
    ages: tuple[float, float]
    distances: tuple[float, float]
    _coefficients: Array = field(repr=False)
    _unscaled: Array = field(repr=False)  # (X'X)^-1

    def typical(self, age: float, km: float) -> Estimate:
        """The median price at ``age`` and ``km``, with the interval of that median."""
        return self._price(age, km, 0.0)

    def single(self, age: float, km: float) -> Estimate:
        """The same price with the interval in which one vehicle's lies (prediction interval)."""
        return self._price(age, km, 1.0)

    def beyond(self, age: float, km: float) -> bool:
        """Whether no vehicle so old or so far driven is among the sales, or none so young or so little driven."""
        return not (self.ages[0] <= age <= self.ages[1] and self.distances[0] <= km <= self.distances[1])

    def _price(self, age: float, km: float, own: float) -> Estimate:
        at = np.array([1.0, age, km])
        middle = float(at @ self._coefficients)
        half = _quantile(self.sales) * self.scatter * float(np.sqrt(own + at @ self._unscaled @ at))
        value, low, high = (float(np.exp(x)) for x in (middle, middle - half, middle + half))
        return Estimate(value, low, high, LEVEL)


def price_model(sales: Sequence[Sale]) -> PriceModel:
    """Fit the prices. Raises AppraisalError for too few, or for ages and odometers that cannot be told apart."""
    if len(sales) < LEAST:
        raise AppraisalError(f"there are {len(sales)} prices of the market", f"Give at least {LEAST}.")
    x = np.array([(1.0, sale.age, sale.km) for sale in sales])
    y = np.log([sale.price for sale in sales])
    scale = np.maximum(np.abs(x).max(axis=0), 1e-300)
    if np.linalg.matrix_rank(x / scale) < x.shape[1]:
        raise AppraisalError(
            "age and odometer of the prices of the market rise together or not at all",
            "Give prices of vehicles that differ in both.",
        )
    inverse = np.linalg.inv((x / scale).T @ (x / scale)) / np.outer(scale, scale)
    coefficients = inverse @ x.T @ y
    residuals = y - x @ coefficients
    free = len(sales) - x.shape[1]
    scatter = float(np.sqrt(residuals @ residuals / free))
    errors = scatter * np.sqrt(np.diag(inverse))
    spread = float(((y - y.mean()) ** 2).sum())
    level, per_year, per_km = (
        Estimate(float(b), float(b - half), float(b + half), LEVEL)
        for b, half in zip(coefficients, _quantile(len(sales)) * errors, strict=True)
    )
    return PriceModel(
        level, per_year, per_km, (float(errors[0]), float(errors[1]), float(errors[2])), scatter,
        1 - float(residuals @ residuals) / spread if spread > 0 else 1.0, len(sales),
        (float(x[:, 1].min()), float(x[:, 1].max())), (float(x[:, 2].min()), float(x[:, 2].max())),
        coefficients, inverse,
    )  # fmt: skip


def _quantile(sales: int) -> float:
    return float(student.ppf((1 + LEVEL) / 2, sales - 3))
