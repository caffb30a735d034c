"""The values of a reading in words, and round distances to tell them at."""

from __future__ import annotations

from math import floor, log10

import numpy as np
from numpy.typing import NDArray

from wearlore.answers import DriftingReading
from wearlore.estimate import Estimate
from wearlore.lives import Array
from wearlore.units import Units, show_share

Bools = NDArray[np.bool_]
SURE, HARDLY = 0.95, 0.05  # chances of being beyond the limit that are told plainly
CERTAIN = 0.999  # from here on there is nothing more to tell
ROWS = 8  # of a table at round distances, about
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)  # times powers of ten


class Told:
    """Values of one reading in words: as many decimals as its noise leaves sense in."""

    def __init__(self, result: DriftingReading, units: Units) -> None:
        self.units = units
        self.unit = f" {result.unit}" if result.unit else ""
        self.reading = result.reading.replace("-", " ")
        self.decimals = min(max(-floor(log10(result.drift.noise.value)), 0), 6)
        self._limit, self._worse = result.limit, result.worse

    def value(self, value: float, finer: int = 0) -> str:
        """``3.1 deg``"""
        return self.number(value, finer) + self.unit

    def number(self, value: float, finer: int = 0) -> str:
        text = f"{value:,.{self.decimals + finer}f}"
        return text.removeprefix("-") if not any(digit in text for digit in "123456789") else text

    def estimate(self, estimate: Estimate, finer: int = 0) -> str:
        """``3.1 deg (2.9 to 3.3)``"""
        return f"{self.value(estimate.value, finer)} {self.span(estimate.low, estimate.high, finer)}"

    def span(self, low: float, high: float, finer: int = 0) -> str:
        return f"({self.number(low, finer)} to {self.number(high, finer)})"

    def beyond(self, values: Array) -> Bools:
        """At or beyond the limit, on the side on which things are bad."""
        if self._limit is None:
            return np.zeros_like(values, dtype=np.bool_)
        return values >= self._limit if self._worse == "higher" else values <= self._limit

    @property
    def limit(self) -> str:
        """As the book states it, never with fewer digits."""
        if self._limit is None:
            raise ValueError("there is no limit to tell")
        stated = f"{self._limit:g}"
        fine = len(stated.partition(".")[2]) > self.decimals
        return f"{stated}{self.unit}" if fine else self.value(self._limit)


def round_distances(end: float, units: Units) -> list[float]:
    """0 and round distances (km) in the reader's units up to ``end`` (km)."""
    reach = units.from_km(end)
    if reach <= 0:
        return [0.0]
    power = 10.0 ** floor(log10(reach / ROWS))
    step = next(power * one for one in STEPS if power * one >= reach / ROWS)
    return [units.to_km(step * k) for k in range(int(reach / step) + 1)]


def value_at(km: Array, column: Array, at: float) -> float:
    """The column between its ages, on a straight line."""
    return float(np.interp(at, km, column))


def chance_shown(chance: float) -> str:
    """A computed chance is never told as certain."""
    return "under 0.1 %" if chance < 0.001 else "over 99.9 %" if chance > CERTAIN else show_share(chance)
