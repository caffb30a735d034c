"""The specialist's own paragraphs: what Markdown becomes, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.book import load
from wearlore.book.markdown import may_link, refused
from wearlore.book.review import review
from wearlore.report.guide.document import words

TEXT = """A **plain** engine, *mostly*.
See [the belt](#belt) or [more](https://example.org).

- one
  - inner
- two

3. three
"""


def test_markdown_becomes_runs_of_text():
    (said,) = words(TEXT, "me", ["belt"])
    first, *items = said.passages
    assert [
        (run.text, run.strong, run.emphasis, run.link) for run in first.runs if run.strong or run.emphasis or run.link
    ] == [
        ("plain", True, False, ""),
        ("mostly", False, True, ""),
        ("the belt", False, False, "#belt"),
        ("more", False, False, "https://example.org"),
    ]
    assert [(one.style, one.mark, one.depth) for one in items] == [
        ("bullet", "•", 0),
        ("bullet", "•", 1),
        ("bullet", "•", 0),
        ("number", "3.", 0),
    ]


def test_a_link_to_a_chapter_that_is_not_there_is_plain_text():
    (said,) = words("[the belt](#belt)", "", [])
    assert [(run.text, run.link) for run in said.passages[0].runs] == [("the belt", "")]


@pytest.mark.parametrize(
    "text",
    ["<script>x</script>", "a <b>b</b>", "![p](https://a.b/c.png)", "# Title", "[x](javascript:y)", "```\nx\n```"],
)
def test_what_may_not_be_written_is_refused_and_never_becomes_markup(text):
    assert list(refused(text))
    for said in words(text, "", []):
        assert all(not run.link or may_link(run.link) for passage in said.passages for run in passage.runs)


@given(st.text(max_size=80))
def test_any_text_can_be_read_and_links_only_where_allowed(text):
    for said in words(text, "", ["belt"]):
        assert all(not run.link or may_link(run.link) for passage in said.passages for run in passage.runs)


def test_the_review_names_file_and_line(tmp_path):
    book = load.starter().replace(
        "    Ask for the bill of the timing belt first.", "    Look: <b>here</b>, at [this](#nothing)."
    )
    path = tmp_path / "book.yaml"
    path.write_text(book, encoding="utf-8")
    found = [str(one) for one in review(*load.read(path)) if one.severity == "error"]
    (line,) = (number for number, text in enumerate(book.splitlines(), 1) if text.startswith("  buyers:"))
    assert any("without raw HTML (line 1 of the text)" in one and f":{line}:" in one for one in found)
    assert any("'#nothing'" in one for one in found)
