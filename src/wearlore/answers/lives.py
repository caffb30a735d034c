"""What fails when: the family in rows, one mode in detail, and how a life model becomes these."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil
from typing import Literal

import numpy as np

from wearlore.estimate import Estimate
from wearlore.life import LOGNORMAL, Fit, FractionsStudy, Hazard, LifeModel, LogLife, Papers, SurvivalCurve
from wearlore.life.fractions.study import Addition
from wearlore.lives import Array, Evidence, Lives
from wearlore.records.summary import EvidenceLine
from wearlore.units import Units, round_step

POINTS = 6  # distances at which survival is told
CLASSES = 6  # of distance in which a hazard is told, about


@dataclass(frozen=True, slots=True)
class OfVariant:
    """How much of a mode's evidence is of one variant."""

    variant: str
    failures: int
    lives: int


@dataclass(frozen=True, slots=True)
class ModeSummary:
    """One failure mode in one row: by when 1 in 10, half and 9 in 10 have failed (km), and on what that rests.

    ``b10``, ``b50``, ``b90``: posterior median and 95 % interval; None when there is neither record nor judgement.
    ``stratum``: the revision, grade or variant that the row is of; empty for all. ``variants``: those that can have it
    by the book, told of a row that is of all.
    """

    mode: str
    name: str
    component: str
    system: str
    noticed: str
    severity: str
    b10: Estimate | None
    b50: Estimate | None
    b90: Estimate | None
    record_share: float
    evidence: Evidence
    stratum: str = ""
    variants: tuple[OfVariant, ...] = ()


@dataclass(frozen=True, slots=True)
class FamilyLives:
    """What fails when in the family: one row a mode, soonest first."""

    family: str
    vehicles: int
    rows: tuple[ModeSummary, ...]


@dataclass(frozen=True, slots=True)
class Basis:
    """The life of a mode on one basis: judgement alone, records alone (maximum likelihood, profile limits) or both.

    ``spread`` is the ``spread_name`` of the family: a Weibull's shape, a lognormal's sigma.
    """

    basis: str
    family: str
    b10: Estimate
    b50: Estimate
    spread_name: str
    spread: Estimate
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Ranked:
    """A family of distributions by how well it describes the records; ``aicc``: smaller is better."""

    family: str
    log_likelihood: float
    aicc: float


@dataclass(frozen=True, slots=True)
class SurvivalPoint:
    """Share still good at a distance (km): by the model, and as the records have it (None beyond them)."""

    km: float
    model: Estimate
    record: Estimate | None


@dataclass(frozen=True, slots=True)
class ModeStudy:
    """One mode in detail. ``judgement`` and ``record`` are None where there is none of it."""

    summary: ModeSummary
    note: str
    judgement: Basis | None
    record: Basis | None
    together: Basis
    ranking: tuple[Ranked, ...]
    points: tuple[SurvivalPoint, ...]
    strata: tuple[ModeSummary, ...]
    records: tuple[EvidenceLine, ...]
    curves: ModeCurves = field(repr=False)
    depth: Depth | None = None


@dataclass(frozen=True, slots=True)
class UnderRule:
    """The life when units of unknown start are treated by ``rule``: by the model with judgement, as the main answer.

    ``unknown_start``: lives that this rule still leaves out.
    """

    rule: str
    b10: Estimate
    b50: Estimate
    failures: int
    lives: int
    unknown_start: int


@dataclass(frozen=True, slots=True)
class EarlyShare:
    """The early failures of pieces of one source grade."""

    grade: str
    early: Addition
    failures: float
    lives: float


@dataclass(frozen=True, slots=True)
class Depth:
    """What lies behind a mode's life: the records on probability paper, the hazard, early failures and survivors, and
    how the answer hangs on what is supposed of units whose age is not known. None where nothing has failed.

    ``early_by_grade``: whose the early failures are, where all lives together leave room for any.
    """

    papers: Papers | None
    hazard: Hazard
    fractions: FractionsStudy | None
    early_by_grade: tuple[EarlyShare, ...]
    rules: tuple[UnderRule, ...]


@dataclass(frozen=True, slots=True)
class ModeCurves:
    """What the chart of a mode is drawn from; ``judged``: judgement alone, ``curve``: records alone."""

    name: str
    lives: Lives
    model: LifeModel
    judged: LifeModel | None
    curve: SurvivalCurve | None


def basis(name: str, model: LifeModel) -> Basis:
    """The posterior of ``model`` under the name of what it rests on."""
    shape = model.posterior.shape()
    spread = shape if _spread(model.dist) == "shape" else Estimate(1 / shape.value, 1 / shape.high, 1 / shape.low)
    return Basis(name, model.dist.name, model.quantile(0.1), model.quantile(0.5), _spread(model.dist), spread)


def record_basis(fit: Fit) -> Basis:
    """Records alone: maximum likelihood with profile limits."""
    b10, b50, spread = fit.interval("quantile", 0.1), fit.interval("quantile", 0.5), fit.interval(_spread(fit.dist))
    return Basis("records", fit.dist.name, b10, b50, _spread(fit.dist), spread, fit.caution)


def _spread(dist: LogLife) -> Literal["shape", "sigma"]:
    return "sigma" if dist is LOGNORMAL else "shape"


def round_classes(furthest: float, units: Units) -> Array:
    """Edges, km, of about `CLASSES` classes of distance, round in ``units``, from 0 to ``furthest`` (km) or beyond."""
    step = round_step(units.from_km(furthest) / CLASSES)
    return np.asarray([units.to_km(step * k) for k in range(ceil(units.from_km(furthest) / step - 1e-9) + 1)])


def survival_points(model: LifeModel, curve: SurvivalCurve | None, units: Units) -> tuple[SurvivalPoint, ...]:
    """Survival at round distances, up to the last failure on record or, without one, to where half have failed."""
    furthest = float(curve.km[-1]) if curve is not None and curve.km.size else model.quantile(0.5).value
    step = round_step(units.from_km(furthest) / POINTS)
    distances = [units.to_km(step * k) for k in range(1, POINTS + 1)]
    return tuple(SurvivalPoint(km, model.survival(km), _on_record(curve, km, furthest)) for km in distances)


def _on_record(curve: SurvivalCurve | None, km: float, furthest: float) -> Estimate | None:
    if curve is None or not curve.km.size or km > furthest:
        return None
    return curve.at(km)
