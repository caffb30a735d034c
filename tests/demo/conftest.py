from __future__ import annotations

import numpy as np
import pytest

from wearlore import demo
from wearlore.book.load import load
from wearlore.book.model import Book


@pytest.fixture(scope="session")
def book() -> Book:
    return load(demo.BOOK)


@pytest.fixture(scope="session")
def truth() -> demo.Truth:
    return demo.Truth.read()


@pytest.fixture(scope="session")
def fleet(book: Book, truth: demo.Truth) -> demo.Fleet:
    return demo.simulate(book, truth, vans=400, rng=np.random.default_rng(7))
