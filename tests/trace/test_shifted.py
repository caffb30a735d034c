"""Chances under shifts of the priors: one pass for many is the same as facts one by one."""

import numpy as np
import pytest

from wearlore.errors import TraceError
from wearlore.trace import Cause, Edge, Fact, Finding, Network, Solver, not_seen, seen

NETWORK = Network(
    (Cause("seal", 0.2), Cause("pump", 0.1), Cause("hose", 0.3)),
    (
        Finding("wet", 0.02, (Edge("seal", 0.9), Edge("pump", 0.5))),
        Finding("below", 0.01, (Edge("wet", 0.6), Edge("hose", 0.4))),
    ),
)


def test_many_shifts_in_one_pass_are_what_each_is_as_facts() -> None:
    solver, facts = Solver(NETWORK), [seen("below"), not_seen("wet")]
    shifts = np.random.default_rng(3).uniform(0.05, 4.0, (6, 2, 2))
    together = solver.shifted(facts, ["seal", "hose"], shifts)
    for d, shift in enumerate(shifts):
        moved = [Fact(name, *shift[i]) for i, name in enumerate(("seal", "hose"))]
        alone = solver.posterior([*facts, *moved]).chance
        assert {name: each[d] for name, each in together.items()} == pytest.approx(alone, abs=1e-14)


def test_facts_that_cannot_be_together_are_said_under_shifts_too() -> None:
    with pytest.raises(TraceError, match="cannot be together"):
        Solver(NETWORK).shifted([seen("wet"), not_seen("wet")], ["seal"], np.ones((2, 1, 2)))
