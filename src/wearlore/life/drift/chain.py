"""Timing-chain elongation and the cam's lag: what a reading in degrees says of the chain.

A sprocket of N teeth carries the chain's pins on a pitch circle of radius p / (2 sin(pi/N)) (sprocket geometry of
ISO 606 and ASME B29.1: pitch diameter = p / sin(180°/N)), p being the pitch. The taut strand from crank to cam, guide
curve counted, holds n links, so an elongation by the share eps lengthens it by eps n p. The crank pulls that strand:
to take up the length the cam stays behind by

    eps n p / (p / (2 sin(pi/N))) = 2 n eps sin(pi/N) rad, about 360 n eps / N degrees,

whatever the pitch. Where a sprocket turns k times in one turn of the cam, its lag counts 1/k there; the lags of several
stages add up. The crank turns twice in one turn of the cam, so the same lag is twice as many degrees of the crank.
What else moves the reading (worn guides and teeth, a tensioner that yields) is not in it.
"""

from __future__ import annotations

from math import degrees, pi, sin

from wearlore.book.model import Chain

CRANK_TURNS = 2.0  # in one turn of the cam: four-stroke
MANY_TEETH = 67  # from here on the teeth, not the chain's strength, bound the elongation


def lag(elongation: float, chain: Chain) -> float:
    """How far (degrees, as ``chain.measured``) the cam lags when the chain is longer by the share ``elongation``."""
    return elongation * _lag_per_share(chain)


def elongation(lag: float, chain: Chain) -> float:
    """The share by which the chain is longer, from the cam's lag since new (degrees, as ``chain.measured``)."""
    return lag / _lag_per_share(chain)


def usual_limit(teeth_large: int, *, fixed_centres: bool = False) -> float:
    """The share of elongation at which chains are usually renewed: common practice, no source.

    3 % in general; 2/N when the large sprocket has N > 67 teeth, since a longer chain climbs them; 1.5 % between fixed
    centres. Makers of engines set tighter limits for timing: theirs come first.
    """
    if teeth_large < 6:
        raise ValueError(f"a sprocket has 6 teeth or more, not {teeth_large}")
    general = 2.0 / teeth_large if teeth_large > MANY_TEETH else 0.03
    return min(general, 0.015) if fixed_centres else general


def _lag_per_share(chain: Chain) -> float:
    of_the_cam = sum(2 * stage.links * sin(pi / stage.teeth) / stage.turns for stage in chain.stages)
    return degrees(of_the_cam) * (CRANK_TURNS if chain.measured == "crank" else 1.0)
