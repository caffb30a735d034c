"""Job card, estimate and owner's page as text, HTML and PDF: the same words, in the right order, safely escaped."""

import io
import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from wearlore.estimate import Estimate
from wearlore.jobcard import Caution, Reason, Step, Tightening
from wearlore.report import card as card_sheet
from wearlore.report import owner as owner_sheet
from wearlore.report.page import to_html
from wearlore.report.pdf import to_pdf
from wearlore.report.plain import to_text
from wearlore.report.sheet import (
    Bullets,
    Callout,
    Column,
    Heading,
    Line,
    Paragraph,
    Sheet,
    SignOff,
    StepBlock,
    Table,
)
from wearlore.units import Units

NASTY = (
    "#panic(1) *bold* _under_ $x^2$ @ref <label> `code`",
    '<script>alert("x")</script> & \'quotes\' "double" &amp;',
    "{{ sheet }} {% if %} {# no #}",
    "[red]markup[/red] [link=x] \\ // /* */ ~ -- ---",
    "= no heading",
    "- no list",
    "1. no list",
    "Überprüfung ½ ° · × – “ ” é ø ß Ж λ",
)


class Read(HTMLParser):
    """The words of a page, and the tags and addresses in it."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.words, self.tags, self.addresses, self.skip = [], set(), [], False

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.skip = tag == "style"
        self.addresses += [value for name, value in attrs if name in ("src", "href", "srcset", "data", "action")]

    def handle_endtag(self, tag):
        self.skip = False

    def handle_data(self, data):
        if not self.skip:
            self.words.append(data)


def read_html(page):
    reader = Read()
    reader.feed(page)
    return reader


def html_words(sheets):
    return squeezed(" ".join(read_html(to_html(sheets)).words))


def pdf_words(sheets):
    return squeezed("\n".join(page.extract_text() for page in PdfReader(io.BytesIO(to_pdf(sheets))).pages))


def text_words(sheets):
    return squeezed(re.sub("[┃┏┓┗┛━]", " ", "\n".join(to_text(sheet) for sheet in sheets)))


def squeezed(text):
    return re.sub(r"\s+", " ", text)


FORMATS = pytest.mark.parametrize("words", [text_words, html_words, pdf_words], ids=["text", "html", "pdf"])


@FORMATS
def test_every_caution_stands_before_its_step_and_after_the_one_before(sheets, job, words):
    said = words(sheets[:1])
    at = said.lower().index("order of work")
    for step in job.steps:
        title = said.index(step.title, at)
        for caution in step.cautions:
            assert at <= said.index(caution.text, at) < title
            assert at <= said.index(caution.signal, at) < title
        at = title + len(step.title)


@FORMATS
def test_what_the_card_must_say(sheets, words):
    said = words(sheets[:1])
    for wanted in (
        "20 N·m, then 90°",
        "LEFT-HAND THREAD: clockwise undoes it",
        "LEFT-HAND THREAD: anticlockwise tightens it",
        "ONE-TIME USE: fit new",
        "6 × Pump bolt, B-1",
        "revision B",
        "to be hired, EUR 12.00",
        "SAE 5W-30",
        "One visit saves 4.90 h",
        "Water pump, removal and fitting",
        "It does not replace the maker's procedure, local codes or licensed practice",
        "142,318 km",
        "2026-11-25",
    ):
        assert wanted in said


@pytest.mark.parametrize(
    ("half", "turns"),
    [
        ("off", "clockwise undoes it"),
        ("on", "anticlockwise tightens it"),
        ("do", "clockwise undoes it, anticlockwise tightens it"),
    ],
)
def test_left_hand_thread_turns_the_right_way(job, half, turns):
    """A left-hand thread comes undone clockwise: the wrong word here shears the bolt."""
    bolt = Tightening("bolt", 1, "M10", "8.8", (45.0,), (), one_time_use=False, left_hand=True)
    step = Step(1, "remedy", half, "idler-off", "Idler", 0.1, fasteners=(bolt,))
    blocks = card_sheet.job_card(replace(job, steps=(step,)), Units(), date(2026, 1, 2)).blocks
    (shown,) = (block for block in blocks if isinstance(block, StepBlock))
    (line,) = dict(shown.details)["Undo" if half == "off" else "Tighten"]
    assert line.flags == (f"LEFT-HAND THREAD: {turns}",)


@FORMATS
def test_sums_of_the_estimate(sheets, words):
    said = words(sheets[1:2])
    for wanted in ("Without tax", "655.07", "Tax, 20 %", "131.01", "786.08", "W-1", "8.67"):
        assert wanted in said


@FORMATS
def test_owner_reads_what_and_until_when(sheets, words):
    said = words(sheets[2:])
    assert said.lower().index("what we advise now") < said.index("Thermostat") < said.lower().index("what can wait")
    for wanted in ("It sits behind the pump.", "31 % (22 to 41 %)", "185,000 km", "next 100,000 km", "310", "786.08"):
        assert wanted in said


def test_owner_meets_what_failed_first_and_each_reason_once(told):
    same = "The way to it is open now."
    reasons = (Reason("A", True, same, 0.2), Reason("B", True, same, 0.999999), Reason("C", True, "It has failed."))
    sheet = owner_sheet.owner_page(replace(told, advised=reasons), Units(), date(2026, 1, 2))
    table = next(block for block in sheet.blocks if isinstance(block, Table))
    assert table.rows == (("It has failed.",), ("C", ""), (same,), ("A", "20 %"), ("B", "over 99.9 %"))


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (Estimate(0.31, 0.22, 0.41), "31 % (22 to 41 %)"),
        (Estimate(0.0004, 0.0, 0.02), "under 0.1 % (0 to 2.0 %)"),
        (Estimate(0.99999, 0.99998, 1.0), "over 99.9 % (over 99.9 to 100 %)"),
        (Estimate(0.5, 0.499, 0.501), "50 %"),
    ],
)
def test_chance_in_words(told, chance, words):
    sheet = owner_sheet.owner_page(replace(told, advised=(Reason("A", True, "", chance),)), Units(), date(2026, 1, 2))
    table = next(block for block in sheet.blocks if isinstance(block, Table))
    assert table.rows == (("A", words),)


@FORMATS
def test_units_are_the_readers(sheets_in, words):
    """142,318 km / 1.609344 = 88,432.3 miles; 20 N·m / 1.35582 = 14.75; 45 N·m = 33.2; 185,000 km = 114,954 miles."""
    said = words(sheets_in(Units("miles", "lbf·ft", "USD")))
    for wanted in ("88,432 miles", "15 lbf·ft, then 90°", "33 lbf·ft", "115,000 miles", "USD 786.08"):
        assert wanted in said
    assert "N·m" not in said
    assert " km" not in said


@pytest.mark.parametrize("width", [80, 100])
def test_text_keeps_to_its_width_without_control_characters(sheets, width):
    for sheet in sheets:
        for line in to_text(sheet, width).splitlines():
            assert len(line) <= width
            assert line.isprintable()


def test_same_sheets_same_bytes(sheets):
    assert to_pdf(sheets) == to_pdf(sheets)
    assert to_html(sheets) == to_html(sheets)
    assert to_text(sheets[0]) == to_text(sheets[0])


def test_page_fetches_nothing(sheets):
    page = to_html(sheets)
    reader = read_html(page)
    assert reader.addresses == []
    assert not {"script", "link", "img", "iframe"} & reader.tags
    assert not re.search(r"url\(|@import|https?://", page)


def test_each_document_has_pages_of_its_own_numbered_from_one(sheets):
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(to_pdf(sheets))).pages]
    kinds = [
        kind for page in pages for kind in ("Job card", "Estimate", "For the owner") if page.startswith(kind + ":")
    ]
    assert len(kinds) == len(pages)
    for kind in ("Job card", "Estimate", "For the owner"):
        own = [page for page, its in zip(pages, kinds, strict=True) if its == kind]
        for number, page in enumerate(own, 1):
            assert f"page {number} of {len(own)}" in page
            assert "van 12" in page
            assert "2026-11-25" in page


def sheet_of(texts):
    """A sheet that holds ``texts`` in every kind of block."""
    text = "\n".join(texts)
    one, first = texts[0], texts[-1]
    caution = Callout("DANGER", one, first)
    return Sheet(
        kind="Kind",
        title=one,
        made_on=date(2026, 1, 2),
        facts=((first, one),),
        blocks=(
            Heading(first),
            Heading(one, 2),
            *(Paragraph(each) for each in texts),
            Bullets(tuple(texts)),
            caution,
            Table((Column(one, wide=True), Column(first, "right")), ((text, one), (first,), (one, text)), totals=1),
            StepBlock(1, one, "0.50 h", (first,), (caution,), tuple(texts), ((one, (Line(first, (one,)),)),)),
            SignOff((one,), first),
        ),
        small_print=first,
    )


def wide_text_words(sheets):
    return squeezed(re.sub("[┃┏┓┗┛━]", " ", "\n".join(to_text(sheet, 600) for sheet in sheets)))


@pytest.mark.parametrize("words", [wide_text_words, html_words], ids=["text", "html"])
@pytest.mark.parametrize("text", NASTY)
def test_nothing_in_a_book_is_read_as_markup(words, text):
    """In every place where a plain word shows, each of these shows as it is."""
    places = words([sheet_of(("plainword",))]).casefold().count("plainword")
    assert words([sheet_of((text,))]).casefold().count(squeezed(text).casefold()) == places > 15


def test_nothing_in_a_book_is_read_as_typst():
    """The reader of the PDF joins words in its own way, so spaces do not count here."""
    said = pdf_words([sheet_of(NASTY)]).replace(" ", "")
    for text in NASTY:
        assert text.replace(" ", "") in said


def test_nasty_words_add_no_tags():
    harmless = replace(sheet_of(("plain",)), kind="Kind")
    assert read_html(to_html([sheet_of(NASTY)])).tags - {"span"} == read_html(to_html([harmless])).tags - {"span"}


ANY_TEXT = st.text(st.characters(exclude_categories=("C", "Z"), exclude_characters="┃┏┓┗┛━"), min_size=1, max_size=30)


@given(st.lists(ANY_TEXT, min_size=1, max_size=4))
@settings(max_examples=40, deadline=None)
def test_any_words_come_through_html(texts):
    said = html_words([sheet_of(texts)])
    assert all(text in said for text in texts)


@given(st.lists(ANY_TEXT, min_size=1, max_size=3))
@settings(max_examples=15, deadline=None)
def test_any_words_make_a_pdf_and_text(texts):
    assert to_pdf([sheet_of(texts)]).startswith(b"%PDF")
    assert to_text(sheet_of(texts))


def test_a_caution_stands_once_before_steps_in_a_row_that_share_it_and_again_after_another_step(job):
    mind, other = (Caution("DANGER", name, f"mind the {name}") for name in ("load", "belt"))
    told = [(mind,), (mind, other), (), (mind,)]
    steps = tuple(replace(job.steps[0], number=n + 1, cautions=cautions) for n, cautions in enumerate(told))
    blocks = [
        b
        for b in card_sheet.job_card(replace(job, steps=steps), Units(), date(2026, 11, 25)).blocks
        if isinstance(b, StepBlock)
    ]
    assert [[c.name for c in block.cautions] for block in blocks] == [["load (steps 1 to 2)"], ["belt"], [], ["load"]]
