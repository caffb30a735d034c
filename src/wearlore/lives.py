"""Lives: the frozen arrays that records become. No tables, no statistics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlore.errors import LivesError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lives:
    """Lives of one failure mode, each a row ``(entry, lower, upper, count)``; shape (n,), distances in km.

    The distance to failure T lies in [lower, upper], and the row is seen only because T > entry.

    - exact failure: ``lower == upper``
    - found failed after last seen good: ``lower < upper < inf``
    - failed when first seen: ``lower == entry == 0``
    - still good, or ended for another reason: ``upper == inf``
    """

    entry: Array
    lower: Array
    upper: Array
    count: Array

    def __post_init__(self) -> None:
        columns = [np.ascontiguousarray(c, dtype=np.float64) for c in (self.entry, self.lower, self.upper, self.count)]
        if len({c.shape for c in columns}) != 1 or columns[0].ndim != 1:
            raise LivesError(0, "four arrays of one length")
        for name, column in zip(("entry", "lower", "upper", "count"), columns, strict=True):
            column.setflags(write=False)
            object.__setattr__(self, name, column)
        entry, lower, upper, count = columns
        # written so that NaN fails too
        if (bad := ~((entry >= 0) & (entry <= lower) & (lower <= upper) & (upper > 0) & np.isfinite(lower))).any():
            raise LivesError(int(bad.argmax()), "0 <= entry <= lower <= upper, lower finite and upper > 0")
        if (bad := ~((count > 0) & np.isfinite(count))).any():
            raise LivesError(int(bad.argmax()), "count > 0")

    @classmethod
    def of(cls, failed: Array | Sequence[float] = (), good: Array | Sequence[float] = ()) -> Lives:
        """Lives known from new: exact failures and lives still good, km."""
        failed_km, good_km = np.asarray(failed, float), np.asarray(good, float)
        lower = np.concatenate([failed_km, good_km])
        upper = np.concatenate([failed_km, np.full(good_km.shape, np.inf)])
        return cls(np.zeros_like(lower), lower, upper, np.ones_like(lower))

    def __len__(self) -> int:
        return int(self.entry.size)

    @property
    def exact(self) -> NDArray[np.bool_]:
        return np.equal(self.lower, self.upper)

    @property
    def right(self) -> NDArray[np.bool_]:
        return np.isinf(self.upper)

    @property
    def between(self) -> NDArray[np.bool_]:
        """Interval- and left-censored rows."""
        return ~self.exact & ~self.right

    @property
    def failures(self) -> float:
        """Failures of any kind, counted."""
        return float(self.count[~self.right].sum())

    @property
    def total(self) -> float:
        """Lives of any kind, counted."""
        return float(self.count.sum())

    @property
    def at_risk(self) -> float:
        """Distance (km) run in sight, counted; a failure between two distances stands at their middle."""
        end = np.where(self.right, self.lower, 0.5 * (self.lower + self.upper))
        return float(self.count @ (end - self.entry))

    def where(self, mask: NDArray[np.bool_]) -> Lives:
        """The rows for which ``mask`` (shape (n,)) holds."""
        return Lives(self.entry[mask], self.lower[mask], self.upper[mask], self.count[mask])


@dataclass(frozen=True, slots=True)
class Exposure:
    """How far each of some lives was driven while another failure mode was present; row k belongs to row k of `Lives`.

    Distances (km, shape (n,)) since the life began: up to its entry, its lower end and its upper end (its lower end
    where it has no upper). ``present`` (bool, shape (n,)): the other mode was present where an exact failure happened;
    False for every other row.
    """

    at_entry: Array
    at_lower: Array
    at_upper: Array
    present: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for name in ("at_entry", "at_lower", "at_upper"):
            object.__setattr__(self, name, np.ascontiguousarray(getattr(self, name), np.float64))
        object.__setattr__(self, "present", np.ascontiguousarray(self.present, np.bool_))
        columns = (self.at_entry, self.at_lower, self.at_upper, self.present)
        if len({c.shape for c in columns}) != 1 or self.present.ndim != 1:
            raise LivesError(0, "four arrays of one length")
        for column in columns:
            column.setflags(write=False)
        at_entry, at_lower, at_upper, _ = columns
        if (bad := ~((at_entry >= 0) & (at_entry <= at_lower) & (at_lower <= at_upper) & np.isfinite(at_upper))).any():
            raise LivesError(int(bad.argmax()), "0 <= exposed at entry <= at lower <= at upper, all finite")

    def __len__(self) -> int:
        return int(self.present.size)

    def where(self, mask: NDArray[np.bool_]) -> Exposure:
        """The rows for which ``mask`` (shape (n,)) holds."""
        return Exposure(self.at_entry[mask], self.at_lower[mask], self.at_upper[mask], self.present[mask])


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the records hold on one mode: counts of lives of every kind, and what was left out and why."""

    exact: int = 0  # failed, distance known
    interval: int = 0  # found failed, last seen good at a known distance
    left: int = 0  # failed when first seen
    good: int = 0  # still good, or ended for another reason
    late_entry: int = 0  # of all these: seen from entry > 0 only
    vehicles: int = 0  # vehicles that contribute a life
    distance_at_risk: float = 0.0  # km, as `Lives.at_risk`
    unknown_start: int = 0  # left out: began before the records
    never_looked: int = 0  # left out: hidden mode, never looked at
    at_entry: int = 0  # left out: failed at the very visit with which the records begin, so seen because it failed
    no_distance: int = 0  # left out: ended without a failure at the distance at which it began
    contradicted: int = 0  # left out: found failed on a revision that cannot have the mode

    @property
    def failures(self) -> int:
        return self.exact + self.interval + self.left

    @property
    def lives(self) -> int:
        return self.failures + self.good
