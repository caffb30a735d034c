"""Formulate and solve: the exact choice as a mixed-integer program, or as a minimum cut where that is enough.

x_o = 1: option o is done; y_s = 1: step s is paid for. The rows are disaggregated: one for each unit and step, the sum
of the unit's options that need the step <= y_s, so that the linear relaxation is tight and nearly always integral.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from wearlore.errors import ScopeError
from wearlore.lives import Array
from wearlore.scope.model import Problem

Proof = Literal["OPTIMAL", "BEST_FOUND"]
TIE = 1e-7  # money: among equals the choice with fewer things done, and earlier ones, wins
FRACTIONAL = 1e-6


@dataclass(frozen=True)
class Program:
    """min cost·v over 0 <= v <= upper, low <= rows·v <= high; columns: options, then steps."""

    problem: Problem
    cost: Array
    upper: Array
    rows: csr_array
    low: Array
    high: Array
    unit_row: NDArray[np.int64]  # the row "at most one option" of each unit

    def with_unit(self, unit: int, *, done: bool) -> Program:
        """The same with one unit held in or out of the scope."""
        low, high = self.low.copy(), self.high.copy()
        low[self.unit_row[unit]] = high[self.unit_row[unit]] = float(done)
        return replace(self, low=low, high=high)

    def allowing(self, tool: str) -> Program:
        """The same as if ``tool`` were there."""
        upper = self.upper.copy()
        for o, option in enumerate(self.problem.options):
            if not option.refused and option.tools == {tool}:
                upper[o] = 1.0
        return replace(self, upper=upper)


@dataclass(frozen=True, slots=True)
class Solution:
    """Chosen option numbers. ``gap``: money by which a better choice could at most be cheaper (0 when proven)."""

    chosen: tuple[int, ...]
    objective: float
    proof: Proof
    gap: float


class _Rows:
    """Sparse rows, one at a time."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def add(self, plus: Iterable[int], minus: Iterable[int], low: float, high: float) -> int:
        """low <= sum of ``plus`` - sum of ``minus`` <= high; the number of the row."""
        number = len(self.low)
        for sign, columns in ((1.0, plus), (-1.0, minus)):
            for column in columns:
                self.row.append(number)
                self.column.append(column)
                self.value.append(sign)
        self.low.append(low)
        self.high.append(high)
        return number


def formulate(problem: Problem) -> Program:
    """The sparse program of ``problem``; needs no solver."""
    options, step_names = problem.options, problem.step_names
    column = {step: len(options) + s for s, step in enumerate(step_names)}
    rows = _Rows()
    unit_row = [rows.add(group, (), 0.0, 1.0) for group in problem.options_of]
    for group in problem.options_of:
        for step in sorted(frozenset().union(*(options[o].needs for o in group))):
            rows.add([o for o in group if step in options[o].needs], [column[step]], -np.inf, 0.0)
    for o, option in enumerate(options):
        for companions in option.companions:
            rows.add([o], companions, -np.inf, 0.0)
    for step, renewing in problem.spoils:
        rows.add([column[step]], renewing, -np.inf, 0.0)
    for curing in problem.demanded:
        rows.add(curing, (), 1.0, np.inf)
    upper = [0.0 if option.refused or option.tools else 1.0 for option in options] + [1.0] * len(step_names)
    cost = [option.money - problem.saving(o) for o, option in enumerate(options)]
    shape = (len(rows.low), len(upper))
    return Program(
        problem,
        np.array(cost + [problem.price(step) for step in step_names]),
        np.array(upper),
        csr_array((rows.value, (rows.row, rows.column)), shape=shape),
        np.array(rows.low),
        np.array(rows.high),
        np.array(unit_row, dtype=np.int64),
    )


def solve(program: Program, time_limit_s: float = 10.0) -> Solution | None:
    """The cheapest choice by HiGHS (linear relaxation first); None when the demands collide.

    Raises ScopeError when the time limit passes with nothing found.
    """
    problem = program.problem
    if not problem.options:
        return None if problem.demanded else Solution((), problem.objective(()), "OPTIMAL", 0.0)
    if not all(problem.demanded):
        return None
    whole = np.zeros(program.cost.size)
    result = _highs(program, whole, time_limit_s)
    x = result.x
    if x is not None and np.abs(x - np.round(x)).max() > FRACTIONAL:
        whole[: len(problem.options)] = 1
        result = _highs(program, whole, time_limit_s)
        x = result.x
    if x is None:
        if result.status == 2:
            return None
        raise ScopeError(
            f"the solver stopped with no choice found ({result.message.strip()})",
            "Give it more time, or refuse some units",
        )
    chosen = tuple(int(o) for o in np.flatnonzero(x[: len(problem.options)] > 0.5))
    if result.status == 0:
        return Solution(chosen, problem.objective(chosen), "OPTIMAL", 0.0)
    bound = -np.inf if result.mip_dual_bound is None else result.mip_dual_bound
    return Solution(chosen, problem.objective(chosen), "BEST_FOUND", max(0.0, float(result.fun - bound)))


def _highs(program: Program, whole: Array, time_limit_s: float):  # type: ignore[no-untyped-def]
    number = np.arange(program.cost.size)
    nudge = np.where(number < len(program.problem.options), TIE * (1 + number / number.size), 0.0)
    return milp(
        program.cost + nudge,
        integrality=whole,
        bounds=Bounds(0.0, program.upper),
        constraints=LinearConstraint(program.rows, program.low, program.high),
        options={"time_limit": time_limit_s, "mip_rel_gap": 0.0},
    )


def by_min_cut(problem: Problem) -> Solution | None:
    """The cheapest choice as a maximum closure by minimum cut (Picard 1976, Management Science 22), to the hundredth.

    Enough where each unit has one option and each companion one: then every row is an implication. None when the
    demands collide; raises ValueError where a minimum cut is not enough.
    """
    if any(len(group) > 1 for group in problem.options_of):
        raise ValueError("a minimum cut is enough only where each unit has one option")
    if not all(problem.demanded):
        return None
    count = len(problem.options)
    number = {step: count + s for s, step in enumerate(problem.step_names)}
    implies = [(o, number[step]) for o, option in enumerate(problem.options) for step in sorted(option.needs)]
    implies += [
        (o, group[0] if group else -1) for o, option in enumerate(problem.options) for group in option.companions
    ]
    implies += [(number[step], renewing[0] if renewing else -1) for step, renewing in problem.spoils]
    worth = [problem.saving(o) - option.money for o, option in enumerate(problem.options)]
    worth += [-problem.price(step) for step in problem.step_names]
    must = [curing[0] for curing in problem.demanded]
    out = [o for o, option in enumerate(problem.options) if option.refused or option.tools]
    closed = closure(np.array(worth), implies, must, out)
    if closed is None:
        return None
    chosen = tuple(int(o) for o in np.flatnonzero(closed[:count]))
    return Solution(chosen, problem.objective(chosen), "OPTIMAL", 0.0)


def closure(
    worth: Array, implies: Collection[tuple[int, int]], must: Collection[int], out: Collection[int]
) -> NDArray[np.bool_] | None:
    """The set of greatest ``worth`` that holds j with i for each (i, j), all of ``must``, none of ``out``: (n,) bool.

    j = -1 stands for what cannot be had. None when there is no such set. Worth counts to the hundredth.
    """
    n = worth.size
    source, sink = n, n + 1
    cents = np.round(worth * 100).astype(np.int64)
    cents[list(must)] = 0
    endless = int(np.abs(cents).sum()) + 1
    if endless >= 2**31 // (len(must) + 2):
        raise ValueError("money too large for a minimum cut in hundredths")
    edges: dict[tuple[int, int], int] = {}
    for node, value in enumerate(cents):
        if value > 0:
            edges[source, node] = int(value)
        elif value < 0:
            edges[node, sink] = int(-value)
    for node in must:
        edges[source, node] = endless
    for node in out:
        edges[node, sink] = endless
    for i, j in implies:
        edges[i, j if j >= 0 else sink] = endless
    tails, heads = zip(*edges, strict=True) if edges else ((), ())
    graph = csr_array((np.array(list(edges.values()), np.int32), (tails, heads)), shape=(n + 2, n + 2), dtype=np.int32)
    flow = maximum_flow(graph, source, sink)
    residual = csr_array(graph - flow.flow)
    residual.eliminate_zeros()
    reached = np.zeros(n + 2, bool)
    reached[breadth_first_order(residual, source, return_predecessors=False)] = True
    if flow.flow_value >= endless:
        return None
    return reached[:n]
