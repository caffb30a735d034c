"""When to renew, decided month after month by a person who weighs what running on costs against a renewal.

The dynamic choice of J. Rust (1987), Econometrica 55, 999-1033: a piece stands in a cell of wear; running it costs
``running`` times its cell (in thousandths, as there), renewing ``renewal`` and puts it back to cell 0; beside that each
choice has its own private reasons of the month, independent and extreme-value distributed (logit). Expected cost from
each cell is the fixed point

    EV(x) = sum over steps j of  p_j ln( exp(-c(x + j) + b EV(x + j)) + exp(-R - c(0) + b EV(0)) )

found by Newton's method, each step a linear system (policy iteration; Rust 1994, Handbook of Econometrics IV, ch. 51).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp

import numpy as np
from scipy.optimize import minimize

from wearlore.errors import FitError
from wearlore.estimate import NORMAL_95, Estimate
from wearlore.lives import Array

ROUNDS, SETTLED = 100, 1e-10
THOUSANDTH = 1e-3


@dataclass(frozen=True, slots=True)
class Wear:
    """``steps`` (s,): chance to move on by 0, 1, … cells in a month. ``cells``: how many; the last holds all beyond.
    ``discount``: of a month, below 1."""

    steps: Array
    cells: int
    discount: float

    @property
    def moves(self) -> Array:
        """(cells, cells): chance of each cell a month later, run on."""
        chance = np.zeros((self.cells, self.cells))
        for step, p in enumerate(self.steps):
            for cell in range(self.cells):
                chance[cell, min(cell + step, self.cells - 1)] += p
        return chance


@dataclass(frozen=True, slots=True)
class Choice:
    """``ahead`` (cells,): expected value from each cell on, after this month's move; ``renew`` (cells,): chance that a
    piece in each cell is renewed."""

    ahead: Array
    renew: Array


def choice(wear: Wear, renewal: float, running: float) -> Choice:
    """The fixed point. Costs in units of the spread of the private reasons."""
    moves, b = wear.moves, wear.discount
    cost = THOUSANDTH * running * np.arange(wear.cells)
    ahead = np.zeros(wear.cells)
    for _ in range(ROUNDS):
        keep, anew = -cost + b * ahead, -renewal - cost[0] + b * ahead[0]
        run_on = np.exp(-np.logaddexp(0.0, anew - keep))
        gap = moves @ np.logaddexp(keep, anew) - ahead
        slope = b * moves * run_on
        slope[:, 0] += b * (moves @ (1 - run_on))
        change = np.linalg.solve(np.eye(wear.cells) - slope, gap)
        ahead = ahead + change
        if np.abs(change).max() < SETTLED * max(1.0, np.abs(ahead).max()):
            break
    keep, anew = -cost + b * ahead, -renewal - cost[0] + b * ahead[0]
    return Choice(ahead, np.exp(-np.logaddexp(0.0, keep - anew)))


@dataclass(frozen=True, slots=True)
class Months:
    """Months on record, counted: the ``cell`` then, the ``step`` since the month before, whether the piece is
    ``renewed`` then, and how ``many``; all (n,)."""

    cell: Array
    step: Array
    renewed: Array
    many: Array


@dataclass(frozen=True, slots=True)
class Habit:
    """What people's renewals say of their costs: ``renewal`` and ``running`` with 95 % intervals, in units of the
    spread of their private reasons; the ``wear``; and the log-likelihood of moves and choices together."""

    renewal: Estimate
    running: Estimate
    wear: Wear
    log_likelihood: float


def habit(months: Months, *, cells: int, discount: float) -> Habit:
    """Maximum likelihood: the steps by their shares, the two costs by the nested fixed point.

    Raises FitError where nothing, or everything, was renewed.
    """
    renewed = float(months.many @ months.renewed)
    if not 0 < renewed < months.many.sum():
        raise FitError("renewals say nothing of costs where there are none, or nothing else", "Take more months.")
    counts = np.bincount(months.step.astype(np.int64), weights=months.many)
    steps = counts / counts.sum()
    wear = Wear(steps, cells, discount)
    cell = np.minimum(months.cell.astype(np.int64), cells - 1)
    left, gone = (
        np.bincount(cell, weights=months.many * side, minlength=cells) for side in (1 - months.renewed, months.renewed)
    )

    def loss(point: Array) -> float:
        renew = choice(wear, exp(point[0]), exp(point[1])).renew
        return -float(left @ np.log1p(-renew) + gone @ np.log(renew))

    found = minimize(loss, np.log([5.0, 1.0]), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    error = np.sqrt(np.diag(np.linalg.inv(_curvature(loss, found.x))))
    renewal, running = (
        Estimate(exp(at), exp(at - NORMAL_95 * sd), exp(at + NORMAL_95 * sd))
        for at, sd in zip(found.x, error, strict=True)
    )
    seen = counts > 0
    moves = float(counts[seen] @ np.log(steps[seen]))
    return Habit(renewal, running, wear, moves - float(found.fun))


def _curvature(loss: Callable[[Array], float], at: Array, step: float = 1e-3) -> Array:
    """Second differences."""
    unit = step * np.eye(2)
    return np.array(
        [
            [
                sum(a * b * loss(at + a * unit[i] + b * unit[j]) for a in (1, -1) for b in (1, -1)) / (4 * step * step)
                for j in range(2)
            ]
            for i in range(2)
        ]
    )
