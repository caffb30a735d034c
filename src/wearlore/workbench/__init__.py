"""The workbench: one workshop folder, its book and its store, and the whole job joined on it. It holds no formula."""

from wearlore.workbench.folder import Progress, silent
from wearlore.workbench.visits import POLICIES, RUNS, Workbench

__all__ = ["POLICIES", "RUNS", "Progress", "Workbench", "silent"]
