"""The due list in a browser: what a person sees, chooses and takes away."""

import csv
import io
from urllib.request import urlopen
from zipfile import ZipFile

import pytest
from playwright.sync_api import expect

from tests.web.conftest import PHONE, Opener, assert_accessible, assert_fits, assert_touchable, settled

ROWS = "li.due"


@pytest.fixture
def listed(open_page: Opener, site: str):
    with urlopen(f"{site}/due.csv") as answer:  # weighed, however long that takes
        answer.read()

    def opened(query: str = "", **options):
        return settled(open_page(f"/due{query}", **options))

    return opened


def numbers(page, selector: str) -> list[float]:
    return [float(text.replace(",", "")) for text in page.locator(selector).all_inner_texts()]


def test_whom_to_call_in_first_and_for_what(listed):
    page = listed()
    expect(page.locator("p.lead")).to_contain_text("saves EUR")
    saved = numbers(page, f"{ROWS} .saves > b")
    assert saved == sorted(saved, reverse=True)
    first = page.locator(ROWS).first
    expect(first.locator(".saves")).to_contain_text("to")
    vehicle = first.locator(".who a").inner_text()
    first.get_by_role("link", name=f"Plan the visit of {vehicle}").click()
    page.wait_for_url(f"**/vehicles/{vehicle}/visit?**odometer=**")


def test_another_order_another_variant_and_a_search_stay_in_the_address(listed):
    page = listed()
    page.get_by_label("In order of").select_option("risk")
    expect(page.locator(".over-list [role=status]")).to_contain_text("by the chance of stopping on the road")
    page.get_by_label("Variant").select_option("m96")
    expect(page.locator(f"{ROWS} .who").first).to_contain_text("m96")
    page.get_by_label("Find").fill("clutch")
    expect(page.locator(".over-list [role=status]")).to_contain_text(" of ")
    page.wait_for_url("**search=clutch**")
    settled(page).reload()
    settled(page)
    expect(page.get_by_label("In order of")).to_have_value("risk")
    expect(page.get_by_label("Find")).to_have_value("clutch")
    assert all("m96" in who for who in page.locator(f"{ROWS} .who").all_inner_texts())


def test_nothing_called_so_is_said(listed):
    page = listed("?search=nosuchthing")
    expect(page.locator(".over-list [role=status]")).to_have_text("No vehicle is called so, and no job.")
    expect(page.locator(ROWS)).to_have_count(0)


def test_an_order_that_there_is_not_is_a_problem_that_can_be_mended(listed):
    expect(listed("?by=luck").get_by_role("alert")).to_contain_text("risk")


def test_the_list_is_saved_as_it_is_asked_for(listed, site):
    page = listed("?variant=m96&search=clutch")
    with page.expect_download() as taken:
        page.get_by_role("link", name="CSV of these").click()
    rows = list(csv.DictReader(io.StringIO(taken.value.path().read_text(encoding="utf-8-sig"))))
    whole = page.locator(".over-list [role=status]").inner_text()
    assert f"of {len(rows)} vehicles" in whole
    assert {row["Variant"] for row in rows} == {"m96"}
    with urlopen(f"{site}/due.xlsx?variant=m96&search=clutch") as answer, ZipFile(io.BytesIO(answer.read())) as book:
        assert "xl/worksheets/sheet1.xml" in book.namelist()


def test_a_phone_shows_cards(listed):
    page = listed("?search=V0000", size=PHONE, dark=True)
    expect(page.locator(ROWS).first).to_contain_text("Stops")
    expect(page.locator(".due.head")).to_be_hidden()
    for check in (assert_fits, assert_touchable, assert_accessible):
        check(page)
