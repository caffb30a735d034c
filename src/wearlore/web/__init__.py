"""The bench in a browser: pages over the workbench. They ask, and show what is answered; they compute nothing."""

from wearlore.web.desk import Desk
from wearlore.web.server import serve

__all__ = ["Desk", "serve"]
