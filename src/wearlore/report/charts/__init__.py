"""Charts: a result in, an Altair chart out; nothing is estimated here."""

from wearlore.report.charts.bands import wear_bands
from wearlore.report.charts.look import Chart, Look, save, to_html, to_svg
from wearlore.report.charts.survival import life_chart

__all__ = ["Chart", "Look", "life_chart", "save", "to_html", "to_svg", "wear_bands"]
