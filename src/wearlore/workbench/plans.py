"""What to look at, renew at an age, or leave until it fails; when, and why."""

from __future__ import annotations

from wearlore.workbench.outlooks import Outlooks


class Plans(Outlooks):
    """What to look at, renew at an age, or leave until it fails; when, and why."""
