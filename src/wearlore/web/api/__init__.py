"""The interface for programs: the same results as the pages show, as JSON under ``/api``."""

from wearlore.web.api.problems import tell_problems
from wearlore.web.api.routes import ABOUT, router

__all__ = ["ABOUT", "router", "tell_problems"]
