"""Whether forecasts held: what was known at a cut-off, forecast over what came after, beside what happened."""

from wearlore.hindsight.counts import Counted, Pieces, Renewed, counted, poisson_binomial, total
from wearlore.hindsight.verdict import Coverage, Tally, Verdict, off, tally, verdict

__all__ = [
    "Counted",
    "Coverage",
    "Pieces",
    "Renewed",
    "Tally",
    "Verdict",
    "counted",
    "off",
    "poisson_binomial",
    "tally",
    "total",
    "verdict",
]
