"""Chain elongation and the cam's lag: published digits, laws, and a chain wrapped round two polygons."""

from __future__ import annotations

import csv
from math import cos, degrees, pi, sin
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy.optimize import brentq
from scipy.spatial import ConvexHull

from wearlore.book.model import Chain, ChainStage, Observation
from wearlore.life.drift.chain import elongation, lag, usual_limit

REFERENCE = Path(__file__).parents[1] / "reference" / "chain_lag.csv"

stages = st.builds(
    ChainStage, links=st.floats(1, 300), teeth=st.integers(6, 200), turns=st.sampled_from([1.0, 0.5, 1.5, 2.0])
)
chains = st.builds(
    Chain, stages=st.lists(stages, min_size=1, max_size=3).map(tuple), measured=st.sampled_from(["cam", "crank"])
)


def one_stage(links, teeth, measured="cam"):
    return Chain(stages=(ChainStage(links=links, teeth=teeth),), measured=measured)


@pytest.mark.parametrize("measured", ["cam", "crank"])
def test_digits(measured):
    with REFERENCE.open(encoding="utf-8") as file:
        (row,) = csv.DictReader(line for line in file if not line.startswith("#"))
    chain = one_stage(float(row["links"]), int(row["teeth"]), measured)
    assert lag(float(row["elongation"]), chain) == pytest.approx(float(row[measured]), abs=5e-7)


def pins(teeth: int, x: float, turned: float) -> np.ndarray:
    """The corners of a polygon of pitch 1 centred on (x, 0), clockwise from the left, turned clockwise (rad)."""
    angle = pi - turned - 2 * pi * np.arange(teeth) / teeth
    return np.column_stack([x + np.cos(angle) / (2 * sin(pi / teeth)), np.sin(angle) / (2 * sin(pi / teeth))])


def taut(turned: float, teeth: tuple[int, int], centres: float) -> float:
    """Length of a string laid over two polygons, from the leftmost pin of the first, which stands still, to the pin of
    the second that was rightmost before that one ``turned`` (rad, clockwise)."""
    crank, cam = teeth
    points = np.vstack([pins(crank, 0.0, 0.0), pins(cam, centres, turned)])
    clockwise = ConvexHull(points).vertices[::-1].tolist()
    first = clockwise.index(0)
    walked = points[(clockwise[first:] + clockwise[:first])]
    walked = walked[: 1 + int(np.flatnonzero((walked == points[crank + cam // 2]).all(axis=1))[0])]
    return float(np.hypot(*np.diff(walked, axis=0).T).sum())


@pytest.mark.parametrize("teeth", [(20, 40), (24, 48), (40, 80), (100, 200)])
def test_a_chain_wrapped_round_two_polygons_turns_the_cam_as_much(teeth):
    """The string leaves a polygon at a lever arm between r cos(pi/N) and r, r its pitch radius: no less lag than ours
    and at most 1/cos(pi/N) as much, ever closer with more teeth."""
    centres, n = 3.0 * teeth[1] / (2 * pi) + 1.0, teeth[1]
    new = taut(0.0, teeth, centres)
    for share in (0.002, 0.005, 0.01):
        turned = brentq(lambda r, share=share: taut(r, teeth, centres) - new * (1 + share), 0.0, 0.3)
        expected = lag(share, one_stage(new, n))
        assert expected * (1 - 1e-9) <= degrees(turned) <= expected / cos(pi / n) * (1 + 1e-9)


@given(chain=chains, share=st.floats(-0.01, 0.05))
def test_there_and_back(chain, share):
    assert elongation(lag(share, chain), chain) == pytest.approx(share, rel=1e-12, abs=1e-18)


@given(chain=chains)
def test_stages_add_up_and_the_crank_counts_double(chain):
    alone = [lag(0.01, Chain(stages=(stage,))) for stage in chain.stages]
    assert lag(0.01, chain) == pytest.approx(sum(alone) * (2 if chain.measured == "crank" else 1), rel=1e-12)


@given(links=st.floats(1, 300), teeth=st.integers(20, 200))
def test_about_360_n_share_over_teeth(links, teeth):
    assert lag(0.01, one_stage(links, teeth)) == pytest.approx(3.6 * links / teeth, rel=(pi / teeth) ** 2 / 5)


def test_a_sprocket_that_turns_faster_than_the_cam_counts_less():
    slow, fast = (Chain(stages=(ChainStage(links=30, teeth=24, turns=k),)) for k in (1, 1.5))
    assert lag(0.01, fast) == pytest.approx(lag(0.01, slow) / 1.5)


@pytest.mark.parametrize(
    ("teeth", "fixed", "limit"),
    [
        (40, False, 0.03),
        (67, False, 0.03),
        (68, False, 2 / 68),
        (100, False, 0.02),
        (40, True, 0.015),
        (160, True, 1 / 80),
    ],
)
def test_usual_limits(teeth, fixed, limit):
    assert usual_limit(teeth, fixed_centres=fixed) == pytest.approx(limit)


def test_no_sprocket_has_five_teeth():
    with pytest.raises(ValueError, match="6 teeth"):
        usual_limit(5)
    with pytest.raises(ValidationError):
        ChainStage(links=10, teeth=5)


def test_only_a_reading_has_a_chain():
    chain = {"stages": [{"links": 46, "teeth": 42}]}
    assert Observation.model_validate({"name": "Phase", "kind": "reading", "chain": chain}).chain == one_stage(46, 42)
    with pytest.raises(
        ValidationError, match="only an observation of kind 'reading' has a chain, not one of kind 'nois"
    ):
        Observation.model_validate({"name": "Rattle", "kind": "noise", "chain": chain})
