"""The pages: one module each, with a ``create(desk)`` that makes its addresses known."""

from wearlore.web.pages import appraisal, due, family, guide, hindsight, mode, outlook, records, trace, vehicle, visit

ALL = (family, mode, vehicle, trace, visit, outlook, appraisal, due, records, hindsight, guide)
