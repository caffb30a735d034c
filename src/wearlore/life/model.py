"""A life model: what is known of one failure mode's distance to failure, how surely, and from what."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from wearlore.book.model import Belief
from wearlore.estimate import Estimate
from wearlore.life.belief import prior_of, reference_prior
from wearlore.life.fit import Fit, rank, show_failures
from wearlore.life.likelihood import FAMILIES, LOGNORMAL, WEIBULL, LogLife, Numbers
from wearlore.life.posterior import Posterior, posterior
from wearlore.lives import Array, Evidence, Lives
from wearlore.units import Units, show_share

FEW = 10  # failures below which records say too little about the family: a belief's family stands


@dataclass(frozen=True)
class LifeModel:
    """One mode (of one revision and grade): its posterior, the maximum-likelihood fit beside it, and its evidence.

    ``fit`` is None when nothing failed or the records alone determine no life. ``judged``: the model is another's,
    scaled by a judged ratio of lives, without records of its own.
    """

    mode: str
    dist: LogLife
    posterior: Posterior
    fit: Fit | None = None
    revision: str = ""
    grade: str = "original"
    evidence: Evidence = field(default_factory=Evidence)
    judged: bool = False

    def sf(self, km: Numbers) -> Array:
        """Share expected to live beyond ``km`` (posterior mean; shape of ``km``)."""
        return self.posterior.sf(km)

    def quantile(self, share: float, level: float = 0.95) -> Estimate:
        """Distance (km) by which ``share`` has failed: posterior median and central interval."""
        return self.posterior.quantile(share, level)

    def survival(self, km: float, level: float = 0.95) -> Estimate:
        """Share that lives beyond ``km``: posterior median and central interval."""
        return self.posterior.survival(km, level)

    @property
    def nodes(self) -> tuple[Array, Array, Array]:
        """(mu, sigma, weight), each (k,) with k <= 256: for averages over what is not known."""
        return self.posterior.nodes

    @property
    def record_share(self) -> float:
        """Share of the knowledge of B10 that comes from records; the rest is judgement. A judged model has none."""
        return 0.0 if self.judged else self.posterior.record_share

    @property
    def judgement_share(self) -> float:
        return 1 - self.record_share

    def scaled(self, factor: float, *, revision: str | None = None, grade: str | None = None) -> LifeModel:
        """The model of a revision or grade without records of its own, whose lives are ``factor`` times as long."""
        return replace(
            self,
            posterior=self.posterior.scaled(factor),
            fit=None,
            revision=self.revision if revision is None else revision,
            grade=self.grade if grade is None else grade,
            evidence=Evidence(),
            judged=True,
        )

    def show(self, units: Units) -> str:
        """``chain-stretch: Weibull, B10 90,000 km (71,000 to 112,000), B50 …, shape 3.1 (2.2 to 4.2); …``."""
        shape = self.posterior.shape()
        if self.dist is LOGNORMAL:
            shape = Estimate(1 / shape.value, 1 / shape.high, 1 / shape.low, shape.level)
        name = "sigma" if self.dist is LOGNORMAL else "shape"
        return (
            f"{self.mode}: {self.dist.name}, B10 {units.show_estimate(self.quantile(0.1))}, "
            f"B50 {units.show_estimate(self.quantile(0.5))}, "
            f"{name} {shape.value:.2g} ({shape.low:.2g} to {shape.high:.2g}); "
            f"{show_failures(self.evidence.failures, self.evidence.lives)}, "
            f"{show_share(self.record_share)} record"
        )

    def __str__(self) -> str:
        return self.show(Units())


def life_model(
    mode: str,
    lives: Lives,
    belief: Belief | None = None,
    evidence: Evidence | None = None,
    *,
    dist: LogLife | None = None,
    ratio: float = 1.0,
    revision: str = "",
    grade: str = "original",
) -> LifeModel:
    """The life model of ``mode`` from its lives and the specialist's belief.

    The family, unless told: the belief's while failures are few (under 10), otherwise Weibull or lognormal by AICc. The
    exponential is taken only when told: it is a Weibull whose shape is said to be known. Without a belief the prior is
    the reference prior. ``ratio``: how many times as long these live, in the specialist's judgement, as what the belief
    speaks of. ``evidence`` defaults to counts of ``lives`` themselves. Raises FitError when there is
    neither a record nor a belief.
    """
    families = (dist,) if dist else (WEIBULL, LOGNORMAL)
    fits = rank(lives, families) if lives.failures else ()
    if dist is None:
        settled = fits and not (belief and lives.failures < FEW)
        dist = fits[0].dist if settled else FAMILIES[belief.life] if belief else WEIBULL
    prior = prior_of(belief, dist).scaled(ratio) if belief else reference_prior(lives, dist)
    fitted = next((f for f in fits if f.dist is dist), None)
    return LifeModel(
        mode=mode,
        dist=dist,
        posterior=posterior(lives, dist, prior),
        fit=fitted,
        revision=revision,
        grade=grade,
        evidence=evidence or _evidence(lives),
    )


def _evidence(lives: Lives) -> Evidence:
    def counted(mask: NDArray[np.bool_]) -> int:
        return round(float(lives.count[mask].sum()))

    left = lives.between & (lives.lower == 0)
    return Evidence(
        exact=counted(lives.exact),
        interval=counted(lives.between & ~left),
        left=counted(left),
        good=counted(lives.right),
        late_entry=counted(lives.entry > 0),
        distance_at_risk=lives.at_risk,
    )
