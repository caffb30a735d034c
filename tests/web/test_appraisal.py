"""Appraising in a browser, as a buyer does: standing at the car with a phone."""

import io
import re
from urllib.request import urlopen

import pytest
from playwright.sync_api import Page, expect
from pypdf import PdfReader

from tests.web.conftest import PHONE, WIDE, Opener, assert_accessible, assert_fits, assert_touchable, settled

VAN = "/vehicles/V00003/appraisal"
AT = f"{VAN}?price=8000"


def even(page: Page) -> int:
    return int(re.sub(r"\D", "", page.locator(".price-bar .even b").inner_text()))


def simulated(site: str, paper: str) -> None:
    """The vehicle is simulated, however long that takes."""
    with urlopen(site + paper) as answer:
        assert answer.read(5) == b"%PDF-"


def sight(page: Page, name: str):
    return page.get_by_role("group", name=name).first


@pytest.fixture
def at_the_car(open_page: Opener, site: str):
    simulated(site, f"{AT.replace('?', '/checklist.pdf?')}")

    def opened(query: str = "", size=PHONE, **options):
        page = open_page(AT + query, size, **options)
        expect(page.locator(".look-card").first).to_be_visible()
        return settled(page)

    return opened


def test_without_a_price_it_asks_for_one(open_page: Opener, site: str):
    simulated(site, f"{VAN}/checklist.pdf?price=8000")
    page = settled(open_page(VAN, PHONE, dark=True))
    expect(page.locator("#content")).to_contain_text("Say what is asked for it")
    for check in (assert_fits, assert_touchable, assert_accessible):
        check(page)
    page.get_by_label("Asking price").fill("8000")
    page.keyboard.press("Enter")
    page.wait_for_url("**price=8000**")
    expect(page.locator(".price-bar .even b")).to_contain_text("EUR")


def test_the_price_stays_in_sight_and_all_can_be_used(at_the_car):
    page = at_the_car(dark=True)
    page.locator(".look-card").last.scroll_into_view_if_needed()
    expect(page.locator(".price-bar .even b")).to_be_in_viewport()
    expect(page.locator(".price-bar .offer")).to_contain_text("better with a chance of")
    for check in (assert_fits, assert_touchable, assert_accessible):
        check(page)


def test_a_finding_moves_the_price_at_once_and_is_kept_in_the_address(at_the_car):
    page = at_the_car()
    card = page.locator(".look-card").first
    group = card.get_by_role("group").first
    name, before = group.get_attribute("aria-label"), even(page)
    told = group.locator("small").inner_text()
    promised = int(re.search(r"worth EUR ([\d,]+) if there", told)[1].replace(",", ""))
    group.get_by_role("button", name="There", exact=True).click()
    expect(group.get_by_role("button", name="There", exact=True)).to_have_attribute("aria-pressed", "true")
    expect(page.locator(".price-bar .even b")).not_to_have_text(re.compile(f"{before:,}"))
    settled(page)
    assert even(page) == pytest.approx(promised, abs=40)
    assert even(page) < before
    moved = page.locator(".moved").first
    expect(moved).to_contain_text(name)
    expect(moved).to_contain_text("−EUR")
    expect(card.locator(".mark-next")).to_be_attached()
    assert "saw=" in page.url
    now = even(page)
    page.reload()
    expect(page.locator(".look-card").first).to_be_visible()
    assert even(settled(page)) == now
    expect(sight(page, name).get_by_role("button", name="There", exact=True)).to_have_attribute("aria-pressed", "true")
    sight(page, name).get_by_role("button", name="Not looked").click()
    expect(page.locator(".moved", has_text=name)).to_have_count(0)
    assert even(settled(page)) == before
    assert "saw=" not in page.url


def test_keys_alone_do_it_too(at_the_car):
    page = at_the_car(size=WIDE)
    for check in (assert_fits, assert_touchable, assert_accessible):
        check(page)
    button = page.locator(".look-card").first.get_by_role("button", name="Not there", exact=True).first
    button.focus()
    page.keyboard.press("Enter")
    expect(button).to_have_attribute("aria-pressed", "true")
    expect(button).to_be_focused()
    assert "absent=" in settled(page).url


def test_the_checklist_is_a_pdf_to_print(at_the_car, site):
    to = at_the_car().get_by_role("link", name="Checklist to print").get_attribute("href")
    with urlopen(site + to) as answer:
        assert answer.headers["Content-Type"] == "application/pdf"
        assert "Buyer's checklist" in PdfReader(io.BytesIO(answer.read())).pages[0].extract_text().replace("’", "'")


def test_a_vehicle_in_no_store_is_described_and_appraised(open_page: Opener, site: str):
    described = "variant=m96&built=2016-05-01&odometer=158000&price=7800"
    simulated(site, f"/appraisal/checklist.pdf?{described}")
    simulated(site, f"/appraisal/checklist.pdf?{described}&done=timing-chain@150000")
    page = settled(open_page("/appraisal"))
    expect(page.locator("#content")).to_contain_text("its variant, when it was built")
    page.get_by_label("Variant").select_option("m96")
    page.get_by_label("Built").fill("2016-05-01")
    page.get_by_label("Built").blur()
    page.get_by_label("Odometer now").fill("158000")
    page.get_by_label("Asking price").fill("7800")
    page.get_by_label("Asking price").blur()
    expect(page.locator(".price-bar .even b")).to_contain_text("EUR")
    bare = even(settled(page))
    page.get_by_text("More that can be said").click()
    page.get_by_label("Renewed, and shown").select_option("timing-chain")
    page.get_by_label("at odometer").fill("150000")
    page.get_by_label("at odometer").blur()
    page.wait_for_url("**done=timing-chain@150000**")
    expect(page.locator(".latest.stale")).to_have_count(0)
    expect(page.locator(".price-bar .even b")).to_contain_text("EUR")
    assert even(settled(page)) != bare


def test_what_cannot_be_is_said_in_its_place(open_page: Opener):
    page = settled(open_page("/appraisal?variant=m96&built=2016-05-01&odometer=158000&price=7800&history=maybe"))
    expect(page.get_by_role("alert")).to_contain_text("complete")
