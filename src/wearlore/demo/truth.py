"""What is true of the demo fleet (``truth.yaml``): for the simulator and for recovery tests, never for the tool."""

from __future__ import annotations

from datetime import date
from math import exp, log
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field
from ruamel.yaml import YAML
from scipy.special import ndtr, ndtri

from wearlore.book.model import Grade

Chance = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]


class Fact(BaseModel):
    """Anything stated in ``truth.yaml``."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class TrueLife(Fact):
    """T = scale · exp(sigma · z) km: Weibull with z the log of a unit exponential, or lognormal with z normal."""

    life: Literal["weibull", "lognormal"] = "weibull"
    scale: Positive
    sigma: Positive
    cured: Chance = 1.0
    at_once: Chance = 0.9
    looked: Chance = 0.0
    cleaned: Chance = 0.0
    oil: bool = False

    def survival(self, km: float, ratio: float = 1.0) -> float:
        """P(T > km), lives being ``ratio`` times those stated."""
        if km <= 0:
            return 1.0
        z = log(km / (ratio * self.scale)) / self.sigma
        return exp(-exp(z)) if self.life == "weibull" else float(ndtr(-z))

    def quantile(self, share: float, ratio: float = 1.0) -> float:
        """The distance (km) by which ``share`` has failed."""
        z = log(-log(1.0 - share)) if self.life == "weibull" else float(ndtri(share))
        return ratio * self.scale * exp(self.sigma * z)

    def drawn(self, u: float, age: float = 0.0, ratio: float = 1.0) -> float:
        """The distance to failure (km) beyond ``age`` for a uniform ``u`` in (0, 1): survival at it is u · S(age)."""
        surviving = max(u * self.survival(age, ratio), 1e-300)
        z = log(-log(surviving)) if self.life == "weibull" else float(-ndtri(surviving))
        return max(age, ratio * self.scale * exp(self.sigma * z))


class Faulty(Fact):
    grade: Grade
    share: Chance
    by: Positive


class OilInterval(Fact):
    duty: str
    km: Positive
    share: Chance
    ageing: Positive


class PerYear(Fact):
    median: Positive
    spread: Positive


class Habit(Fact):
    component: str
    at: Literal["service", "gearbox", "timing", "belt"]
    from_age: float
    chance: Chance


class Campaign(Fact):
    component: str
    revision: str
    from_date: date
    to_date: date
    chance: Chance


class CleanedAhead(Fact):
    mode: str
    from_age: float
    chance: Chance


class DriftingReading(Fact):
    """reading = new + (limit - new) · (age / life)^curve + noise."""

    observation: str
    mode: str
    new: float
    curve: Positive
    noise: Positive


class FleetFacts(Fact):
    records_begin: date
    records_end: date
    built_from: date
    built_to: date
    from_new: Chance
    seen_original: Chance
    per_year: PerYear
    leaves_per_year: Positive
    variant_shares: dict[str, Chance]
    oil_intervals: tuple[OilInterval, ...]
    fitted_grades: dict[Grade, Chance]
    cured_later: Chance


class Truth(Fact):
    """The whole of ``truth.yaml``."""

    fleet: FleetFacts
    grades: dict[Grade, Positive]
    revisions: dict[str, dict[str, Positive]]
    faulty: dict[str, Faulty]
    accelerates: dict[str, dict[str, Positive]]
    habits: tuple[Habit, ...]
    companions: dict[str, tuple[str, ...]]
    reached: dict[str, tuple[str, ...]]
    seen_when_reached: dict[str, tuple[str, ...]]
    campaign: Campaign
    cleaned_ahead: CleanedAhead
    reading: DriftingReading
    modes: dict[str, TrueLife]

    def ratio(self, component: str, revision: str = "", grade: Grade = "original") -> float:
        """Ratio of lives to the original part of the first revision."""
        return self.grades[grade] * self.revisions.get(component, {}).get(revision, 1.0)

    @classmethod
    def read(cls) -> Truth:
        """The truth of the demo fleet."""
        return cls.model_validate(YAML(typ="safe").load(Path(__file__).with_name("truth.yaml")))
