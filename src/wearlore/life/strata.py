"""Which life model serves a unit of one revision and grade: its own records, or all of them and a judged ratio."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from wearlore.book.model import Belief
from wearlore.life.model import LifeModel, life_model
from wearlore.lives import Array, Lives

ENOUGH = 5.0  # failures, seen or to be expected, from which a stratum's own records speak

Stratum = tuple[str, str]  # (revision, grade)


@dataclass(frozen=True)
class StrataModels:
    """The life models of one mode: of all lives together, and of each stratum.

    ``strata``: the lives of each stratum that has any. ``factors``: the book's ratio of lives of a stratum to the first
    revision of original grade (1 where it says nothing).
    """

    together: LifeModel
    belief: Belief | None
    strata: Mapping[Stratum, Lives]
    factors: Mapping[Stratum, float]

    def of(self, revision: str, grade: str) -> LifeModel:
        """The model for a unit of this revision and grade.

        From the stratum's own records when these hold `ENOUGH` failures, or would if it lived like all together: so a
        revision that does not fail is seen to be better. The belief speaks of the first revision of original grade: it
        is scaled by the book's ratio, for it weighs while failures are few. Otherwise the model of all together, its
        lives scaled by the ratio of this stratum's judged factor to the factors of those that failed.
        """
        stratum = revision, grade
        if stratum not in self._made:
            self._made[stratum] = self._model(stratum)
        return self._made[stratum]

    @cached_property
    def _made(self) -> dict[Stratum, LifeModel]:
        return {}

    def _model(self, stratum: Stratum) -> LifeModel:
        revision, grade = stratum
        lives = self.strata.get(stratum)
        if lives is None or (lives.failures < ENOUGH and self._expected(lives) < ENOUGH):
            factor = self.factors.get(stratum, 1.0) / self._factor_of_the_failed
            return self.together if factor == 1 else self.together.scaled(factor, revision=revision, grade=grade)
        if len(self.strata) == 1:
            return self.together
        mode, dist, ratio = self.together.mode, self.together.dist, self.factors.get(stratum, 1.0)
        return life_model(mode, lives, self.belief, dist=dist, ratio=ratio, revision=revision, grade=grade)

    def _expected(self, lives: Lives) -> float:
        """Failures to be expected of these lives if they lived like all together: the sum of cumulative hazards."""

        def hazard(km: Array) -> Array:
            return -np.log(np.maximum(self.together.sf(km), np.finfo(float).tiny))

        return float(lives.count @ (hazard(lives.lower) - hazard(lives.entry)))

    @cached_property
    def _factor_of_the_failed(self) -> float:
        """Geometric mean of the strata's factors, each weighted by its failures."""
        failures = {stratum: lives.failures for stratum, lives in self.strata.items() if lives.failures}
        if not failures:
            return 1.0
        logs = [np.log(self.factors.get(stratum, 1.0)) for stratum in failures]
        return float(np.exp(np.average(logs, weights=list(failures.values()))))
