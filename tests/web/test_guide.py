"""The guide on the bench: both readers, chapters that unfold, publishing; and the published page itself."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.web.conftest import PATIENCE, PHONE, WIDE, Opener, assert_accessible, assert_fits, served
from wearlore.book import load

pytestmark = pytest.mark.xdist_group("browser")


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The starter's book without records: what it says is judgement, and soon said."""
    folder = tmp_path_factory.mktemp("own") / "shop"
    folder.mkdir()
    (folder / "book.yaml").write_text(load.starter(), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def bench(shop: Path) -> Iterator[str]:
    with served(shop) as address:
        yield address


def shown(page: Page) -> Page:
    """The first guide of a server also waits for compilers."""
    expect(page.locator(".guide-preview")).to_be_visible(timeout=4 * PATIENCE)
    return page


def test_readers_are_switched_and_the_address_says_so(open_page: Opener, bench: str) -> None:
    page = shown(open_page("/guide", site=bench))
    expect(page.get_by_text("Owner's guide")).to_be_visible()
    page.get_by_role("button", name="For buyers").click()
    expect(page.get_by_text("Buyer's guide")).to_be_visible()
    expect(page).to_have_url(f"{bench}/guide?for=buyers")
    page.reload()
    expect(shown(page).get_by_text("Buyer's guide")).to_be_visible()


def test_a_chapter_unfolds_by_keyboard(open_page: Opener, bench: str) -> None:
    page = shown(open_page("/guide", site=bench))
    chapter = page.locator("details#timing-belt-breaks")
    expect(chapter.get_by_text("How it shows itself")).to_have_count(0)
    chapter.locator("summary").press("Enter")
    expect(chapter.get_by_text("How it shows itself")).to_be_visible()
    expect(chapter.get_by_text("Rests on: judgement")).to_be_visible()
    assert_accessible(page)


def test_publishing_writes_into_the_folder_and_offers_the_files(open_page: Opener, bench: str, shop: Path) -> None:
    shutil.rmtree(shop / "guide", ignore_errors=True)
    page = shown(open_page("/guide", site=bench))
    expect(page.get_by_text("Not published yet.")).to_be_visible()
    page.get_by_role("button", name="Publish both").click()
    expect(page.get_by_text("Neither the book nor the records have changed since.")).to_be_visible()
    assert (shop / "guide" / "owners.pdf").read_bytes().startswith(b"%PDF")
    got = page.request.get(f"{bench}/guide/owners.pdf")
    assert (got.status, got.headers["content-type"]) == (200, "application/pdf")
    for name in ("edition.json", "..%2Fbook.yaml", "other.html"):
        assert page.request.get(f"{bench}/guide/{name}").status == 404
    page.get_by_role("link", name="For buyers, as a page").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Corvane 1.6 petrol")


@pytest.mark.parametrize(("size", "dark"), [(WIDE, False), (PHONE, True)], ids=["wide-light", "phone-dark"])
def test_the_published_page_can_be_read_by_everybody(
    open_page: Opener, bench: str, shop: Path, size: tuple[int, int], dark: bool
) -> None:
    if not (shop / "guide" / "owners.html").exists():
        page = shown(open_page("/guide", site=bench))
        page.get_by_role("button", name="Publish both").click()
        expect(page.get_by_role("link", name="For owners, as a page")).to_be_visible()
    page = open_page("/guide/owners.html", size, dark=dark, site=bench)
    assert_fits(page)
    assert_accessible(page)
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="To the text")).to_be_focused()
    page.get_by_role("link", name="Method and limits").click()
    expect(page.get_by_role("heading", name="Method and limits")).to_be_in_viewport()
