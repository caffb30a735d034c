"""The workbench: one workshop folder, its book and its store, and the whole job joined on it. It holds no formula."""

from wearlore.workbench.bench import Workbench
from wearlore.workbench.folder import silent

__all__ = ["Workbench", "silent"]
