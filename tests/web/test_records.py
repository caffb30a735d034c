"""Records in a browser: what is there, files that are taken or refused, and what is kept apart."""

import shutil
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import Page, expect

from tests.web.conftest import PHONE, Opener, assert_accessible, assert_fits, assert_touchable, served, settled

GOOD = b"vehicle,variant,built\nNEW1,m96,2020-01-01\nNEW2,m118,2020-02-01\n"
LINES = b"vehicle,date,odometer,component,finding,mode\nNEW1,2021-01-01,9000,water-pump,failed,water-pump-leak\n"
BAD = b"vehicle,date,odometer\nV00003,2025-01-01,150000\nNOBODY,2025-01-01,5\nV00003,2025-01-02,far\n"


@pytest.fixture(scope="module")
def copied(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory):
    """A folder of its own to write to, served."""
    folder = tmp_path_factory.mktemp("taken") / "wearlore-demo"
    shutil.copytree(demo_folder, folder)
    with served(folder) as address:
        yield address


def send(page: Page, *files: tuple[str, bytes]) -> None:
    chosen = [{"name": name, "mimeType": "text/csv", "buffer": content} for name, content in files]
    page.get_by_label("Files of records").set_input_files(chosen)


def figure(page: Page, name: str):
    return page.locator(".key-figures > div", has_text=name).locator("dd").first


def test_what_is_there(open_page: Opener) -> None:
    page = settled(open_page("/records"))
    expect(figure(page, "Vehicles")).to_have_text("300")
    expect(page.locator("table")).to_contain_text("vehicles.parquet")
    expect(page.locator("table")).not_to_contain_text("/vehicles.parquet")


def test_vehicles_are_taken_before_their_lines_and_the_pages_follow(open_page: Opener, copied: str) -> None:
    page = settled(open_page("/records", site=copied))
    send(page, ("lines <1>.csv", LINES), ("vans.csv", GOOD))
    expect(page.locator(".intake.taken")).to_have_count(2)
    expect(page.get_by_role("group", name="vans.csv")).to_contain_text("2 vehicles read = 2 stored + 0 in quarantine")
    expect(page.get_by_role("group", name="lines <1>.csv")).to_contain_text("1 lines read = 1 stored")
    expect(figure(page, "Vehicles")).to_have_text("302")
    expect(page.get_by_text("All pages stand on these records now.")).to_be_visible()
    send(page, ("again.csv", GOOD))
    expect(page.get_by_role("group", name="again.csv")).to_contain_text("Taken before, as vans.csv. Nothing changed.")


def test_a_bad_file_changes_nothing_until_its_bad_lines_are_set_apart(open_page: Opener, copied: str) -> None:
    page = settled(open_page("/records", PHONE, dark=True, site=copied))
    before = figure(page, "Visits").inner_text()
    send(page, ("visits.csv", BAD))
    card = page.get_by_role("group", name="visits.csv")
    expect(card).to_contain_text("Nothing of it was taken; the records are as they were.")
    expect(card.locator("li").first).to_contain_text("visits.csv:3: vehicle: expected a vehicle of the store")
    expect(card.locator("li").last).to_contain_text("visits.csv:4: odometer: expected a number")
    expect(figure(page, "Visits")).to_have_text(before)
    assert_fits(page)
    assert_touchable(page)
    assert_accessible(page)
    card.get_by_role("button", name="Take the good lines").click()
    expect(card).to_contain_text("3 lines read = 1 stored + 2 in quarantine")
    expect(figure(page, "In quarantine")).to_have_text("2")
    expect(page.get_by_role("heading", name="In quarantine: 2")).to_be_visible()
    assert_accessible(page)


def test_what_is_no_file_of_records_is_refused_without_an_offer(open_page: Opener, copied: str) -> None:
    page = settled(open_page("/records", site=copied))
    send(page, ("letter.docx", b"hello"), ("odd.csv", b"a,b\n1,2\n"))
    cards = page.locator(".intake.refused")
    expect(cards).to_have_count(2)
    expect(cards.first).to_contain_text("a name ending in .csv or .parquet")
    expect(page.get_by_role("button", name="Take the good lines")).to_have_count(0)
    cards.first.get_by_role("button", name="Leave it").click()
    expect(cards).to_have_count(1)


def test_nobody_sends_files_without_the_ticket_of_a_page(site: str) -> None:
    with pytest.raises(HTTPError) as refused:
        urlopen(Request(f"{site}/records/files/guessed/abcdef?kind=csv", data=b"x", method="PUT"))
    with refused.value:
        assert refused.value.code == 404
