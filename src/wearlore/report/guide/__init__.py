"""The guide as a publication: what it says, and how it looks as a page and in print."""

from wearlore.report.guide.files import READERS, files
from wearlore.report.guide.page import chapter_html, guide_html
from wearlore.report.guide.print import guide_pdf
from wearlore.report.guide.publication import in_short, publication

__all__ = ["READERS", "chapter_html", "files", "guide_html", "guide_pdf", "in_short", "publication"]
