"""The papers of a visit as files to open or print."""

from __future__ import annotations

from fastapi import APIRouter

from wearlore.web.desk import Desk


def router(desk: Desk) -> APIRouter:
    """All papers over one desk."""
    return APIRouter(prefix="/papers")
