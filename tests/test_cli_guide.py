"""The command, and the folder into which it publishes; small book, no records: judgement alone."""

import json
import re
from pathlib import Path

import pytest
from pypdf import PdfReader

from wearlore import cli
from wearlore.book import load
from wearlore.workbench import Workbench

FILES = ["buyers.html", "buyers.pdf", "owners.html", "owners.pdf"]


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A workshop with the starter's book, to which somebody has written what he should not."""
    folder = tmp_path_factory.mktemp("shop")
    book = load.starter().replace("the workshop at the old mill", "The mill <script>alert(1)</script> [#pagebreak()]")
    (folder / "book.yaml").write_text(book, encoding="utf-8")
    assert cli.run(["guide", "--in", str(folder)]) == 0
    return folder


def test_both_readers_get_a_page_and_a_printed_guide(shop: Path):
    assert sorted(path.name for path in (shop / "guide").iterdir()) == sorted([*FILES, "edition.json"])


@pytest.mark.parametrize("reader", ["owners", "buyers"])
def test_the_page_needs_nothing_else_and_holds_no_script(shop: Path, reader: str):
    page = (shop / "guide" / f"{reader}.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"(src|href)=\"(?!#|https://|mailto:)", page)
    assert not re.search(r"url\((?!#)", page)
    assert '<html lang="en">' in page
    assert len(page) < 2_000_000
    for anchor in re.findall(r'href="#([^"]+)"', page):
        assert f'id="{anchor}"' in page


def test_a_book_without_records_claims_to_have_measured_nothing(shop: Path):
    page = (shop / "guide" / "owners.html").read_text(encoding="utf-8").partition('id="method"')[0]
    assert "Rests on: judgement" in page
    assert "measured on" not in page
    assert "lasts longer" not in page


def test_the_printed_guide_has_its_words_and_is_tagged(shop: Path):
    printed = PdfReader(shop / "guide" / "owners.pdf")
    text = "".join(page.extract_text() for page in printed.pages)
    assert "Corvane 1.6 petrol" in text
    assert "[#pagebreak()]" in text  # as it was written
    assert printed.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert printed.outline


def test_what_was_published_is_held_against_the_book(shop: Path):
    published = Workbench(shop).published()
    assert published is not None
    assert list(published.files) == FILES
    assert published.changed == ()
    book = shop / "book.yaml"
    before = book.read_text(encoding="utf-8")
    try:
        book.write_text(before + "# a line\n", encoding="utf-8")
        assert Workbench(shop).published().changed == ("book",)
    finally:
        book.write_text(before, encoding="utf-8")


def test_json_prints_the_guide_and_writes_only_where_told(shop: Path, tmp_path: Path, capsys):
    assert cli.run(["guide", "--for", "buyers", "--variant", "base", "--json", "--in", str(shop)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["variant"] for one in told["variants"]] == ["base"]
    assert all(point["summary"]["record_share"] == 0 for point in told["points"])
    assert cli.run(["guide", "--for", "buyers", "--out", str(tmp_path / "a"), "--in", str(shop)]) == 0
    assert sorted(path.name for path in (tmp_path / "a").iterdir()) == ["buyers.html", "buyers.pdf"]


def test_a_variant_that_is_not_there_is_told_with_the_nearest(shop: Path, capsys):
    assert cli.run(["guide", "--variant", "turba", "--in", str(shop)]) == 2
    assert "turbo" in capsys.readouterr().err
