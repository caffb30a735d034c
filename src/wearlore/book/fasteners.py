"""What a bolt of one size and property class can carry: is a torque believable?

Metric ISO threads (ISO 261, ISO 724), property classes and proof loads (ISO 898-1:2013); the torque that brings a
preload F is T = K·d·F with K between 0.10 (well oiled) and 0.25 (dry and rough). No friction coefficient is guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

# ISO 261, first pitch of each diameter, mm
COARSE_PITCH = {
    3.0: 0.5, 4.0: 0.7, 5.0: 0.8, 6.0: 1.0, 7.0: 1.0, 8.0: 1.25, 10.0: 1.5, 12.0: 1.75, 14.0: 2.0, 16.0: 2.0,
    18.0: 2.5, 20.0: 2.5, 22.0: 2.5, 24.0: 3.0, 27.0: 3.0, 30.0: 3.5,
}  # fmt: skip

# ISO 898-1:2013 Table 5, coarse threads, N: printed values (the standard's rounding is not regular)
PROOF_LOAD = {
    (6.0, "8.8"): 11_600, (8.0, "8.8"): 21_200, (10.0, "8.8"): 33_700, (12.0, "8.8"): 48_900, (14.0, "8.8"): 66_700,
    (6.0, "10.9"): 16_700, (8.0, "10.9"): 30_400, (10.0, "10.9"): 48_100, (12.0, "10.9"): 70_000,
    (14.0, "10.9"): 95_500,
}  # fmt: skip

# ISO 898-1:2013 Table 3, MPa: nominal stress under proof load, minimum tensile strength (8.8: up to 16 mm)
STRENGTH = {
    "4.6": (225.0, 400.0),
    "5.8": (380.0, 520.0),
    "8.8": (580.0, 800.0),
    "9.8": (650.0, 900.0),
    "10.9": (830.0, 1040.0),
    "12.9": (970.0, 1220.0),
}

K_LEAST, K_MOST = 0.10, 0.25
# A joint is called loose when even the slipperiest thread leaves the bolt under this share of its proof load. Wide on
# purpose: gasketed covers are tightened gently. A first stage before an angle only seats the joint.
SEATED, SNUG = 0.5, 0.1


@dataclass(frozen=True, slots=True)
class Thread:
    """A metric thread: nominal diameter and pitch, mm."""

    diameter: float
    pitch: float

    @property
    def stress_area(self) -> float:
        """mm²; A_s = π/4·((d₂ + d₃)/2)² (ISO 898-1, with d₂ and d₃ of ISO 724)."""
        height = sqrt(3) / 2 * self.pitch
        pitch_diameter = self.diameter - 0.75 * height
        minor_diameter = self.diameter - 1.25 * height - height / 6
        return pi / 4 * ((pitch_diameter + minor_diameter) / 2) ** 2


def thread(size: str) -> Thread | None:
    """The thread called ``M8`` or ``M8x1``; None when there is no such thread (unknown diameter, or too coarse)."""
    diameter, _, fine = size.removeprefix("M").partition("x")
    coarse = COARSE_PITCH.get(float(diameter))
    if coarse is None:
        return None
    pitch = float(fine) if fine else coarse
    return Thread(float(diameter), pitch) if 0 < pitch <= coarse else None


def strength(property_class: str, diameter: float) -> tuple[float, float]:
    """(stress under proof load, minimum tensile strength), MPa (ISO 898-1:2013 Table 3)."""
    if property_class == "8.8" and diameter > 16:
        return 600.0, 830.0
    return STRENGTH[property_class]


def proof_load(bolt: Thread, property_class: str) -> float:
    """N: the printed value of ISO 898-1 Table 5 where it is held here, else stress area × stress under proof load."""
    printed = PROOF_LOAD.get((bolt.diameter, property_class))
    if printed is not None and bolt.pitch == COARSE_PITCH[bolt.diameter]:
        return float(printed)
    return bolt.stress_area * strength(property_class, bolt.diameter)[0]


def torque_span(bolt: Thread, property_class: str, *, then_angle: bool) -> tuple[float, float]:
    """(loose below, broken above), N·m, for a last torque; ``then_angle``: angles follow and do the stretching.

    Above the second value the bolt passes its proof load even at K = 0.25. Below the first it stays under half of it
    (a tenth, where angles follow) even at K = 0.10.
    """
    load_times_diameter = proof_load(bolt, property_class) * bolt.diameter / 1000
    return K_LEAST * (SNUG if then_angle else SEATED) * load_times_diameter, K_MOST * load_times_diameter
