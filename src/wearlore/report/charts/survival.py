"""Share still good against distance: the records' steps, the life model, the judgement; nothing is estimated here."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt
import numpy as np

from wearlore.life import LifeModel, SurvivalCurve
from wearlore.lives import Array, Lives
from wearlore.report.charts.look import AMBER, POINTS, SLATE, TEAL, Chart, Row, framed
from wearlore.report.charts.plane import Plane
from wearlore.units import Units, show_share

RECORDS, MODEL, BELIEF = "Records alone", "Life model", "Judgement alone"
COLOURS = {RECORDS: SLATE, MODEL: TEAL, BELIEF: AMBER}
CUTS = 150  # cells into which the marks of cut lives are gathered


def life_chart(
    title: str,
    units: Units,
    *,
    model: LifeModel | None = None,
    curve: SurvivalCurve | None = None,
    lives: Lives | None = None,
    belief: LifeModel | None = None,
    level: float = 0.95,
) -> Chart:
    """Share still good against distance for one failure mode, in the reader's units.

    ``curve``: steps of the records with their pointwise limits; ``lives``: ticks on them where lives were cut.
    ``model`` and ``belief`` (a model from judgement alone): posterior mean with its band at ``level``. A curve that
    begins late (``since``) starts on the model. Raises ValueError when there is neither a curve nor a model.
    """
    smooth = {name: one for name, one in ((BELIEF, belief), (MODEL, model)) if one is not None}
    names = tuple(name for name in COLOURS if name in smooth or (name == RECORDS and curve is not None))
    colours = [COLOURS[name] for name in names]
    plane = Plane(units, _reach(curve, lives, list(smooth.values())), names, "Still good", colours=colours)
    layers: list[alt.Chart] = []
    for name, one in smooth.items():
        layers += plane.ribbon(_curve(name, one, plane, level), "monotone", [6, 4] if name == BELIEF else [1, 0])
    if curve is not None:
        scale = float(model.sf(curve.since)) if model is not None and curve.since > 0 else 1.0
        layers += plane.ribbon(falls(RECORDS, curve, lives, plane, scale), "linear")
        if lives is not None:
            layers.append(plane.ticks(_cuts(curve, lives, scale, plane)))
    return framed(alt.LayerChart(layer=layers), title, _said(units, model, curve, level))


def _reach(curve: SurvivalCurve | None, lives: Lives | None, models: Sequence[LifeModel]) -> float:
    """Where the axis ends, km: a little past the records, or past the distance by which half have failed if near."""
    seen = max(
        [
            float(curve.km.max(initial=0.0)) if curve is not None else 0.0,
            float(lives.lower.max(initial=0.0)) if lives is not None else 0.0,
        ]
    )
    halves = [one.quantile(0.5).value for one in models]
    if seen > 0:
        return 1.05 * max([seen, *(min(half, 1.6 * seen) for half in halves)])
    if not halves:
        raise ValueError("a life chart wants a curve or a model")
    return 1.6 * max(halves)


def _curve(name: str, model: LifeModel, plane: Plane, level: float) -> list[Row]:
    rows: list[Row] = [{"series": name, "x": 0.0, "y": 1.0, "low": 1.0, "high": 1.0}]
    for km in np.linspace(0, plane.reach, POINTS)[1:].tolist():
        band = model.survival(km, level)
        y = float(model.sf(km))
        rows.append({"series": name, "x": plane.units.from_km(km), "y": y, "low": band.low, "high": band.high})
    return rows


def falls(name: str, curve: SurvivalCurve, lives: Lives | None, plane: Plane, scale: float = 1.0) -> list[Row]:
    """The curve from where it begins to the last distance seen; nothing is claimed beyond.

    It falls upright at failures of known distance, and on a slope across a cell between two looks: inside, the records
    do not say where.
    """

    def held(column: Array) -> Array:
        before = np.concatenate([[1.0], column])
        ends = np.column_stack([before[:-1], column]).ravel()
        return scale * np.concatenate([[1.0], ends, before[-1:]])

    last = max(curve.since, curve.km.max(initial=0.0), lives.lower.max(initial=0.0) if lives is not None else 0.0)
    km = np.concatenate([[curve.since], np.column_stack([curve.begins, curve.km]).ravel(), [last]])
    return [
        {"series": name, "x": plane.units.from_km(float(at)), "y": float(y), "low": float(low), "high": float(high)}
        for at, y, low, high in zip(km, held(curve.survival), held(curve.low), held(curve.high), strict=True)
    ]


def _cuts(curve: SurvivalCurve, lives: Lives, scale: float, plane: Plane) -> list[Row]:
    """Where lives were cut (still good, or ended for another reason), on the steps; near ones gathered."""
    at = np.unique(lives.lower[lives.right & (lives.lower > curve.since)])
    if at.size > CUTS:
        at = np.unique(np.round(at / plane.reach * CUTS)) * plane.reach / CUTS
    return [{"series": RECORDS, "x": plane.units.from_km(km), "y": float(scale * curve.sf(km))} for km in at.tolist()]


def _said(units: Units, model: LifeModel | None, curve: SurvivalCurve | None, level: float) -> list[str]:
    """The chart in one or two lines of words."""
    lines = []
    if model is not None:
        b10 = units.show_estimate(model.quantile(0.1, level))
        counts = f"{model.evidence.failures:,} failures in {model.evidence.lives:,} lives"
        lines.append(f"B10 {b10}; {counts}; {show_share(model.record_share)} record, the rest judgement")
    bands = f"Bands: {show_share(level)}."
    if curve is not None:
        bands += " Ticks: lives cut while still good."
        if not curve.exact:
            bands += " Slopes: failed between two looks, nobody knows where."
        if curve.since > 0:
            bands += f" Records begin at {units.show_distance(curve.since)}."
    return [*lines, bands]
