"""Luck that depends on nothing but where it falls: a hash of seed, run, failure mode and piece.

The k-th piece of a unit lives through the same hazard whatever was done before it, in whatever order runs are computed:
rivals meet the same luck, and the number of threads changes nothing. SplitMix64 (Steele, Lea & Flood 2014, OOPSLA).
"""

from __future__ import annotations

from hashlib import blake2b
from math import exp, log

import numpy as np
from numba import njit
from scipy.special import ndtri_exp

LEAST, MOST, POINTS = -40.0, 8.0, 1 << 13  # ln hazard between which the normal quantile is tabulated
STEP = (MOST - LEAST) / (POINTS - 1)
QUANTILE = -ndtri_exp(-np.exp(np.linspace(LEAST, MOST, POINTS)))  # z with -ln(1 - Phi(z)) = hazard

GOLDEN, FIRST, SECOND = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)


def key_of(unit: str, mode: str) -> np.uint64:
    """The number by which a mode of a unit draws its luck."""
    digest = blake2b(f"{unit}\n{mode}".encode(), digest_size=8).digest()
    return np.uint64(int.from_bytes(digest, "little"))


@njit(cache=True)
def _mixed(x):  # type: ignore[no-untyped-def]
    x = (x ^ (x >> np.uint64(30))) * FIRST
    x = (x ^ (x >> np.uint64(27))) * SECOND
    return x ^ (x >> np.uint64(31))


@njit(cache=True)
def uniform(seed, run, key, piece):  # type: ignore[no-untyped-def]
    """In (0, 1); all arguments are unsigned 64-bit."""
    x = _mixed(seed + GOLDEN * (run + np.uint64(1)))
    x = _mixed((x ^ key) + GOLDEN * (piece + np.uint64(1)))
    return (np.float64(x >> np.uint64(11)) + 0.5) * 2.0**-53


@njit(cache=True)
def hazard_met(seed, run, key, piece):  # type: ignore[no-untyped-def]
    """The cumulative hazard that the piece lives through: standard exponential."""
    return -log(uniform(seed, run, key, piece))


@njit(cache=True)
def normal_at(hazard):  # type: ignore[no-untyped-def]
    """z of the standard normal at this cumulative hazard; linear between the points of the table."""
    at = (log(max(hazard, 1e-300)) - LEAST) / STEP
    if at <= 0:
        return QUANTILE[0]
    if at >= POINTS - 1:
        return QUANTILE[-1]
    k = int(at)
    return QUANTILE[k] + (at - k) * (QUANTILE[k + 1] - QUANTILE[k])


@njit(cache=True)
def distance_at(hazard, mu, sigma, lognormal):  # type: ignore[no-untyped-def]
    """The distance, km, at which a life has this cumulative hazard."""
    z = normal_at(hazard) if lognormal else log(max(hazard, 1e-300))
    return exp(mu + sigma * z)
