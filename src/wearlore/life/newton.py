"""Damped Newton ascent in a few coordinates, shared by the fit, its profiles and the posterior's mode."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from wearlore.errors import FitError
from wearlore.life.likelihood import Derivatives
from wearlore.lives import Array

Objective = Callable[[Array], Derivatives]
LONGEST_STEP = 1.0  # all coordinates are logarithms or of their size
ENOUGH = 1e-12  # Newton decrement (twice the log-likelihood still to gain) at which one last full step is taken
ROUNDING = 1e-13  # of the log-likelihood, a sum over many lives: less is not told from nothing
STEPS = 200


@dataclass(frozen=True, slots=True)
class Maximum:
    """Where the ascent ended; ``at_edge``: it ran out of the region, there is no maximum inside."""

    point: Array
    at: Derivatives
    at_edge: bool


def maximise(
    objective: Objective, start: Array, low: Array, high: Array, free: tuple[int, ...] | None = None
) -> Maximum:
    """The maximum over the ``free`` coordinates (None: all) within the box, shapes (p,).

    Raises FitError when it is not found.

    Where the Hessian is not negative definite its eigenvalues are taken by absolute value (Nocedal & Wright 2006,
    section 3.4), so each step goes uphill. A coordinate at an end of the box from which it wants outwards is held there
    (projected Newton: Bertsekas 1982, SIAM J. Control Optim. 20).
    """
    frees = list(range(start.size) if free is None else free)
    point, at = np.clip(start, low, high), objective(np.clip(start, low, high))
    for _ in range(STEPS if frees else 0):
        index = movable(point, at.gradient, low, high, frees)
        if not index:
            return Maximum(point, at, at_edge=True)
        step = np.zeros(start.size)
        values, vectors = np.linalg.eigh(-at.hessian[np.ix_(index, index)])
        steepness = np.maximum(np.abs(values), 1e-10 * max(1.0, float(np.abs(values).max())))
        step[index] = vectors @ ((vectors.T @ at.gradient[index]) / steepness)
        gain = float(at.gradient @ step)
        rounding = ROUNDING * abs(at.value)
        last = gain < max(ENOUGH, rounding) and bool((values > 0).all())
        step /= max(1.0, float(np.abs(step).max()) / LONGEST_STEP)
        length = 1.0
        while True:
            trial = np.clip(point + length * step, low, high)
            there = objective(trial)
            if last or there.value >= at.value + 1e-4 * length * min(gain, 1.0) - rounding:
                break
            length /= 2
            if length < 1e-12:
                return Maximum(point, at, _at_edge(point, low, high, frees))
        moved = bool((trial != point).any())
        point, at = trial, there
        if last or not moved:
            return Maximum(point, at, _at_edge(point, low, high, frees))
    if frees:
        raise FitError("the search for the likeliest life model did not settle", "Use more lives, or state a belief")
    return Maximum(point, at, False)


def movable(point: Array, gradient: Array, low: Array, high: Array, free: Sequence[int]) -> list[int]:
    """The ``free`` coordinates but those that stand at an end of the box and want outwards."""
    held = ((point <= low) & (gradient < 0)) | ((point >= high) & (gradient > 0))
    return [i for i in free if not held[i]]


def _at_edge(point: Array, low: Array, high: Array, index: list[int]) -> bool:
    return bool(((point <= low) | (point >= high))[index].any())
