"""Tables of a line: its worths on a grid of states once, and by cubic interpolation for a whole fleet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.due.line import DRAWS, MARKS, Line, States, Worths, worths
from wearlore.lives import Array
from wearlore.renewal import Span

AGE_STEP, ODOMETER_STEP = 10_000.0, 30_000.0  # km at most between points
LOOKS, PLACES, SIGHTS = 6, 4, 4  # points over: seen / age; at least / odometer; unseen / at least
FEWEST = 4  # points of a cubic


@dataclass(frozen=True, slots=True)
class Grid:
    """Worths at all points of some axes: ``means`` (points, 2 + e + chances), ``draws`` (2 + e, points, d)."""

    axes: tuple[Array, ...]
    means: Array
    draws: Array

    @classmethod
    def of(cls, axes: Sequence[Array], found: Worths) -> Grid:
        means = np.concatenate([found.cost.mean(axis=2), found.chance, found.stranded], axis=1)
        return cls(tuple(axes), means, np.ascontiguousarray(found.cost.transpose(1, 0, 2)))

    @property
    def shape(self) -> NDArray[np.int64]:
        return np.array([len(axis) for axis in self.axes])


@dataclass(frozen=True, slots=True)
class Look:
    """Worths of n states: ``cost`` (n, 2 + e), the mean of the draws; ``chance``, ``stranded`` (n, marks); the draws
    when they are asked for."""

    cost: Array
    chance: Array
    stranded: Array
    grid: Grid | None
    points: Array  # (n, axes) of states that are read off the grid
    row: NDArray[np.int64]  # (n,): of ``reckoned`` for the others; -1: on the grid
    reckoned: Array  # (states, 2 + e, d)

    def draws(self, states: NDArray[np.int64], column: int) -> Array:
        """Cost (states, d) in one column of some states, by number."""
        out = np.empty((states.size, DRAWS))
        row = self.row[states]
        out[row >= 0] = self.reckoned[row[row >= 0], column]
        if self.grid is not None:
            rest = row < 0
            out[rest] = _interpolated(self.grid.draws[column], self.grid.shape, self.points[states[rest]])
        return out


@dataclass
class Table:
    """Worths of ``line`` for ages up to ``longest`` km; ``hidden`` (m,) of its modes.

    ``exact``: each state reckoned for itself. Otherwise only those that are few, or that have modes of different ages
    in one line; the rest is interpolated.
    """

    line: Line
    hidden: NDArray[np.bool_]
    span: Span
    longest: float
    exact: bool = False
    asked: dict[bool, int] = field(default_factory=lambda: {False: 0, True: 0})  # usual states, by whether unknown

    def at(self, states: States) -> Look:
        """The worths of ``states``, in their order."""
        n, effects = len(states.age), self.line.mu.shape[0] - 1
        usual = np.zeros(n, np.bool_) if self.exact else self._usual(states)
        self.asked[states.unknown] += int(usual.sum())
        if self.asked[states.unknown] < np.prod([len(axis) for axis in self._axes(states.unknown)]):
            usual[:] = False
        means = np.empty((n, 2 + effects + 2 * MARKS.size))
        grid, points, row = None, np.zeros((n, 0)), np.full(n, -1, np.int64)
        reckoned = np.zeros((0, 2 + effects, DRAWS))
        if usual.any():
            grid = self._unknown if states.unknown else self._known
            points = np.zeros((n, len(grid.axes)))
            points[usual] = np.stack(
                [_place(axis, x) for axis, x in zip(grid.axes, self._where(states, usual), strict=True)], 1
            )
            means[usual] = _interpolated(grid.means, grid.shape, points[usual])
        if not usual.all():
            found, back = self._direct(_some(states, ~usual))
            row[~usual], reckoned = back, found.cost
            means[~usual] = Grid.of((), found).means[back]
        chances = np.clip(means[:, 2 + effects :], 0.0, 1.0)
        return Look(
            means[:, : 2 + effects], chances[:, : MARKS.size], chances[:, MARKS.size :], grid, points, row, reckoned
        )

    def _direct(self, states: States) -> tuple[Worths, NDArray[np.int64]]:
        """Each state reckoned, equal ones once; and which of these each is."""
        key = np.column_stack([states.age, states.seen, states.odometer, states.at_least])
        distinct, back = np.unique(np.round(key), axis=0, return_inverse=True)
        m = states.age.shape[1]
        once = States(
            distinct[:, :m].copy(), distinct[:, m : 2 * m].copy(), distinct[:, -2], distinct[:, -1], states.unknown
        )
        return worths(self.line, once, self.span), back.ravel().astype(np.int64)

    def _usual(self, states: States) -> NDArray[np.bool_]:
        """States that lie on the grid's axes: all modes of one age, the hidden ones last seen at one."""
        same = (np.ptp(states.age, axis=1) < 1.0) if states.age.size else np.zeros(len(states.age), np.bool_)
        if self.hidden.sum() > 1:
            same &= np.ptp((states.age - states.seen)[:, self.hidden], axis=1) < 1.0
        return np.asarray(same)

    def _where(self, states: States, which: NDArray[np.bool_]) -> list[Array]:
        """Coordinates of states on the axes."""
        age, seen = states.age[which], states.seen[which]
        some = self.hidden.any()
        m = int(self.hidden.argmax())
        if states.unknown:
            odometer, at_least = states.odometer[which], states.at_least[which]
            inside = np.clip(at_least / np.maximum(odometer, 1.0), 0.0, 1.0)
            unseen = np.clip((age[:, m] - seen[:, m]) / np.maximum(at_least, 1.0), 0.0, 1.0)
            return [odometer, inside, unseen] if some else [odometer, inside]
        looked = np.clip(seen[:, m] / np.maximum(age[:, m], 1.0), 0.0, 1.0)
        return [age[:, 0], looked] if some else [age[:, 0]]

    def _axes(self, unknown: bool) -> list[Array]:
        step = ODOMETER_STEP if unknown else AGE_STEP
        along = np.linspace(0.0, self.longest, max(FEWEST, int(np.ceil(self.longest / step)) + 1))
        shares = [PLACES] * unknown + [SIGHTS if unknown else LOOKS] * bool(self.hidden.any())
        return [along, *(np.linspace(0.0, 1.0, n) for n in shares)]

    @cached_property
    def _known(self) -> Grid:
        axes = self._axes(unknown=False)
        grid = [g.ravel() for g in np.meshgrid(*axes, indexing="ij")]
        age = np.repeat(grid[0][:, None], self.hidden.size, axis=1)
        seen = np.where(self.hidden, age * grid[1][:, None], age) if self.hidden.any() else age
        nothing = np.zeros(len(age))
        return Grid.of(axes, worths(self.line, States(age, seen, nothing, nothing, False), self.span))

    @cached_property
    def _unknown(self) -> Grid:
        axes = self._axes(unknown=True)
        grid = [g.ravel() for g in np.meshgrid(*axes, indexing="ij")]
        at_least = grid[0] * grid[1]
        unseen = (at_least * grid[2] if self.hidden.any() else np.zeros(at_least.size))[:, None] * self.hidden
        states = States(unseen, np.zeros_like(unseen), grid[0], at_least, True)
        return Grid.of(axes, worths(self.line, states, self.span))


def _some(states: States, which: NDArray[np.bool_]) -> States:
    return States(states.age[which], states.seen[which], states.odometer[which], states.at_least[which], states.unknown)


def _place(axis: Array, x: Array) -> Array:
    """In steps of the axis from its start."""
    where: Array = np.clip((x - axis[0]) / (axis[1] - axis[0]), 0.0, len(axis) - 1.0)
    return where


@njit(cache=True)
def _interpolated(table, shape, points):  # type: ignore[no-untyped-def]
    """Rows of the table (all points, columns) at ``points`` (n, dimensions): a cubic through four points each way."""
    n, dimensions = points.shape
    out = np.zeros((n, table.shape[1]))
    base, weight = np.empty(dimensions, np.int64), np.empty((dimensions, 4))
    for i in range(n):
        for d in range(dimensions):
            base[d] = min(max(int(points[i, d]) - 1, 0), shape[d] - 4)
            t = points[i, d] - base[d]
            weight[d, 0] = -(t - 1) * (t - 2) * (t - 3) / 6
            weight[d, 1] = t * (t - 2) * (t - 3) / 2
            weight[d, 2] = -t * (t - 1) * (t - 3) / 2
            weight[d, 3] = t * (t - 1) * (t - 2) / 6
        for corner in range(4**dimensions):
            row, share, rest = 0, 1.0, corner
            for d in range(dimensions):
                k = rest % 4
                rest //= 4
                row = row * shape[d] + base[d] + k
                share *= weight[d, k]
            for c in range(table.shape[1]):
                out[i, c] += share * table[row, c]
    return out
