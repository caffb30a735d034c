"""What a network refuses, and the order it brings findings into."""

from __future__ import annotations

import pickle
import re

import pytest

from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace import Cause, Edge, Fact, Finding, Network, reported


def wet(name: str, *above: str) -> Finding:
    return Finding(name, 0.01, tuple(Edge(parent, 0.5) for parent in above))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Cause("seal", 1.2), "prior of cause 'seal' is 1.2"),
        (lambda: Cause("seal", float("nan")), "prior of cause 'seal' is nan"),
        (lambda: Finding("wet", -0.1), "leak of finding 'wet' is -0.1"),
        (lambda: Finding("wet", 0.1, (Edge("seal", 2),)), "chance of 'wet' from 'seal' is 2"),
        (lambda: wet("wet", "seal", "seal"), "names 'seal' twice"),
        (lambda: Network((Cause("a", 0.1), Cause("a", 0.1)), ()), "'a' stands for two things"),
        (lambda: Network((Cause("a", 0.1),), (wet("a"),)), "'a' stands for two things"),
        (lambda: Network((), (wet("a", "c"), wet("b", "a"), wet("c", "b"))), "upstream of themselves: "),
        (lambda: Network((), (wet("a", "a"),)), "upstream of themselves: a -> a"),
        (lambda: Fact("a", -1, 1), "likelihoods of 'a' are -1 and 1"),
        (lambda: Fact("a", 1, float("inf")), "likelihoods of 'a' are 1 and inf"),
        (lambda: Fact("a", 0, 0), "likelihood 0 either way"),
        (lambda: reported("a", True, 1.1, 0.9), "sensitivity for 'a' is 1.1"),
        (lambda: reported("a", False, 0.9, -0.1), "specificity for 'a' is -0.1"),
    ],
)
def test_what_cannot_be_is_refused_with_its_name(make, words):
    with pytest.raises(TraceError, match=re.escape(words)) as caught:
        make()
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_a_circle_is_told_with_all_that_lie_on_it():
    with pytest.raises(TraceError) as caught:
        Network((), (wet("a", "c"), wet("b", "a"), wet("c", "b"), wet("d", "a")))
    told = str(caught.value)
    assert all(f"{name} ->" in told for name in "abc")
    assert "d" not in told.partition("themselves: ")[2].partition(".")[0]


def test_a_parent_that_does_not_exist_brings_the_nearest():
    with pytest.raises(NameNotKnown, match=r"no cause or finding is called 'sael'. Did you mean seal"):
        Network((Cause("seal", 0.1),), (wet("wet", "sael"),))


def test_findings_follow_those_upstream_whatever_their_order():
    network = Network((), (wet("low", "middle"), wet("middle", "top"), wet("top")))
    assert [finding.name for finding in network.findings] == ["top", "middle", "low"]


def test_a_report_carries_both_kinds_of_error():
    said, denied = reported("a", True, 0.9, 0.8), reported("a", False, 0.9, 0.8)
    assert (said.absent, said.present) == pytest.approx((0.2, 0.9))
    assert (denied.absent, denied.present) == pytest.approx((0.8, 0.1))
