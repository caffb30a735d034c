"""The small book and a van of its family, as the job card meets them."""

from datetime import date
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from wearlore.book.model import Book
from wearlore.vehicle import Vehicle

SMALL_BOOK = Path(__file__).parent / "small-book.yaml"


@pytest.fixture(scope="session")
def book() -> Book:
    return Book.model_validate(YAML(typ="safe").load(SMALL_BOOK.read_text(encoding="utf-8")))


@pytest.fixture(scope="session")
def van() -> Vehicle:
    return Vehicle("van 12", "long", date(2019, 5, 1), 142_318.0)
