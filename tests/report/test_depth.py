"""What is said of early failures and of units that never fail is no more than the verdict."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from wearlore.answers import Depth
from wearlore.life import WEIBULL, fractions_study
from wearlore.lives import Lives
from wearlore.report.depth import depth_blocks
from wearlore.report.sheet import Heading, Paragraph
from wearlore.units import Units, show_share

HOURS = (0.1, 0.1, 0.15, 0.6, 0.8, 0.8, 1.2, 2.5, 3, 4, 4, 6, 10, 10, 12.5, 20, 20, 43, 43, 48, 48, 54, 74, 84, 94)


@pytest.fixture(scope="module")
def circuits():
    """Meeker (1987): of 4,156 circuits 28 failed, the last at 593 of 1,370 hours."""
    return fractions_study(Lives.of([*HOURS, 168, 263, 593], [1_370] * 4_128), families=(WEIBULL,))


def blocks(study, classes=()):
    return depth_blocks(Depth(None, SimpleNamespace(classes=classes), study, (), ()), Units("hours"), {})


def said(study):
    return [block.text for block in blocks(study) if isinstance(block, Paragraph)]


def told(study, verdict, reason="the share is small at most"):
    (row,) = study.families
    return said(
        replace(study, families=(replace(row, survivors=replace(row.survivors, verdict=verdict, reason=reason)),))
    )[1]


def test_units_that_never_fail_are_told_with_interval_and_chance(circuits):
    share = circuits.families[0].survivors.share
    ends = f"{show_share(share.value)} ({show_share(share.low)} to {show_share(share.high)})"
    assert said(circuits)[1] == f"A share of {ends} never fails this way; chance if none under 0.001."


def test_no_sentence_claims_more_than_the_verdict(circuits):
    high = show_share(circuits.families[0].survivors.share.high)
    assert told(circuits, "not needed") == f"The share that never fails this way is {high} at most, if there is one."
    open_ = told(circuits, "the records cannot tell", "too few later failures")
    assert open_ == "The records cannot tell whether a share never fails this way: too few later failures."


def test_classes_in_which_nobody_was_seen_have_no_heading(circuits):
    nobody = SimpleNamespace(at_risk=1e-7)
    heads = [block.text for block in blocks(circuits, (nobody,)) if isinstance(block, Heading)]
    assert heads == ["Early failures, and units that never fail"]
