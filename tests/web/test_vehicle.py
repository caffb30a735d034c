"""Vehicles in a browser: found as one types, added, looked at, and a visit put on record by two people at once."""

import re
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.web.conftest import PHONE, WIDE, Opener, assert_accessible, assert_fits, assert_touchable, served, settled
from wearlore.workbench import Workbench

VAN = "/vehicles/V00003"


@pytest.fixture(scope="module")
def copied(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory):
    """A folder of its own to write to, and where it is served."""
    folder = tmp_path_factory.mktemp("written") / "wearlore-demo"
    shutil.copytree(demo_folder, folder)
    with served(folder) as address:
        yield folder, address


def noting(page: Page, odometer: str, fault: str) -> None:
    """Type a visit with one fault into the form."""
    page.locator("summary", has_text="Note a visit").click()
    page.get_by_label("Date").fill("2025-02-01")
    page.get_by_label("Odometer").fill(odometer)
    page.get_by_role("button", name="Add a line").click()
    page.get_by_label("Of what").select_option(label=fault)
    expect(page.get_by_label("Of what")).not_to_have_value("")


def put_on_record(page: Page) -> None:
    page.get_by_role("button", name="Put on record").click()


@pytest.mark.parametrize(("size", "dark"), [(WIDE, False), (PHONE, True)], ids=["wide-light", "phone-dark"])
def test_all_that_is_folded_can_be_used_by_everybody(open_page: Opener, size: tuple[int, int], dark: bool) -> None:
    for path in ("/vehicles?search=v0002", f"{VAN}?fault=chain-stretch"):
        page = settled(open_page(path, size, dark=dark))
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        assert_fits(page)
        assert_touchable(page)
        assert_accessible(page)


def test_a_vehicle_is_found_as_one_types_and_enter_opens_the_first(open_page: Opener) -> None:
    page = settled(open_page("/vehicles"))
    expect(page.locator(".found li")).to_have_count(40)
    page.get_by_label("Name or variant").press_sequentially("v00003")
    expect(page.locator(".found li")).to_have_count(1)
    page.wait_for_url("**/vehicles?search=v00003")
    page.get_by_label("Name or variant").press("Enter")
    page.wait_for_url(f"**{VAN}")


def test_what_nobody_is_called_is_said(open_page: Opener) -> None:
    page = settled(open_page("/vehicles?search=nobody<b>"))
    expect(page.get_by_text("None is called that.")).to_be_visible()
    expect(page.get_by_label("Name or variant")).to_have_value("nobody<b>")


def test_a_vehicle_that_is_not_known_is_named_with_those_that_are(open_page: Opener) -> None:
    page = settled(open_page("/vehicles/V0003"))
    expect(page.get_by_role("alert")).to_contain_text("no vehicle is called 'V0003'. Did you mean")


def test_what_is_likely_stands_first_with_its_interval_and_ways_on(open_page: Opener) -> None:
    page = settled(open_page(VAN))
    expect(page.locator("p.lead")).to_have_text(re.compile(r"Likeliest now: .+, chance \d+ % \(\d+ % to \d+ %\)\."))
    first = page.locator(".suspects li").first
    expect(first).to_contain_text("failed in")
    first.get_by_role("link", name="In the visit").click()
    page.wait_for_url("**/visit?probable=*")


def test_the_history_is_walked_by_keyboard_and_by_touching_a_mark(open_page: Opener) -> None:
    page = settled(open_page(VAN, PHONE))
    where = page.locator(".stepping [role=status]")
    expect(where).to_contain_text("Visit 13 of 14: 2024-07-04, 135,849 km")
    page.get_by_role("button", name="Earlier visit").focus()
    page.keyboard.press("Enter")
    expect(where).to_contain_text("Visit 12 of 14")
    page.locator(".timeline [data-visit='2']").first.tap()
    expect(where).to_contain_text("Visit 3 of 14: 2018-10-25")
    expect(page.locator(".history .blocks")).to_contain_text("Coolant pump weeps at the weep hole")


def test_a_reading_is_told_with_what_is_left(open_page: Opener) -> None:
    page = settled(open_page(VAN))
    expect(page.get_by_role("heading", name="Camshaft phase against crankshaft")).to_be_visible()
    expect(page.locator(".drift-chart svg").first).to_be_visible()


def test_two_people_with_one_vehicle_lose_nothing(open_page: Opener, copied) -> None:
    folder, site = copied
    one, other = (open_page("/vehicles/V00007", size, site=site) for size in (WIDE, PHONE))
    noting(one, "95000", "Coolant pump weeps at the weep hole")
    noting(other, "95100", "Thermostat stays open")
    put_on_record(one)
    expect(one.get_by_text("It is on record.")).to_be_visible()
    put_on_record(other)
    alert = other.get_by_role("alert")
    expect(alert).to_contain_text("Meanwhile somebody else put this on record")
    expect(alert).to_contain_text("Coolant pump weeps at the weep hole")
    assert len(list((folder / "found").glob("*V00007*"))) == 1
    other.get_by_role("button", name="Add mine too").click()
    expect(other.get_by_text("It is on record.")).to_be_visible()
    expect(other.locator(".open-fault")).to_have_count(2)
    last = Workbench(folder).history("V00007").visits[-2:]
    assert [(visit.km, visit.lines[0].mode) for visit in last] == [
        (95_000, "water-pump-leak"),
        (95_100, "thermostat-open"),
    ]


def test_what_is_refused_stays_typed_and_survives_a_reload(open_page: Opener, copied) -> None:
    folder, site = copied
    page = open_page("/vehicles/V00008", site=site)
    noting(page, "1", "Coolant pump weeps at the weep hole")
    put_on_record(page)
    expect(page.get_by_role("alert")).to_contain_text("Odometer: expected no less than on an earlier date")
    expect(page.get_by_label("Odometer")).to_have_value("1")
    page.reload()
    expect(page.get_by_text("What was typed here before is here again")).to_be_visible()
    expect(page.get_by_label("Odometer")).to_have_value("1")
    assert list((folder / "found").glob("*V00008*")) == []


def test_a_vehicle_is_added_and_each_field_says_what_is_wrong(open_page: Opener, copied) -> None:
    _, site = copied
    page = settled(open_page("/vehicles", site=site))
    page.locator("summary", has_text="Add a vehicle").click()
    page.get_by_label("Name or number").fill("V00003")
    page.get_by_role("button", name="Add it").click()
    expect(page.locator(".judged", has_text="Name or number").get_by_role("alert")).to_contain_text(
        "V00003 is: open it"
    )
    page.get_by_label("Name or number").fill("TEST 1")
    page.get_by_label("Built on").fill("2020-05-01")
    page.get_by_label("Odometer today").fill("81000")
    page.get_by_role("button", name="Add it").click()
    page.wait_for_url("**/vehicles/TEST%201")
    expect(settled(page).locator(".facts")).to_contain_text("81,000 km")
