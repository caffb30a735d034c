"""The pages: one module each, with a ``create(desk)`` that makes its addresses known."""

from wearlore.web.pages import appraisal, due, family, guide, hindsight, mode, outlook, records, trace, vehicle, visit

ALL = (family, mode, vehicle, trace, visit, outlook, appraisal, due, records, hindsight, guide)
MARK = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" fill="#0d5c63"/>'
    '<path d="M4 22h8M8 16h14M16 10h12" stroke="#fff" stroke-width="3.2" fill="none"/></svg>'
)
