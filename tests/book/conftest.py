from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from wearlore.book import load
from wearlore.book.review import Finding, review

REFERENCE = Path(__file__).parents[1] / "reference"
Changes = dict[str, str]


def changed(changes: Changes) -> str:
    """The starter's text with each text replaced; a text that is not there would make a test that cannot fail."""
    text = load.starter()
    for old, new in changes.items():
        assert old in text, f"the starter no longer says {old!r}"
        text = text.replace(old, new)
    return text


@pytest.fixture
def reference() -> Callable[[str], list[dict[str, str]]]:
    def rows(name: str) -> list[dict[str, str]]:
        def lines() -> Iterator[str]:
            with (REFERENCE / name).open(encoding="utf-8") as file:
                yield from (line for line in file if not line.startswith("#"))

        return list(csv.DictReader(lines()))

    return rows


@pytest.fixture
def book_file(tmp_path: Path) -> Callable[[Changes], Path]:
    def write(changes: Changes) -> Path:
        path = tmp_path / "book.yaml"
        path.write_text(changed(changes), encoding="utf-8")
        return path

    return write


@pytest.fixture
def findings(book_file: Callable[[Changes], Path]) -> Callable[[Changes], tuple[Finding, ...]]:
    def find(changes: Changes) -> tuple[Finding, ...]:
        return review(*load.read(book_file(changes)))

    return find
