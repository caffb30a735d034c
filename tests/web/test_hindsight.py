"""Hindsight in a browser."""

from playwright.sync_api import Page, expect

from tests.web.conftest import Opener

LONG = 240_000  # ms: it is simulated, on a machine that may be busy


def patient(page: Page) -> Page:
    """The page when its answer is there."""
    expect(page.locator(".waiting")).to_have_count(0, timeout=LONG)
    return page


def test_whether_forecasts_held_is_said_first_then_weak_point_by_weak_point(open_page: Opener):
    page = patient(open_page("/hindsight"))
    expect(page.locator("p.lead").first).to_contain_text("chance makes it")
    expect(page.locator(".key-figures")).to_contain_text("Failures that happened")
    rows = page.locator("ol.held li")
    assert rows.count() > 20
    expect(rows.first).to_contain_text("forecast (")
    assert rows.first.get_by_role("link").get_attribute("href").startswith("/weak-points/")
    expect(page.locator(".traces")).to_contain_text("No trace has been kept yet")


def test_another_time_held_out_stays_in_the_address_and_a_wrong_one_can_be_mended(open_page: Opener):
    page = patient(open_page("/hindsight"))
    page.get_by_label("Newest records held out").select_option("24m")
    page.wait_for_url("**hold-out=24m**")
    expect(patient(page).locator(".headline")).to_contain_text("24 months")
    wrong = patient(open_page("/hindsight?hold-out=soon"))
    expect(wrong.get_by_role("alert")).to_contain_text("12m, 18m, 2y")
