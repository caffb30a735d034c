"""Probability paper: against ln km, z = quantile of the share failed; lives of one family lie on a straight line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearlore.life.fit import Fit
from wearlore.life.likelihood import LogLife
from wearlore.life.nonparametric import SurvivalCurve
from wearlore.lives import Array

LINE = 40  # distances at which the line is told
BEYOND = 1.25  # the line reaches this many times beyond the points on both sides
FEWEST = 3  # points without which no paper is straight or bent
FEW = 10  # failures below which any paper looks straight (common practice, no source)
CAUTION = (
    "Straightness compares papers on the same points and is no test: the points hang together, those at either end are "
    "the least sure, and lives still good count only through the points."
)


@dataclass(frozen=True, slots=True)
class Traced:
    """Share failed against distance with pointwise limits, in natural and in paper coordinates; arrays of shape (k,).

    ``x`` = ln km; ``z`` (``z_low``, ``z_high``) = the family's quantile of ``failed`` (``low``, ``high``), -inf or inf
    where a limit is 0 or 1.
    """

    km: Array
    failed: Array
    low: Array
    high: Array
    x: Array
    z: Array
    z_low: Array
    z_high: Array

    @classmethod
    def of(cls, dist: LogLife, km: Array, failed: Array, low: Array, high: Array) -> Traced:
        with np.errstate(divide="ignore"):  # a share of 0 or 1 stands at the end of the paper
            z, z_low, z_high = (np.asarray(dist.z(share)) for share in (failed, low, high))
        return cls(km, failed, low, high, np.log(km), z, z_low, z_high)


@dataclass(frozen=True, slots=True)
class ProbabilityPlot:
    """The records' points and the fitted line on the paper of one family.

    ``straightness``: squared correlation of ``x`` and ``z`` over the points, each weighing as many failures as it
    stands for; 1 is a straight line, None for fewer than three points.
    """

    dist: LogLife
    fit: Fit
    points: Traced
    weight: Array  # failures that each point stands for
    line: Traced
    level: float
    straightness: float | None


@dataclass(frozen=True, slots=True)
class Papers:
    """The same records on several papers, straightest first."""

    plots: tuple[ProbabilityPlot, ...]

    @property
    def verdict(self) -> str:
        """Which paper is straighter, and what the likelihood says beside it; in words, with the caution."""
        told = [(p.dist.name, p.straightness, p.fit.aicc) for p in self.plots if p.straightness is not None]
        if len(told) < 2:
            return f"Too few papers or points to tell which paper is straighter. {CAUTION}"
        (first, best, aicc), (second, next_best, other) = told[:2]
        text = f"Straighter on {first} paper ({best:.3f}) than on {second} paper ({next_best:.3f}). "
        if self.plots[0].fit.failures < FEW:
            text += "With so few failures any paper looks straight. "
        likelier = first if aicc <= other else second
        text += f"By likelihood, which uses every life, {likelier} is better by {abs(aicc - other):,.1f} in AICc. "
        return text + CAUTION


def probability_plot(curve: SurvivalCurve, fit: Fit, level: float = 0.95) -> ProbabilityPlot:
    """The points of ``curve`` and the line of ``fit`` on the paper of its family.

    A failure of known distance stands at the middle of its step, failures between two looks at the end of their cell
    (Meeker & Escobar 1998, section 6.4); an end at which all have failed has no place. Limits of the points are the
    curve's, those of the line profile-likelihood limits at ``level`` (there, section 8.3). A curve that begins late
    starts on the line.
    """
    begun = float(fit.sf(curve.since)) if curve.since > 0 else 1.0
    before = np.concatenate([[1.0], curve.survival[:-1]])
    middle = np.where(curve.begins == curve.km, 0.5 * (before + curve.survival), curve.survival)
    shown = middle > 0
    points = Traced.of(
        fit.dist,
        curve.km[shown],
        1 - begun * middle[shown],
        1 - begun * curve.high[shown],
        1 - begun * curve.low[shown],
    )
    return ProbabilityPlot(
        dist=fit.dist,
        fit=fit,
        points=points,
        weight=curve.failed[shown],
        line=_line(fit, points.km, level),
        level=level,
        straightness=_straightness(points, curve.failed[shown]),
    )


def papers(curve: SurvivalCurve, fits: Sequence[Fit], level: float = 0.95) -> Papers:
    """The records on the paper of every fit, straightest first; an exponential is a line on Weibull paper and has none
    of its own."""
    plots = [probability_plot(curve, fit, level) for fit in fits if not fit.dist.fixed_sigma]
    return Papers(tuple(sorted(plots, key=lambda plot: -(plot.straightness or 0.0))))


def _line(fit: Fit, km: Array, level: float) -> Traced:
    near, far = (km[0], km[-1]) if km.size else (0.1 * fit.furthest, fit.furthest)
    at = np.geomspace(near / BEYOND, far * BEYOND, LINE)
    alive = fit.survivals(at, level)
    value, low, high = (np.array([1 - getattr(one, end) for one in alive]) for end in ("value", "high", "low"))
    return Traced.of(fit.dist, at, value, low, high)


def _straightness(points: Traced, weight: Array) -> float | None:
    if points.km.size < FEWEST:
        return None
    both = np.cov(points.x, points.z, aweights=weight)
    return float(both[0, 1] ** 2 / (both[0, 0] * both[1, 1]))
