"""The curve of the records, before any family of distributions is assumed; Kaplan–Meier with delayed entry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtri

from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life.likelihood import Numbers
from wearlore.lives import Array, Lives


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """Survival just after each distance ``km`` by which lives failed; arrays of shape (k,), distances in km.

    The curve falls in k cells (``begins``, ``km``]; where inside a cell, the records do not say. Failures of known
    distance are cells of no width: there ``begins`` equals ``km``.

    ``survival`` is given that the life is good at ``since``. ``low`` and ``high`` are pointwise limits at ``level``.
    ``failed`` and ``at_risk`` are counts at each distance, expected counts where failures lie between two looks.
    ``emptied_at``: here all lives then at risk failed, so the curve is 0 from there on although lives were seen beyond;
    ask again with a later ``since``.
    """

    begins: Array
    km: Array
    survival: Array
    low: Array
    high: Array
    error: Array  # standard error of survival, from the observed information (Greenwood's where all are exact)
    at_risk: Array
    failed: Array
    level: float
    since: float
    emptied_at: float | None

    @property
    def exact(self) -> bool:
        """Is every failure's distance known? Then the curve is a step function, else only its cells' ends are."""
        return bool((self.begins == self.km).all())

    def sf(self, km: Numbers) -> Array:
        """Survival at ``km``: 1 before the first failure; inside a cell on a straight line, as a drawing aid."""
        at = np.asarray(km, np.float64)
        ended = np.searchsorted(self.km, at, side="right")
        before = np.concatenate([[1.0], self.survival])
        behind = np.append(self.survival, before[-1])
        begins = np.append(self.begins, 0.0)[ended]
        widths = np.append(self.km - self.begins, 0.0)[ended]
        inside = np.where(widths > 0, np.maximum(at - begins, 0.0), 0.0)
        share = inside / np.where(widths > 0, widths, 1.0)
        return np.asarray(before[ended] + share * (behind[ended] - before[ended]))

    def at(self, km: float) -> Estimate:
        """Survival at ``km`` with its limits. Unless all failures are exact, a distance that ends no cell has the upper
        limit of the last end before it and the lower limit of the next: survival lies between the two."""
        ended = int(np.searchsorted(self.km, km, side="right"))
        high = float(self.high[ended - 1]) if ended else 1.0
        last = self.exact or ended == self.km.size or (ended > 0 and self.km[ended - 1] == km)
        low = float(self.low[ended - last]) if ended or not last else 1.0
        return Estimate(float(self.sf(km)), low, high, self.level)

    def quantile(self, share: float) -> float | None:
        """The first distance (km) by which at least ``share`` has failed; None if the curve does not get there."""
        reached = np.flatnonzero(1 - self.survival >= share - 1e-12)
        return float(self.km[reached[0]]) if reached.size else None


def kaplan_meier(lives: Lives, level: float = 0.95, *, since: float = 0.0) -> SurvivalCurve:
    """The product-limit estimate with delayed entry (Klein & Moeschberger 2003, sections 4.2 and 4.6).

    At risk at t are the lives with entry < t that have not ended before t. Limits are by ln(-ln S) (Kalbfleisch &
    Prentice 1980) on Greenwood's variance; where S has reached 0, which leaves that variance undefined, the limits are
    0 and the last upper limit. Raises FitError when no life was seen beyond ``since`` (km), or when failures lie
    between two looks: these have a Turnbull curve.
    """
    if lives.between.any():
        raise FitError(
            "some failures lie between two looks", "Ask for the curve of the records: it takes them as they are"
        )
    seen = lives.lower > since
    if not seen.any():
        raise FitError(f"no life was seen beyond {since:,.0f} km", "Ask for survival from an earlier distance")
    end, count = lives.lower[seen], lives.count[seen]
    failure = ~lives.right[seen]
    # failed on entry: was at risk then
    entry = np.where(failure, np.minimum(lives.entry[seen], np.nextafter(end, 0)), lives.entry[seen])
    km = np.unique(end[failure])
    failed = _counted(end[failure], count[failure], km, "right") - _counted(end[failure], count[failure], km, "left")
    at_risk = _counted(entry, count, km, "left") - _counted(end, count, km, "left")
    survival = np.cumprod(np.where(failed < at_risk * (1 - 1e-12), 1 - failed / at_risk, 0.0)).astype(np.float64)
    emptied = np.flatnonzero(survival <= 0)
    alive = int(emptied[0]) if emptied.size else km.size
    greenwood = np.cumsum(failed[:alive] / (at_risk[:alive] * (at_risk[:alive] - failed[:alive])))
    root = np.sqrt(greenwood)
    spread = -float(ndtri((1 - level) / 2)) * root / np.log(survival[:alive])  # negative: S < 1 after a failure
    last_high = survival[:alive] ** np.exp(spread)
    gone = km.size - alive
    return SurvivalCurve(
        begins=km,
        km=km,
        survival=survival,
        low=np.concatenate([survival[:alive] ** np.exp(-spread), np.zeros(gone)]),
        high=np.concatenate([last_high, np.full(gone, last_high[-1] if alive else 1.0)]),
        error=np.concatenate([survival[:alive] * root, np.zeros(gone)]),
        at_risk=at_risk,
        failed=failed,
        level=level,
        since=since,
        emptied_at=float(km[alive]) if gone and bool((end > km[alive]).any()) else None,
    )


def _counted(at: Array, count: Array, km: Array, side: Literal["left", "right"]) -> Array:
    """Counts with ``at`` < km (side left) or <= km (side right), for every km."""
    order = np.argsort(at, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(count[order])])
    return np.asarray(total[np.searchsorted(at[order], km, side=side)])
