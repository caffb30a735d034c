"""The workbench: one workshop folder, its book and its store, and the whole job joined on it. It holds no formula."""

from wearlore.workbench.folder import silent
from wearlore.workbench.visits import Workbench

__all__ = ["Workbench", "silent"]
