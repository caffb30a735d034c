"""The charts of one failure mode."""

from __future__ import annotations

from wearlore.answers import ModeStudy
from wearlore.report.charts.look import Drawing
from wearlore.report.charts.survival import life_chart
from wearlore.units import Units


def study_drawings(study: ModeStudy, units: Units) -> tuple[Drawing, ...]:
    """Share still good; in depth also the records on probability paper and the hazard."""
    curves = study.curves
    survival = life_chart(
        curves.name, units, model=curves.model, curve=curves.curve, lives=curves.lives, belief=curves.judged
    )
    return (Drawing("survival", "Share still good against distance: records, life model, judgement.", survival),)
