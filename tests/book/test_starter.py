from __future__ import annotations

import json
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator
from pydantic import StringConstraints
from ruamel.yaml import YAML

from wearlore.book import load
from wearlore.book.expectation import entry_at
from wearlore.book.model import Book, Entry, Torque
from wearlore.book.references import REFERENCES

SECTIONS = [name for name, field in Book.model_fields.items() if "dict" in str(field.annotation)]


def typed(text: str) -> Any:
    """A YAML text as an editor sees it: YAML 1.2 core, dates as text."""
    return json.loads(json.dumps(YAML(typ="safe", pure=True).load(text), default=str))


def test_the_starter_is_a_book_without_any_finding(findings):
    assert findings({}) == ()


def test_the_starter_shows_every_section_and_explains_it():
    text = load.starter()
    for section in Book.model_fields:
        (line,) = (line for line in text.splitlines() if line.startswith(f"{section}:"))
        assert "#" in line or section in ("family", "consumables"), line


def test_every_id_in_the_model_is_checked_as_a_reference():
    """A field added to the model with an id in it must take its place in the review."""
    assert set(_ids(Book, "")) - {"family.id", *(f"{s}" for s in SECTIONS)} == set(REFERENCES)


def _ids(entry: type[Entry], prefix: str) -> list[str]:
    found = []
    for name, field in entry.model_fields.items():
        path = f"{prefix}{name}"
        if _is_id(field.metadata) or _holds_id(field.annotation):
            found.append(path)
        inner = _entries(field.annotation)
        found += [id_ for model in inner for id_ in _ids(model, f"{path}.")]
    return found


def _is_id(metadata: Any) -> bool:
    return any(isinstance(m, StringConstraints) and m.pattern and "a-z0-9" in str(m.pattern) for m in metadata)


def _holds_id(annotation: Any) -> bool:
    return _is_id(getattr(annotation, "__metadata__", ())) or any(map(_holds_id, get_args(annotation)))


def _entries(annotation: Any) -> list[type[Entry]]:
    if isinstance(annotation, type) and issubclass(annotation, Entry):
        return [annotation]
    return [entry for part in get_args(annotation) for entry in _entries(part)]


# --- JSON Schema ---------------------------------------------------------------------------------------------------


def test_the_schema_is_one_and_takes_the_starter():
    schema = load.schema()
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    assert list(Draft202012Validator(schema).iter_errors(typed(load.starter()))) == []


def test_the_schema_says_what_an_editor_shows():
    schema = load.schema()
    assert schema["title"] == "Wearlore book"
    for name, definition in schema["$defs"].items():
        assert definition.get("description"), name
        assert definition["additionalProperties"] is False, name
    mode = schema["$defs"]["Mode"]["properties"]
    assert mode["noticed"]["enum"] == ["evident", "hidden"]
    assert "only when somebody looks" in mode["noticed"]["description"]


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ("torque: N·m ", "torque: Nm ", ["family", "units", "torque"]),
        ("distance: km ", "distance: mi ", ["family", "units", "distance"]),
        ("noticed: evident", "noticed: visible", ["modes", "timing-belt-breaks", "noticed"]),
        ("per_year: 15000", "per_year: many", ["economics", "per_year"]),
        ("per_year: 15000", "per_year: -1", ["economics", "per_year"]),
        ("size: M14x1.5", "size: 14x1.5", ["operations", "belt-off", "fasteners", 0, "size"]),
        ("tax: 0.2", "taxes: 0.2", ["economics"]),
        ("  belt-off:\n", "  Belt Off:\n", ["operations"]),
    ],
)
def test_the_schema_finds_what_the_loader_finds(old, new, path):
    errors = Draft202012Validator(load.schema()).iter_errors(typed(load.starter().replace(old, new)))
    assert path in [list(error.absolute_path) for error in errors]


@pytest.mark.parametrize(("distance", "torque"), [("miles", "lbf·ft"), ("hours", "N·m"), ("days", "N·m")])
def test_the_schema_is_for_the_figures_as_typed_in_any_unit(distance, torque):
    text = (
        load.starter().replace("distance: km ", f"distance: {distance} ").replace("torque: N·m ", f"torque: {torque} ")
    )
    assert Draft202012Validator(load.schema()).is_valid(typed(text))


@pytest.mark.parametrize(
    ("path", "entry"),
    [
        ((), Book),
        (("operations", "belt-off", "fasteners", 0, "torque"), Torque),
        (("family", "name"), None),
        (("nothing",), None),
    ],
)
def test_the_model_of_a_place_in_the_book(path, entry):
    assert entry_at(path) is entry
