"""Codes and grades that standards define: oils, trouble codes, failure modes and mechanisms."""

from __future__ import annotations

import re

# SAE J300 (2015 on), kinematic viscosity at 100 °C in mm²/s: what a W grade has at least, the span of a hot grade
WINTER = {"0W": 3.8, "5W": 3.8, "10W": 4.1, "15W": 5.6, "20W": 5.6, "25W": 9.3}
HOT = {
    "8": (4.0, 6.1),
    "12": (5.0, 7.1),
    "16": (6.1, 8.2),
    "20": (6.9, 9.3),
    "30": (9.3, 12.5),
    "40": (12.5, 16.3),
    "50": (16.3, 21.9),
    "60": (21.9, 26.1),
}


def oil_grade_exists(grade: str) -> bool:
    """Whether SAE J300 defines the engine-oil ``grade``: ``5W``, ``30`` or ``5W-30``.

    A multigrade oil meets both halves at once, so its hot span must reach above what its W grade asks at 100 °C.
    """
    winter, dash, hot = grade.rpartition("-")
    if not dash:
        return grade in WINTER or grade in HOT
    return winter in WINTER and hot in HOT and WINTER[winter] < HOT[hot][1]


def nearest_oil_grades(grade: str) -> list[str]:
    """The grades that exist nearest to one that does not (same W, hot grades around)."""
    parts = re.findall(r"\d+", grade)
    if not parts:
        return []
    winter = f"{min((int(w[:-1]) for w in WINTER), key=lambda w: abs(w - int(parts[0])))}W"
    hot = int(parts[-1])
    by_distance = sorted((h for h in HOT if oil_grade_exists(f"{winter}-{h}")), key=lambda h: abs(int(h) - hot))
    return [f"{winter}-{h}" for h in by_distance[:2]]


# ISO 14224:2016, annex B: failure-mode codes that an engine and what hangs on it can need
FAILURE_MODES = {
    "AIR": "abnormal instrument reading",
    "BRD": "breakdown",
    "DOP": "delayed operation",
    "ELF": "external leakage, fuel",
    "ELP": "external leakage, process medium",
    "ELU": "external leakage, utility medium",  # an engine's oil and coolant
    "ERO": "erratic output",
    "FCO": "failure to connect",
    "FDC": "failure to disconnect",
    "FOF": "faulty output frequency",
    "FOV": "faulty output voltage",
    "FRO": "failure to rotate",
    "FTC": "failure to close on demand",
    "FTF": "failure to function on demand",
    "FTI": "failure to function as intended",
    "FTO": "failure to open on demand",
    "FTS": "failure to start on demand",
    "HIO": "high output",
    "IHT": "insufficient heat transfer",
    "INL": "internal leakage",
    "LBP": "low oil supply pressure",
    "LCP": "leakage in closed position",
    "LOO": "low output",
    "NOI": "noise",
    "NOO": "no output",
    "OHE": "overheating",
    "OTH": "other",
    "PDE": "parameter deviation",
    "PLU": "plugged, choked",
    "SER": "minor in-service problems",
    "STD": "structural deficiency",
    "STP": "failure to stop on demand",
    "UNK": "unknown",
    "UST": "spurious stop",
    "VIB": "vibration",
}

# ISO 14224:2016, Table B.2; the whole number is the group, .0 stands for "general" in each group
FAILURE_MECHANISMS = {
    "1.0": "mechanical",
    "1.1": "leakage",
    "1.2": "vibration",
    "1.3": "clearance, alignment",
    "1.4": "deformation",
    "1.5": "looseness",
    "1.6": "sticking",
    "2.0": "material",
    "2.1": "cavitation",
    "2.2": "corrosion",
    "2.3": "erosion",
    "2.4": "wear",
    "2.5": "breakage",
    "2.6": "fatigue",
    "2.7": "overheating",
    "2.8": "burst",
    "3.0": "instrument",
    "3.1": "control failure",
    "3.2": "no signal, indication, alarm",
    "3.3": "faulty signal, indication, alarm",
    "3.4": "out of adjustment",
    "3.5": "software error",
    "3.6": "common cause",
    "4.0": "electrical",
    "4.1": "short circuiting",
    "4.2": "open circuit",
    "4.3": "no power, voltage",
    "4.4": "faulty power, voltage",
    "4.5": "earth, isolation fault",
    "5.0": "external influence",
    "5.1": "blockage, plugged",
    "5.2": "contamination",
    "5.3": "miscellaneous external influences",
    "6.0": "miscellaneous",
    "6.1": "no cause found",
    "6.2": "combined causes",
    "6.3": "other",
    "6.4": "unknown",
}
