"""YAML -> Book: line numbers kept, all errors at once.

`read` takes whatever has the right shape; `load` also refuses what the review finds wrong, and is what computing
commands use. Both raise `BookErrors` and nothing else for anything a file can hold.
"""

from __future__ import annotations

import pathlib
from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from wearlore.book.expectation import expectation
from wearlore.book.model import Book, BookUnits
from wearlore.book.review import review
from wearlore.book.source import Path, Place, Source, spell
from wearlore.book.text import START_AGAIN, Written, written
from wearlore.errors import BookError, BookErrors
from wearlore.units import Units

SUFFIXES = (".yaml", ".yml")
LARGEST_FILE = 20_000_000  # bytes


def load(path: pathlib.Path) -> Book:
    """The book in ``path`` (one YAML file, or a folder of them), fit to compute with.

    Raises BookErrors with every fault of shape, or, when the shape is right, every finding of severity "error".
    """
    book, source = read(path)
    wrong = [finding for finding in review(book, source) if finding.severity == "error"]
    if wrong:
        raise BookErrors(BookError(f.file, f.line, f.path, f.expected, f.mend) for f in wrong)
    return book


def read(path: pathlib.Path) -> tuple[Book, Source]:
    """The book in ``path`` and where everything in it was written; its sense is left to `review`.

    Distances and torques are km and N·m in the book returned, whatever they were typed in. A folder's files are joined
    section by section. Raises BookErrors with every fault of shape.
    """
    files = [written(_content(file), str(file)) for file in _files(pathlib.Path(path))]
    errors = [error for file in files for error in file.errors]
    if any(file.data is None for file in files):
        raise BookErrors(errors)
    data, source, clashes = _joined(files)
    errors += clashes
    try:
        book = Book.model_validate(data, context=_units(data))
    except ValidationError as invalid:
        errors += [_book_error(details, source) for details in _plain(invalid)]
    if errors:
        raise BookErrors(sorted(errors, key=lambda error: error.args[:2]))
    return book, source


def schema() -> dict[str, Any]:
    """The book's JSON Schema (draft 2020-12), with which an editor completes and checks while one writes.

    It describes the book as typed (in the units that ``family.units`` names).
    """
    book = _ids_only(Book.model_json_schema(mode="validation"))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **book, "title": "Wearlore book"}


def _ids_only(schema: Any) -> Any:
    """The schema with every name that is no id refused (pydantic gives the pattern but lets other names pass)."""
    if isinstance(schema, list):
        return [_ids_only(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    strict = {"additionalProperties": False} if "patternProperties" in schema else {}
    return {name: _ids_only(item) for name, item in schema.items()} | strict


def starter() -> str:
    """The text of a small commented book to start from."""
    return pathlib.Path(__file__).with_name("starter.yaml").read_text(encoding="utf-8")


def _files(path: pathlib.Path) -> Sequence[pathlib.Path]:
    try:
        if path.is_dir():
            files = sorted(file for file in path.iterdir() if file.suffix.lower() in SUFFIXES and file.is_file())
            if not files:
                raise _at_file(path, "at least one .yaml file in this folder", START_AGAIN)
            return files
        found = path.is_file()
    except (OSError, ValueError) as error:  # ValueError: a name with a null character
        raise _at_file(path, "a file or folder that can be read", f"The system says: {error}.") from error
    if not found:
        raise _at_file(path, "a file or a folder of .yaml files", f"There is nothing to read here. {START_AGAIN}")
    return [path]


def _content(file: pathlib.Path) -> bytes:
    try:
        if file.stat().st_size > LARGEST_FILE:
            raise _at_file(
                file, f"at most {LARGEST_FILE // 10**6} MB", "Is this really a book, or another kind of file?"
            )
        return file.read_bytes()
    except OSError as error:
        raise _at_file(file, "a file that can be read", f"The system says: {error.strerror}.") from error


def _at_file(path: pathlib.Path, expected: str, mend: str) -> BookErrors:
    return BookErrors([BookError(str(path), 0, "(book)", expected, mend)])


def _joined(files: Sequence[Written]) -> tuple[dict[str, Any], Source, list[BookError]]:
    """One book out of several files: sections are joined name by name; a name in two files is an error."""
    data: dict[str, Any] = {}
    places: dict[Path, Place] = {}
    errors: list[BookError] = []
    for file in files:
        clashing: set[Path] = set()
        for section, content in (file.data or {}).items():
            if section not in data:
                data[section] = dict(content) if isinstance(content, dict) else content
            elif isinstance(content, dict) and isinstance(data[section], dict):
                clashing |= {(section, name) for name in content if name in data[section]}
                data[section] |= {name: item for name, item in content.items() if name not in data[section]}
            elif content != data[section]:
                clashing.add((section,))
        for path in sorted(clashing, key=spell):
            here, there = file.places[path], places[path]
            expected = f"each name in one file only (it stands already in {there.file}:{there.line})"
            errors.append(BookError(here.file, here.line, spell(path), expected, "Rename or remove one of the two."))
        kept = {path: place for path, place in file.places.items() if path[:2] not in clashing}
        places = kept | places
    return data, Source(places), errors


def _units(data: dict[str, Any]) -> Units:
    """The units the book is written in; the plain ones when these are themselves wrong (which is reported)."""
    family = data.get("family")
    try:
        units = BookUnits.model_validate(family.get("units", {}) if isinstance(family, dict) else {})
    except ValidationError:
        return Units()
    return Units(**units.model_dump())


def _plain(invalid: ValidationError) -> list[ErrorDetails]:
    """The errors but for lists said to be too short only because what stands in them is wrong."""
    every = invalid.errors(include_url=False)
    inside = {error["loc"][:length] for error in every for length in range(len(error["loc"]))}
    return [error for error in every if not (error["type"] == "too_short" and error["loc"] in inside)]


def _book_error(details: ErrorDetails, source: Source) -> BookError:
    path = tuple(step for step in details["loc"] if step != "[key]")
    place = source.at(path)
    return BookError(place.file, place.line, spell(path), *expectation(details, path))
