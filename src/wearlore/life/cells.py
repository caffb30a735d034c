"""Cells: where the likeliest survival curve can fall, and what the lives know of each.

They are innermost intervals between a lower end of a life and an upper end or an entry (Turnbull 1976; Frydman 1994;
Alioum & Commenges 1996).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlore.lives import Array, Lives

Index = NDArray[np.intp]

NOTHING = 1e-9  # of all lives: a count below is a rounding of none


@dataclass(frozen=True, slots=True)
class Cells:
    """Where lives can have failed: m cells (begins, ends], km; closed points where the two are equal.

    ``outlived`` (m,): lives seen before the cell and good behind it, counted. Failures, gathered to r kinds: ``count``
    (r,) of them lie in one of the cells ``first`` to ``stop`` - 1.
    """

    begins: Array
    ends: Array
    outlived: Array
    first: Index
    stop: Index
    count: Array

    @classmethod
    def of(cls, lives: Lives) -> Cells:
        """The cells of ``lives``, in order; what is left out as dominated by a neighbour cannot hold a failure."""
        marks = _Marks.of(lives)
        failed = ~lives.right
        breaks = np.unique(np.concatenate([marks.lower[failed], marks.upper[failed]]))
        if not breaks.size:
            none = np.zeros(0)
            return cls(none, none, none, none.astype(np.intp), none.astype(np.intp), none)
        opens, closes = (
            _counted(np.searchsorted(breaks, at[failed]), lives.count[failed], breaks.size)
            for at in (marks.lower, marks.upper)
        )
        outlived = marks.outlived(lives.count)
        starts, ends = breaks[:-1] + 1, breaks[1:]  # atoms of every stretch between two breaks
        within = outlived[starts[0] : ends[-1] + 1]
        least = np.minimum.reduceat(within, starts - starts[0])
        low = np.flatnonzero(within <= np.repeat(least, ends - starts + 1))
        place = np.searchsorted(ends - starts[0], low)  # of each atom that is least in its stretch
        from_atom = starts[0] + low[np.searchsorted(place, np.arange(least.size), side="left")]
        to_atom = starts[0] + low[np.searchsorted(place, np.arange(least.size), side="right") - 1]
        kept = _undominated(least, opens, closes)
        numbers = np.flatnonzero(kept)
        first, stop = (
            np.searchsorted(numbers, np.searchsorted(breaks, at[failed])) for at in (marks.lower, marks.upper)
        )
        return cls(
            marks.km[from_atom[kept] // 2 - (from_atom[kept] % 2 == 0)],
            marks.km[to_atom[kept] // 2],
            least[kept],
            *_gathered(first, stop, lives.count[failed], numbers.size),
        )

    def __len__(self) -> int:
        return int(self.ends.size)

    def between(self, start: int, stop: int) -> Cells:
        """The cells ``start`` to ``stop`` - 1, with the failures that lie in these only."""
        inside = (self.first >= start) & (self.stop <= stop)
        return Cells(
            self.begins[start:stop],
            self.ends[start:stop],
            self.outlived[start:stop],
            self.first[inside] - start,
            self.stop[inside] - start,
            self.count[inside],
        )


@dataclass(frozen=True, slots=True)
class _Marks:
    """Distances of lives as places on a line of atoms: atom 2k + 1 is the point km[k], atom 2k the open stretch before.

    A place p stands behind atom p; a life failed in atoms lower + 1 to upper, and was seen from atom entry + 1 on.
    """

    km: Array
    entry: Index
    lower: Index
    upper: Index

    @classmethod
    def of(cls, lives: Lives) -> _Marks:
        upper = np.where(lives.right, lives.lower, lives.upper)
        km, place = np.unique(np.concatenate([lives.entry, lives.lower, upper]), return_inverse=True)
        entry, lower, upper_place = 2 * place.reshape(3, -1) + 1
        lower = lower - lives.exact
        return cls(km, np.minimum(entry, lower), lower, upper_place)  # failed on entry: was at risk then

    def outlived(self, count: Array) -> Array:
        """For every atom: lives seen before it and good behind it, counted."""
        size = 2 * self.km.size + 1
        change = np.bincount(self.entry + 1, weights=count, minlength=size)
        change -= np.bincount(self.lower + 1, weights=count, minlength=size)
        total = np.cumsum(change)
        return np.where(total < NOTHING * count.sum(), 0.0, total)


def _undominated(least: Array, opens: Array, closes: Array) -> NDArray[np.bool_]:
    """Stretches in which a failure can lie: beside none that more failures share and no more lives outlived.

    ``opens`` and ``closes``: failures whose run begins or ends at each break.
    """
    covered = np.cumsum(opens - closes)[:-1] > NOTHING * opens.sum()
    more_behind = (closes[1:-1] == 0) & (least[1:] <= least[:-1])
    more_before = (opens[1:-1] == 0) & (least[:-1] <= least[1:])
    kept = covered.copy()
    kept[:-1] &= ~more_behind
    kept[1:] &= ~more_before
    return np.asarray(kept)


def _counted(place: Index, count: Array, places: int) -> Array:
    return np.bincount(place, weights=count, minlength=places).astype(np.float64)


def _gathered(first: Index, stop: Index, count: Array, cells: int) -> tuple[Index, Index, Array]:
    run, place = np.unique(first * (cells + 1) + stop, return_inverse=True)
    return run // (cells + 1), run % (cells + 1), _counted(place, count, run.size)


def sums(cells: Cells, size: Array) -> Array:
    """Growth over each kind's run of cells, (r,)."""
    total = np.concatenate([[0.0], np.cumsum(size)])
    return np.asarray(total[cells.stop] - total[cells.first])


def spread(cells: Cells, values: Array) -> Array:
    """Sum of ``values`` (r,) over the kinds of failure that share each cell, (m,)."""
    ends = len(cells) + 1
    change = np.bincount(cells.first, weights=values, minlength=ends)
    change -= np.bincount(cells.stop, weights=values, minlength=ends)
    return np.asarray(np.cumsum(change)[:-1])


def least(cells: Cells, values: Array) -> Array:
    """The least of ``values`` (m,) in each kind's run of cells, (r,)."""
    runs = np.column_stack([cells.first, cells.stop]).ravel()
    return np.asarray(np.minimum.reduceat(np.append(values, np.inf), runs)[::2]) if runs.size else values[:0]
