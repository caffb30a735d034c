"""Charts: a result in, an Altair chart out; nothing is estimated here."""

from wearlore.report.charts.appraisal import appraisal_drawings
from wearlore.report.charts.bands import family_drawings, wear_bands
from wearlore.report.charts.calibration import calibration_drawings
from wearlore.report.charts.comparison import acceleration_drawings, comparison_drawings
from wearlore.report.charts.drift import drift_drawings
from wearlore.report.charts.due import due_drawings
from wearlore.report.charts.economy import economy_drawings
from wearlore.report.charts.hindsight import hindsight_drawings
from wearlore.report.charts.history import history_drawings
from wearlore.report.charts.look import Chart, Drawing, Look, save, to_html, to_svg
from wearlore.report.charts.outlook import outlook_drawings
from wearlore.report.charts.repeats import repeats_drawings
from wearlore.report.charts.study import study_drawings
from wearlore.report.charts.survival import life_chart
from wearlore.report.charts.trace import trace_drawings

__all__ = [
    "Chart",
    "Drawing",
    "Look",
    "acceleration_drawings",
    "appraisal_drawings",
    "calibration_drawings",
    "comparison_drawings",
    "drift_drawings",
    "due_drawings",
    "economy_drawings",
    "family_drawings",
    "hindsight_drawings",
    "history_drawings",
    "life_chart",
    "outlook_drawings",
    "repeats_drawings",
    "save",
    "study_drawings",
    "to_html",
    "to_svg",
    "trace_drawings",
    "wear_bands",
]
