"""Whatever stands in a file: a book, or BookErrors that can be printed. Never another exception."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from wearlore.book import load
from wearlore.book.model import Book
from wearlore.book.review import review
from wearlore.errors import BookErrors

STARTER = load.starter()
LINES = [line for line in STARTER.splitlines() if line.strip() and not line.lstrip().startswith("#")]
DATA = YAML(typ="safe", pure=True).load(STARTER)
NASTY = [
    *"\t:-[]{}&*!|>'\"%@`#,?~=<",
    *("\n", "\x00", "\x85", "\u2028", "\ufeff", "\ud7ff", "---", "...", "<<: ", "*a", "&a ", "!!int ", "!!set", "? "),
    *(
        ".nan",
        ".inf",
        "1e999",
        "-1",
        "0",
        "9" * 5000,
        "0x",
        "0o9",
        "1_",
        "1:30",
        "2001-99-99",
        "2001-01-01 25:00",
        "null",
    ),
    *("- ", "\\x", '"\\u12', "%YAML 3.0\n---\n", "%TAG ! a\n", "[" * 50, "{a: " * 50, "no", "yes", "true"),
]
FAST = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
LONG = settings(FAST, max_examples=1_000)


@st.composite
def edited_starters(draw: st.DrawFn) -> str:
    """The starter after a few slips of a hand: text put in, cut out, lines lost, doubled, moved or indented."""
    text = STARTER
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        to = min(len(text), at + draw(st.integers(0, 30)))
        slip = draw(st.sampled_from(["insert", "cut", "replace", "double", "line", "indent"]))
        match slip:
            case "insert":
                text = text[:at] + draw(st.sampled_from(NASTY)) + text[at:]
            case "cut":
                text = text[:at] + text[to:]
            case "replace":
                text = text[:at] + draw(st.text(max_size=5)) + text[to:]
            case "double":
                text = text[:to] + text[at:to] + text[to:]
            case "line":
                text = text[:at] + "\n" + draw(st.sampled_from(LINES)) + "\n" + text[at:]
            case "indent":
                text = text[:at] + text[at:].replace("\n", "\n" + " " * draw(st.integers(1, 3)), 1)
    return text


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.dates() | st.sampled_from(NASTY),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@st.composite
def edited_data(draw: st.DrawFn) -> str:
    """The starter with some of its values, at any depth, put in place of each other or of anything else."""

    def edit(value: object, depth: int) -> object:
        if depth == 0 or not isinstance(value, dict | list) or not value:
            return draw(values)
        copy = dict(value) if isinstance(value, dict) else list(value)
        key = draw(st.sampled_from(list(copy) if isinstance(copy, dict) else range(len(copy))))
        copy[key] = edit(copy[key], depth - 1)
        return copy

    data: object = DATA
    for _ in range(draw(st.integers(1, 3))):
        data = edit(data, draw(st.integers(1, 5)))
    text = io.StringIO()
    YAML(typ="safe", pure=True).dump(data, text)
    return text.getvalue()


def take(content: bytes, folder: Path) -> None:
    path = folder / "book.yaml"
    path.write_bytes(content)
    try:
        book, source = load.read(path)
    except BookErrors as refusal:
        refused = refusal.errors
    else:
        refused = ()
        assert isinstance(book, Book)
        for finding in review(book, source):
            assert finding.file == str(path)
            assert finding.line >= 1
            assert str(finding)
            assert finding.expected
    for error in refused:
        file, line, _, expected, _ = error.args
        assert file == str(path)
        assert 1 <= line <= len(content.decode("utf-8", "replace").splitlines()) + 1
        assert expected
        assert str(error)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


def text_slips(folder):
    @given(edited_starters())
    def run(text):
        take(text.encode("utf-8", "surrogatepass"), folder)

    return run


def data_slips(folder):
    @given(edited_data())
    def run(text):
        take(text.encode("utf-8", "surrogatepass"), folder)

    return run


def any_bytes(folder):
    @given(st.binary(max_size=300) | st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass")))
    def run(content):
        take(content, folder)

    return run


def any_yaml(folder):
    @given(st.lists(st.sampled_from([*NASTY, *LINES, " ", "\n", "a", ": "]), max_size=30).map("".join))
    def run(text):
        take(text.encode(), folder)

    return run


KINDS = [text_slips, data_slips, any_bytes, any_yaml]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_nothing_but_a_book_or_its_errors(kind, folder):
    FAST(kind(folder))()


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_nothing_but_a_book_or_its_errors_in_thousands(kind, folder):
    LONG(kind(folder))()
