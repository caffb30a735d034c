"""Units at the edges: km and N·m inside, what the person chose outside.

A family's ages may also run in hours or days (an engine on a stand, an engine with no odometer): these convert to
nothing else and are shown as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, isinf, log10
from typing import Literal

from wearlore.errors import NameNotKnown
from wearlore.estimate import Estimate

DistanceUnit = Literal["km", "miles", "hours", "days"]
TorqueUnit = Literal["N·m", "lbf·ft"]

KM_PER = {"km": 1.0, "miles": 1.609344, "hours": 1.0, "days": 1.0}
DAYS_PER_YEAR = 365.25
NEWTON_METRE_PER = {"N·m": 1.0, "lbf·ft": 0.3048 * 4.4482216152605}
SYSTEMS: dict[str, tuple[DistanceUnit, TorqueUnit]] = {
    "metric": ("km", "N·m"),
    "uk": ("miles", "N·m"),
    "us": ("miles", "lbf·ft"),
}


def significant(value: float, digits: int = 3) -> float:
    """``value`` rounded to ``digits`` significant digits."""
    if value == 0 or isinf(value):
        return value
    return round(value, digits - 1 - floor(log10(abs(value))))


def round_step(step: float) -> float:
    """The nearest of 1, 2, 2.5 and 5 times a power of ten, by ratio; ``step`` above 0."""
    power = 10.0 ** floor(log10(step))
    return min((nice * power for nice in (1, 2, 2.5, 5, 10)), key=lambda nice: abs(log10(nice / step)))


@dataclass(frozen=True, slots=True)
class Units:
    """How numbers are shown: distance, torque and currency."""

    distance: DistanceUnit = "km"
    torque: TorqueUnit = "N·m"
    currency: str = "EUR"

    def in_system(self, system: str) -> Units:
        """The same with another system's units (``metric``, ``uk``, ``us``); hours and days stay as they are."""
        if system not in SYSTEMS:
            raise NameNotKnown("system of units", system, SYSTEMS)
        distance, torque = SYSTEMS[system]
        return Units(distance if self.distance in ("km", "miles") else self.distance, torque, self.currency)

    def to_km(self, value: float) -> float:
        return value * KM_PER[self.distance]

    def from_km(self, km: float) -> float:
        return km / KM_PER[self.distance]

    def show_number(self, km: float, digits: int = 3) -> str:
        """A distance without its unit, to ``digits`` significant digits: ``142,000``."""
        value = significant(self.from_km(km), digits)
        return "∞" if isinf(value) else f"{value:,.0f}" if abs(value) >= 10 else f"{value:,.3g}"

    def show_distance(self, km: float, digits: int = 3) -> str:
        """``142,000 km``."""
        return f"{self.show_number(km, digits)} {self.distance}"

    def show_odometer(self, km: float) -> str:
        """An odometer, to the whole unit: ``142,318 km``."""
        return f"{self.from_km(km):,.0f} {self.distance}"

    def show_estimate(self, estimate: Estimate, digits: int = 3) -> str:
        """``142,000 km (118,000 to 171,000)``; an open end is said in words."""
        low, high = self.show_number(estimate.low, digits), self.show_number(estimate.high, digits)
        if isinf(estimate.value):
            return f"over {low} {self.distance}"
        span = f"over {low}" if isinf(estimate.high) else f"{low} to {high}"
        return f"{self.show_number(estimate.value, digits)} {self.distance} ({span})"

    def show_money(self, amount: float) -> str:
        """Whole units of currency: ``EUR 1,240``."""
        return f"{self.currency} {round(amount):,}"

    def show_price(self, amount: float) -> str:
        """To the hundredth, as on an estimate: ``EUR 14.20``."""
        return f"{self.currency} {amount:,.2f}"

    def show_torque(self, newton_metres: float) -> str:
        """``25 N·m``."""
        value = newton_metres / NEWTON_METRE_PER[self.torque]
        return f"{value:.0f} {self.torque}" if value >= 10 else f"{value:.1f} {self.torque}"


def show_share(share: float) -> str:
    """A share as a percentage with sensible digits: ``12 %``, ``0.4 %``, ``under 0.1 %``, ``over 99.9 %``."""
    percent = 100 * share
    if 0 < percent < 0.1:
        return "under 0.1 %"
    if 99.9 < percent < 100:
        return "over 99.9 %"
    return f"{percent:.1f} %" if 0 < percent < 10 or 99 < percent < 100 else f"{percent:.0f} %"
