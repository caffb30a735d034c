"""The family page: what fails soonest, and the rows that a person chooses by hand, by keyboard and by address."""

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.web.conftest import (
    PHONE,
    Opener,
    assert_accessible,
    assert_fits,
    assert_touchable,
    served,
    settled,
)


def rows(page: Page) -> list[str]:
    return page.locator(".weak .what a").all_inner_texts()


def chosen(page: Page, label: str) -> Locator:
    return page.locator(f".control:has(> span:text-is('{label}')) select")


def said(page: Page) -> dict[str, list[str]]:
    return parse_qs(urlsplit(page.url).query)


def test_the_page_says_first_what_fails_soonest_and_what_the_records_hold(open_page: Opener) -> None:
    page = settled(open_page("/"))
    expect(page.locator("main p.lead")).to_contain_text(re.compile(r"Soonest: .* 1 in 10 by [\d,]+ km \([\d,]+ to "))
    expect(page.locator(".on-record")).to_contain_text("300 vehicles")
    expect(page.locator(".tally [role=status]")).to_have_text("Shown: 40 of 40 weak points")
    first = page.locator(".weak").first
    expect(first.locator(".known")).to_contain_text(re.compile(r"\d+ failures\s+in [\d,]+ lives"))
    starts = [float(text.replace(",", "")) for text in page.locator(".weak .first b").all_inner_texts()]
    assert starts == sorted(starts)


def test_choosing_leaves_rows_out_at_once_and_the_address_keeps_it(open_page: Opener) -> None:
    page = settled(open_page("/"))
    chosen(page, "Variant").select_option("m96")
    expect(page.locator(".tally [role=status]")).to_have_text("Shown: 38 of 40 weak points")
    assert "Second EGR cooler leaks" not in rows(page)
    chosen(page, "Consequence").select_option("engine-damage")
    expect(page.locator(".weak .brings").first).to_have_text("engine damage")
    chosen(page, "Order").select_option("often")
    page.wait_for_url("**order=often*")
    assert said(page) == {"variant": ["m96"], "consequence": ["engine-damage"], "order": ["often"]}
    shown = rows(page)
    again = settled(open_page(f"/?{urlsplit(page.url).query}"))
    assert rows(again) == shown
    again.get_by_role("link", name="Show all").click()
    expect(again.locator(".weak")).to_have_count(40)


def test_words_find_a_weak_point_by_what_people_call_it(open_page: Opener) -> None:
    page = settled(open_page("/"))
    page.get_by_label("Search").press_sequentially("rear main")
    expect(page.locator(".weak")).to_have_count(1)
    assert rows(page) == ["Rear crankshaft seal leaks"]
    expect(page.get_by_label("Search")).to_have_value("rear main")  # what is typed stays while the rows change
    page.get_by_label("Search").fill("no such thing")
    expect(page.locator("main p.lead")).to_have_text("No weak point is like that.")


def test_a_row_leads_to_its_evidence_by_keyboard(open_page: Opener) -> None:
    page = settled(open_page("/?search=coolant+pump"))
    link = page.locator(".weak .what a").first
    link.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/weak-points/water-pump-leak")


def test_what_an_address_asks_in_vain_is_said(open_page: Opener) -> None:
    page = settled(open_page("/?variant=m69"))
    expect(page.get_by_role("alert")).to_contain_text("Did you mean m96?")
    expect(page.locator(".weak")).to_have_count(40)


def test_a_narrow_choice_can_be_used_by_everybody(open_page: Opener) -> None:
    page = settled(open_page("/?variant=m118&noticed=hidden", PHONE, dark=True))
    assert_fits(page)
    assert_touchable(page)
    assert_accessible(page)


@pytest.fixture(scope="module")
def without_records(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("begun") / "wearlore-demo"
    shutil.copytree(demo_folder / "book", folder / "book")
    with served(folder) as address:
        yield address


def test_without_records_the_book_speaks_alone_and_says_so(open_page: Opener, without_records: str) -> None:
    page = settled(open_page("/", site=without_records))
    expect(page.locator(".notice-box")).to_contain_text("There are no records yet")
    expect(page.get_by_role("link", name="Load records")).to_have_attribute("href", "/records")
    expect(page.locator(".weak .known").first).to_contain_text("judgement")
    assert page.locator(".weak .band").first.evaluate("e => e.style.getPropertyValue('--record')") == "0%"
    assert_accessible(page)


def test_without_records_a_weak_point_tells_what_the_book_knows(open_page: Opener, without_records: str) -> None:
    page = open_page("/weak-points/timing-cover-leak", site=without_records)
    expect(page.locator("#when p.lead")).to_contain_text("judgement alone")
    expect(page.locator("#remedies")).to_be_visible()
    expect(page.locator("#records")).to_be_hidden()
