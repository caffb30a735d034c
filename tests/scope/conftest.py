"""The demo family, with lives from judgement alone."""

from __future__ import annotations

import pytest

from wearlore.book.load import load
from wearlore.demo import BOOK
from wearlore.life import life_model
from wearlore.lives import Lives


@pytest.fixture(scope="session")
def book():
    return load(BOOK)


@pytest.fixture(scope="session")
def judged(book):
    return {id_: life_model(id_, Lives.of(), mode.belief) for id_, mode in book.modes.items()}
